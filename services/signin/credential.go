package signin

import (
	"context"
	"encoding/json"
	"slices"
	"strings"

	"github.com/go-webauthn/webauthn/webauthn"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// ownerOf returns the principal of a credential.
func ownerOf(credential string) string {
	owner, _, _ := strings.Cut(credential, "/credentials/")
	return owner
}

// hidden is a credential as it is answered.
func hidden(c *pb.Credential) *pb.Credential {
	c = proto.Clone(c).(*pb.Credential)
	c.PasswordHash, c.Passkey, c.OpenidSubject = "", nil, ""
	return c
}

// lister is a ledger or a write within it.
type lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// ways returns the credentials of a principal, oldest first.
func (s *Service) ways(ctx context.Context, from lister, principal string) ([]*pb.Credential, error) {
	var out []*pb.Credential
	for after := ""; ; {
		const page = 100
		list, err := from.List(ctx, record.KindCredential, principal+"/credentials/", after, page)
		if err != nil {
			return nil, err
		}
		for _, r := range list {
			after = r.Name
			if r.Body == nil {
				continue // ended
			}
			c := &pb.Credential{}
			if err := record.Read(r.Body, r.Revision, c); err != nil {
				return nil, err
			}
			out = append(out, c)
		}
		if len(list) < page {
			break
		}
	}
	slices.SortStableFunc(out, func(a, b *pb.Credential) int { return a.GetCreateTime().AsTime().Compare(b.GetCreateTime().AsTime()) })
	return out, nil
}

// room refuses one credential more than a principal may have.
func (s *Service) room(ctx context.Context, tx ledger.Tx, principal string) error {
	have, err := s.ways(ctx, tx, principal)
	if err == nil && len(have) >= mostWays {
		err = fault.State(principal, "has as many ways to sign in as there may be; remove one first")
	}
	return err
}

// ListCredentials implements SignInService.
func (s *Service) ListCredentials(ctx context.Context, req *pb.ListCredentialsRequest) (*pb.ListCredentialsResponse, error) {
	if access.From(ctx).Name != req.GetPrincipal() && !isWhole(ctx) {
		return nil, fault.Denied("that is somebody else's; only an administrator may")
	}
	ways, err := s.ways(ctx, s.Ledger, req.GetPrincipal())
	if err != nil {
		return nil, err
	}
	out := &pb.ListCredentialsResponse{}
	for _, c := range ways {
		out.Credentials = append(out.Credentials, hidden(c))
	}
	return out, nil
}

// EndCredential implements SignInService.
func (s *Service) EndCredential(ctx context.Context, req *pb.EndCredentialRequest) (*pb.EndCredentialResponse, error) {
	who, owner := access.From(ctx), ownerOf(req.GetName())
	switch {
	case who.Name == owner && who.Session != "":
		if _, err := s.lately(ctx); err != nil {
			return nil, err
		}
	case !isWhole(ctx):
		// Somebody else's is not there, whether it is or not.
		return nil, fault.NotFound(req.GetName())
	}
	err := s.write(ctx, who.Name, req.GetName(), func(ctx context.Context, tx ledger.Tx) error {
		c := &pb.Credential{}
		_, ok, err := read(ctx, tx, req.GetName(), record.KindCredential, c)
		if err != nil {
			return err
		}
		if !ok {
			return fault.NotFound(req.GetName())
		}
		if err := s.keepsOne(ctx, tx, c); err != nil {
			return err
		}
		return end(ctx, tx, c)
	})
	if err != nil {
		return nil, err
	}
	// Whoever came in by it may be a stranger: that is why it is taken away.
	keep := ""
	if who.Name == owner {
		keep = who.Session
	}
	return &pb.EndCredentialResponse{}, s.Sessions.EndAll(ctx, owner, keep)
}

// end destroys a credential and frees what it holds.
func end(ctx context.Context, tx ledger.Tx, c *pb.Credential) error {
	switch c.GetKind() {
	case pb.CredentialKind_CREDENTIAL_KIND_PASSKEY:
		var key webauthn.Credential
		if err := json.Unmarshal(c.GetPasskey(), &key); err == nil {
			if err := tx.Release(ctx, record.SpacePasskey, hashed(string(key.ID))); err != nil {
				return err
			}
		}
	case pb.CredentialKind_CREDENTIAL_KIND_OPENID:
		if err := tx.Release(ctx, record.SpaceOpenID, hashed(c.GetOpenidIssuer(), c.GetOpenidSubject())); err != nil {
			return err
		}
	}
	return replace(ctx, tx, &pb.Credential{}, c.GetName(), record.KindCredential, record.VerbErase)
}

// Forget destroys everything that a principal signs in with, within the write
// that says that the principal has left.
func (s *Service) Forget(ctx context.Context, tx ledger.Tx, principal string) error {
	ways, err := s.ways(ctx, tx, principal)
	if err != nil {
		return err
	}
	for _, c := range ways {
		if err := end(ctx, tx, c); err != nil {
			return err
		}
	}
	if _, ok, err := read(ctx, tx, codeOf(principal), record.KindSignInCode, &pb.SignInCode{}); err != nil || !ok {
		return err
	}
	return replace(ctx, tx, &pb.SignInCode{}, codeOf(principal), record.KindSignInCode, record.VerbErase)
}

// keepsOne refuses to take the last way in from the last administrator who has
// one: nobody could then let anybody in.
func (s *Service) keepsOne(ctx context.Context, tx ledger.Tx, gone *pb.Credential) error {
	owner, ok := s.Registry.Principal(ownerOf(gone.GetName()))
	if !ok || !administers(owner) {
		return nil
	}
	const page = 1000
	for after := ""; ; {
		list, more := s.Registry.Principals(after, page, false)
		for _, p := range list {
			after = p.GetName()
			if !administers(p) {
				continue
			}
			ways, err := s.ways(ctx, tx, p.GetName())
			if err != nil {
				return err
			}
			for _, c := range ways {
				if c.GetName() != gone.GetName() {
					return nil
				}
			}
		}
		if !more {
			return fault.State(gone.GetName(), "is the last way in of the last administrator; add another first")
		}
	}
}

// administers reports whether a principal may come in as an administrator of
// the whole house.
func administers(p *pb.Principal) bool {
	return mayCome(p) && slices.ContainsFunc(p.GetGrants(), func(g *pb.Grant) bool {
		return g.GetRole() == pb.Role_ROLE_ADMINISTRATOR && len(g.GetWorkplaces()) == 0
	})
}
