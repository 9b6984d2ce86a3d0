package signin

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"time"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// passkeyTime is how long somebody may take with their passkey.
const passkeyTime = 5 * time.Minute

// relying returns the house as WebAuthn knows it. A passkey takes the place of
// a password, so the device must make sure who holds it, and must find the key
// without being told a name: lists of keys would tell who has some.
func (s *Service) relying() (*webauthn.WebAuthn, error) {
	origin := s.Origin()
	u, err := url.Parse(origin)
	if origin == "" || err != nil || u.Hostname() == "" {
		return nil, fault.State("passkeys", "need the address of the pages; whoever runs the service gives it with --origin")
	}
	wa, err := webauthn.New(&webauthn.Config{
		RPID: u.Hostname(), RPDisplayName: "Fairlead", RPOrigins: []string{u.Scheme + "://" + u.Host},
		AttestationPreference: protocol.PreferNoAttestation,
		AuthenticatorSelection: protocol.AuthenticatorSelection{
			ResidentKey: protocol.ResidentKeyRequirementRequired, UserVerification: protocol.VerificationRequired,
		},
	})
	if err != nil {
		return nil, fault.State("passkeys", "do not work at the address "+origin+": it must be https, with a name and not a number, or localhost")
	}
	return wa, nil
}

// holder is a principal as WebAuthn knows one.
type holder struct {
	id            []byte
	name, display string
	keys          []webauthn.Credential
}

func (h *holder) WebAuthnID() []byte                         { return h.id }
func (h *holder) WebAuthnName() string                       { return h.name }
func (h *holder) WebAuthnDisplayName() string                { return h.display }
func (h *holder) WebAuthnCredentials() []webauthn.Credential { return h.keys }

// holder returns a principal with one of its passkeys, or with all of them.
func (s *Service) holder(ctx context.Context, p *pb.Principal, kept ...*pb.Credential) (*holder, error) {
	// What a device stores of the holder is a number that tells nobody who.
	id, err := s.derived(ctx, "passkey holder", p.GetName())
	if err != nil {
		return nil, err
	}
	h := &holder{id: id, name: p.GetSignInName(), display: p.GetDisplayName()}
	if h.name == "" {
		h.name = p.GetDisplayName()
	}
	for _, c := range kept {
		if c.GetKind() != pb.CredentialKind_CREDENTIAL_KIND_PASSKEY {
			continue
		}
		var k webauthn.Credential
		if err := json.Unmarshal(c.GetPasskey(), &k); err != nil {
			return nil, fmt.Errorf("signin: passkey: %w", err)
		}
		h.keys = append(h.keys, k)
	}
	return h, nil
}

// challenge puts a challenge into an answer and a ticket.
func (s *Service) challenge(ctx context.Context, purpose string, options any, session *webauthn.SessionData, t ticket) (*pb.PasskeyChallenge, error) {
	shown, err := json.Marshal(options)
	if err != nil {
		return nil, fmt.Errorf("signin: passkey: %w", err)
	}
	if t.Passkey, err = json.Marshal(session); err != nil {
		return nil, fmt.Errorf("signin: passkey: %w", err)
	}
	sealed, err := s.seal(ctx, purpose, t, passkeyTime)
	return &pb.PasskeyChallenge{OptionsJson: string(shown), Ticket: sealed}, err
}

// BeginPasskey implements SignInService. It answers alike for every name.
func (s *Service) BeginPasskey(ctx context.Context, req *pb.BeginPasskeyRequest) (*pb.PasskeyChallenge, error) {
	wa, err := s.relying()
	if err != nil {
		return nil, err
	}
	options, session, err := wa.BeginDiscoverableLogin(webauthn.WithUserVerification(protocol.VerificationRequired))
	if err != nil {
		return nil, fmt.Errorf("signin: passkey: %w", err)
	}
	return s.challenge(ctx, forPasskey, options, session, ticket{Name: plainName(req.GetSignInName())})
}

// wrongPasskey is said of a passkey that lets nobody in, whatever the reason.
func wrongPasskey() error {
	return fault.Unauthenticated("this passkey lets nobody in here; try another, or another way to sign in")
}

