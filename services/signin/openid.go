package signin

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// openIDTime is how long somebody may take at the provider.
	openIDTime = 10 * time.Minute
	// providerTime is how long the provider may take to answer.
	providerTime = 10 * time.Second
	// CallbackPath is where the provider sends a browser back to.
	CallbackPath = "/sign-in/openid"
)

// Provider is an OpenID Connect provider.
type Provider struct {
	// Title is what people call it, such as "shire account".
	Title string
	// Issuer is its address, ClientID and Secret what it knows the house by.
	Issuer, ClientID, Secret string
	// HTTP reaches it; nil is a client of its own.
	HTTP *http.Client
	// Log gets the causes of refusals, without what was sent; nil discards it.
	Log *slog.Logger

	mu    sync.Mutex
	found *oidc.Provider
}

func (p *Provider) title() string {
	if p.Title == "" {
		return "OpenID Connect"
	}
	return p.Title
}

func (p *Provider) client() *http.Client {
	if p.HTTP != nil {
		return p.HTTP
	}
	return &http.Client{Timeout: providerTime}
}

// discover returns the provider as it describes itself. It is asked at the first
// use, so that the house starts without it.
func (p *Provider) discover() (*oidc.Provider, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found != nil {
		return p.found, nil
	}
	// What is found asks for keys as long as the server lives, so it must not
	// end with one call.
	found, err := oidc.NewProvider(oidc.ClientContext(context.Background(), p.client()), p.Issuer)
	if err != nil {
		return nil, p.silent("discover", err)
	}
	p.found = found
	return found, nil
}

// silent says that the provider does not answer, and logs why. Answers of a
// provider may hold what somebody sent, so only the kind of error is kept.
func (p *Provider) silent(step string, err error) error {
	if p.Log != nil {
		code := ""
		var refused *oauth2.RetrieveError
		if errors.As(err, &refused) {
			code = refused.ErrorCode
		}
		p.Log.Warn("the OpenID Connect provider did not answer as it should", "step", step, "error", fmt.Sprintf("%T", err), "code", code)
	}
	return fault.NoAnswer("the provider of "+p.title(), 5*time.Second)
}

// config returns the provider for this house.
func (s *Service) provider() (*oidc.Provider, *oauth2.Config, error) {
	if s.OpenID == nil || s.Origin() == "" {
		return nil, nil, fault.State("openid", "is not set up here; sign in another way")
	}
	found, err := s.OpenID.discover()
	if err != nil {
		return nil, nil, err
	}
	return found, &oauth2.Config{ClientID: s.OpenID.ClientID, ClientSecret: s.OpenID.Secret, Endpoint: found.Endpoint(),
		RedirectURL: s.Origin() + CallbackPath, Scopes: []string{oidc.ScopeOpenID}}, nil
}