// FinishPasskey implements SignInService.
func (s *Service) FinishPasskey(ctx context.Context, req *pb.FinishPasskeyRequest) (*pb.SignedIn, error) {
	if err := s.try(ctx, ""); err != nil {
		return nil, err
	}
	t, err := s.open(ctx, forPasskey, req.GetTicket())
	if err != nil {
		return nil, err
	}
	wa, err := s.relying()
	if err != nil {
		return nil, err
	}
	var session webauthn.SessionData
	if err := json.Unmarshal(t.Passkey, &session); err != nil {
		return nil, wrongPasskey()
	}
	answer, err := protocol.ParseCredentialRequestResponseBytes([]byte(req.GetAnswerJson()))
	if err != nil {
		return nil, wrongPasskey()
	}
	var p *pb.Principal
	var name string
	var kept pb.Credential
	var revision int64
	find := func(id, _ []byte) (webauthn.User, error) {
		var err error
		if name, err = s.Ledger.Claimed(ctx, record.SpacePasskey, hashed(string(id))); err != nil {
			return nil, err
		}
		var ok bool
		if revision, ok, err = read(ctx, s.Ledger, name, record.KindCredential, &kept); err != nil || !ok {
			return nil, errors.Join(err, ledger.ErrNotFound)
		}
		if p, ok = s.Registry.Principal(ownerOf(name)); !ok {
			return nil, ledger.ErrNotFound
		}
		return s.holder(ctx, p, &kept)
	}
	_, key, err := wa.ValidatePasskeyLogin(find, session, answer)
	switch {
	case err != nil, !mayCome(p), t.Name != "" && t.Name != plainName(p.GetSignInName()):
		return nil, wrongPasskey()
	case key.Authenticator.CloneWarning:
		// Two devices count with one key: one of them is not its owner's.
		return nil, fault.Unauthenticated("this passkey may have been copied, so it lets nobody in; sign in another way, remove it and make a new one")
	}
	err = s.write(ctx, p.GetName(), name, func(ctx context.Context, tx ledger.Tx) error {
		if err := spend(ctx, tx, req.GetTicket(), name); err != nil {
			return err
		}
		now, ok, err := read(ctx, tx, name, record.KindCredential, &pb.Credential{})
		if err != nil {
			return err
		}
		if !ok || now != revision {
			return wrongPasskey() // removed or used meanwhile
		}
		if key.Authenticator.SignCount == 0 {
			return nil // it does not count
		}
		return s.putPasskey(ctx, tx, &kept, *key, name, record.VerbUse, revision)
	})
	if err != nil {
		return nil, err
	}
	s.right(ctx, "")
	return s.begin(ctx, p.GetName(), "passkey")
}

// putPasskey writes a passkey.
func (s *Service) putPasskey(ctx context.Context, tx ledger.Tx, c *pb.Credential, key webauthn.Credential, name, verb string, ifRevision int64) error {
	key.Attestation = webauthn.CredentialAttestation{} // proves a make of device; nobody asks
	raw, err := json.Marshal(key)
	if err != nil {
		return fmt.Errorf("signin: passkey: %w", err)
	}
	c.Passkey = raw
	p, err := record.Put(c, name, record.KindCredential, verb, ifRevision)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, p)
	return err
}

// BeginAddPasskey implements SignInService.
func (s *Service) BeginAddPasskey(ctx context.Context, _ *pb.BeginAddPasskeyRequest) (*pb.PasskeyChallenge, error) {
	principal, err := s.lately(ctx)
	if err != nil {
		return nil, err
	}
	wa, err := s.relying()
	if err != nil {
		return nil, err
	}
	p, ok := s.Registry.Principal(principal)
	if !ok {
		return nil, fault.NotFound(principal)
	}
	ways, err := s.ways(ctx, s.Ledger, principal)
	if err != nil {
		return nil, err
	}
	h, err := s.holder(ctx, p, ways...)
	if err != nil {
		return nil, err
	}
	options, session, err := wa.BeginRegistration(h, webauthn.WithExclusions(webauthn.Credentials(h.keys).CredentialDescriptors()))
	if err != nil {
		return nil, fmt.Errorf("signin: passkey: %w", err)
	}
	return s.challenge(ctx, forAddPasskey, options, session, ticket{Principal: principal})
}

// FinishAddPasskey implements SignInService.
func (s *Service) FinishAddPasskey(ctx context.Context, req *pb.FinishAddPasskeyRequest) (*pb.Credential, error) {
	principal, err := s.lately(ctx)
	if err != nil {
		return nil, err
	}
	t, err := s.open(ctx, forAddPasskey, req.GetTicket())
	if err != nil {
		return nil, err
	}
	wa, err := s.relying()
	if err != nil {
		return nil, err
	}
	p, ok := s.Registry.Principal(principal)
	if !ok || t.Principal != principal {
		return nil, fault.Unauthenticated("this was begun by somebody else; begin again")
	}
	h, err := s.holder(ctx, p)
	if err != nil {
		return nil, err
	}
	unfit := fault.Invalid(fault.Violation{Field: "answer_json", Description: "is no passkey that can be used here; begin again, with another device if this one does not ask for a fingerprint, a face or a PIN"})
	var session webauthn.SessionData
	if err := json.Unmarshal(t.Passkey, &session); err != nil {
		return nil, unfit
	}
	answer, err := protocol.ParseCredentialCreationResponseBytes([]byte(req.GetAnswerJson()))
	if err != nil {
		return nil, unfit
	}
	key, err := wa.CreateCredential(h, session, answer)
	if err != nil {
		return nil, unfit
	}
	title := req.GetTitle()
	if title == "" {
		title = "passkey"
	}
	c := &pb.Credential{Name: principal + "/credentials/" + s.NewID(), Kind: pb.CredentialKind_CREDENTIAL_KIND_PASSKEY, Title: title,
		CreateTime: timestamppb.New(s.Clock().Truncate(time.Second))}
	err = s.write(ctx, access.From(ctx).Name, c.GetName(), func(ctx context.Context, tx ledger.Tx) error {
		if err := spend(ctx, tx, req.GetTicket(), c.GetName()); err != nil {
			return err
		}
		if err := s.room(ctx, tx, principal); err != nil {
			return err
		}
		if err := tx.Claim(ctx, record.SpacePasskey, hashed(string(key.ID)), c.GetName()); errors.Is(err, ledger.ErrClaimed) {
			return unfit
		} else if err != nil {
			return err
		}
		return s.putPasskey(ctx, tx, c, *key, c.GetName(), record.VerbAddPasskey, ledger.Absent)
	})
	if err != nil {
		return nil, err
	}
	return hidden(c), nil
}