func random() (string, error) {
	b := make([]byte, 32)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("signin: random: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// toProvider makes the way to the provider.
func (s *Service) toProvider(ctx context.Context, purpose, principal string) (*pb.OpenIDChallenge, error) {
	_, conf, err := s.provider()
	if err != nil {
		return nil, err
	}
	t := ticket{Principal: principal, Verifier: oauth2.GenerateVerifier()}
	if t.State, err = random(); err != nil {
		return nil, err
	}
	if t.Nonce, err = random(); err != nil {
		return nil, err
	}
	sealed, err := s.seal(ctx, purpose, t, openIDTime)
	return &pb.OpenIDChallenge{Ticket: sealed, Url: conf.AuthCodeURL(t.State, oidc.Nonce(t.Nonce), oauth2.S256ChallengeOption(t.Verifier))}, err
}

// BeginOpenID implements SignInService.
func (s *Service) BeginOpenID(ctx context.Context, _ *pb.BeginOpenIDRequest) (*pb.OpenIDChallenge, error) {
	return s.toProvider(ctx, forOpenID, "")
}

// BeginOpenIDLink implements SignInService.
func (s *Service) BeginOpenIDLink(ctx context.Context, _ *pb.BeginOpenIDLinkRequest) (*pb.OpenIDChallenge, error) {
	principal, err := s.lately(ctx)
	if err != nil {
		return nil, err
	}
	return s.toProvider(ctx, forLink, principal)
}

// wrongAccount is said of whatever the provider sent that lets nobody in.
func wrongAccount() error {
	return fault.Unauthenticated("the provider sent nothing that lets anybody in here; begin again, or ask whoever looks after access to link your account")
}

// subject makes sure whom the provider means, and returns the ticket.
func (s *Service) subject(ctx context.Context, purpose, sealed, state, code string) (t ticket, subject string, err error) {
	if t, err = s.open(ctx, purpose, sealed); err != nil {
		return t, "", err
	}
	if subtle.ConstantTimeCompare([]byte(t.State), []byte(state)) != 1 {
		return t, "", wrongAccount()
	}
	found, conf, err := s.provider()
	if err != nil {
		return t, "", err
	}
	ctx, cancel := context.WithTimeout(oidc.ClientContext(ctx, s.OpenID.client()), providerTime)
	defer cancel()
	tokens, err := conf.Exchange(ctx, code, oauth2.VerifierOption(t.Verifier))
	if err != nil {
		var refused *oauth2.RetrieveError
		if errors.As(err, &refused) && refused.Response != nil && refused.Response.StatusCode < 500 {
			return t, "", wrongAccount()
		}
		return t, "", s.OpenID.silent("exchange", err)
	}
	raw, _ := tokens.Extra("id_token").(string)
	id, err := found.Verifier(&oidc.Config{ClientID: conf.ClientID, Now: s.Clock}).Verify(ctx, raw)
	if err != nil || subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(t.Nonce)) != 1 || id.Subject == "" {
		return t, "", wrongAccount()
	}
	return t, id.Subject, nil
}

// FinishOpenID implements SignInService.
func (s *Service) FinishOpenID(ctx context.Context, req *pb.FinishOpenIDRequest) (*pb.SignedIn, error) {
	if err := s.try(ctx, ""); err != nil {
		return nil, err
	}
	_, subject, err := s.subject(ctx, forOpenID, req.GetTicket(), req.GetState(), req.GetCode())
	if err != nil {
		return nil, err
	}
	name, err := s.Ledger.Claimed(ctx, record.SpaceOpenID, hashed(s.OpenID.Issuer, subject))
	if err != nil && !errors.Is(err, ledger.ErrNotFound) {
		return nil, err
	}
	p, ok := s.Registry.Principal(ownerOf(name))
	if !ok || !mayCome(p) {
		return nil, wrongAccount()
	}
	err = s.write(ctx, p.GetName(), name, func(ctx context.Context, tx ledger.Tx) error {
		if _, ok, err := read(ctx, tx, name, record.KindCredential, &pb.Credential{}); err != nil || !ok {
			return errors.Join(err, wrongAccount())
		}
		return spend(ctx, tx, req.GetTicket(), name)
	})
	if err != nil {
		return nil, err
	}
	s.right(ctx, "")
	return s.begin(ctx, p.GetName(), "openid")
}

// FinishOpenIDLink implements SignInService.
func (s *Service) FinishOpenIDLink(ctx context.Context, req *pb.FinishOpenIDLinkRequest) (*pb.Credential, error) {
	principal, err := s.lately(ctx)
	if err != nil {
		return nil, err
	}
	t, subject, err := s.subject(ctx, forLink, req.GetTicket(), req.GetState(), req.GetCode())
	if err != nil {
		return nil, err
	}
	if t.Principal != principal {
		return nil, fault.Unauthenticated("this was begun by somebody else; begin again")
	}
	return s.link(ctx, principal, subject, "", req.GetTicket())
}

// LinkOpenID implements SignInService.
func (s *Service) LinkOpenID(ctx context.Context, req *pb.LinkOpenIDRequest) (*pb.Credential, error) {
	who := access.From(ctx)
	if !isWhole(ctx) {
		return nil, fault.Denied("this is for whoever looks after access in the whole house; your role is bounded to a part of it")
	}
	if who.Name == req.GetPrincipal() && who.Session != "" {
		return nil, fault.Denied("your own account is linked from your own page, by signing in at the provider")
	}
	if s.OpenID == nil {
		return nil, fault.State("openid", "is not set up here; sign in another way")
	}
	p, ok := s.Registry.Principal(req.GetPrincipal())
	if !ok {
		return nil, fault.NotFound(req.GetPrincipal())
	}
	if !mayCome(p) {
		return nil, fault.State(p.GetName(), "may not come in, so a link would let nobody in; make the principal active first")
	}
	return s.link(ctx, p.GetName(), req.GetSubject(), who.Name, "")
}

// link stores the link of an account with a principal.
func (s *Service) link(ctx context.Context, principal, subject, helper, sealed string) (*pb.Credential, error) {
	c := &pb.Credential{Name: principal + "/credentials/" + s.NewID(), Kind: pb.CredentialKind_CREDENTIAL_KIND_OPENID, Title: s.OpenID.title(),
		CreateTime: timestamppb.New(s.Clock().Truncate(time.Second)), HelpedBy: helper, OpenidIssuer: s.OpenID.Issuer, OpenidSubject: subject}
	err := s.write(ctx, access.From(ctx).Name, c.GetName(), func(ctx context.Context, tx ledger.Tx) error {
		if sealed != "" {
			if err := spend(ctx, tx, sealed, c.GetName()); err != nil {
				return err
			}
		}
		if err := s.room(ctx, tx, principal); err != nil {
			return err
		}
		if err := tx.Claim(ctx, record.SpaceOpenID, hashed(c.GetOpenidIssuer(), subject), c.GetName()); errors.Is(err, ledger.ErrClaimed) {
			return fault.Taken("this account is linked with somebody here already; remove that link first")
		} else if err != nil {
			return err
		}
		p, err := record.Put(c, c.GetName(), record.KindCredential, record.VerbLink, ledger.Absent)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, err
	}
	return hidden(c), nil
}
