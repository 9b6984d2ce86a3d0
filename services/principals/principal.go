package principals

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// spaceSignIn maps a sign-in name, in lower case, to its principal.
const spaceSignIn = "sign-in-name"

// changeable are the fields that UpdatePrincipal may change.
var changeable = []string{"display_name", "grants", "state", "person", "sign_in_name", "offered_on_tablets"}

var (
	nameForm   = regexp.MustCompile(`^principals/[a-z0-9][a-z0-9-]{0,62}$`)
	signInForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._@+-]{1,99}$`)
)

// check returns what is wrong with a principal beyond the rules of the contract.
func (s *Service) check(p *pb.Principal) fault.Violations {
	var vs fault.Violations
	for _, v := range s.Rules(p) {
		vs.Add("principal."+v.Field, v.Description)
	}
	switch {
	case !nameForm.MatchString(p.GetName()):
		vs.Add("principal.name", "must be principals/ and 1 to 63 lower-case letters, digits and hyphens, such as principals/r-fern")
	case p.GetName() == access.Anonymous, p.GetName() == access.Confidential:
		vs.Add("principal.name", "is kept for reports of nobody's name; choose another")
	}
	if n := len(strings.TrimSpace(p.GetDisplayName())); n == 0 || n > 120 {
		vs.Add("principal.display_name", "is needed, at most 120 characters: what do people call them?")
	}
	if n := p.GetSignInName(); n != "" && !signInForm.MatchString(n) {
		vs.Add("principal.sign_in_name", "must be 2 to 100 letters, digits or . _ @ + -, such as r.fern")
	}
	if len(p.GetGrants()) == 0 {
		vs.Add("principal.grants", "is needed: what is this principal to do? For whoever has left, end the principal")
	}
	for i, g := range p.GetGrants() {
		at := fmt.Sprintf("principal.grants[%d]", i)
		for j, w := range g.GetWorkplaces() {
			if !s.Tree.Has(w) {
				vs.Add(fmt.Sprintf("%s.workplaces[%d]", at, j), "is not a workplace here; check the name")
			}
		}
		switch g.GetRole() {
		case pb.Role_ROLE_DEVICE:
			vs.Add(at+".role", "is for shared tablets; add a tablet and enrol it")
		case pb.Role_ROLE_INVESTIGATOR:
			if len(g.GetReports())+len(g.GetWorkplaces()) == 0 {
				vs.Add(at+".reports", "is needed: which reports are to be investigated?")
			}
		case pb.Role_ROLE_REPRESENTATIVE:
			if len(g.GetWorkplaces()) == 0 {
				vs.Add(at+".workplaces", "is needed: which work group does the representative stand for?")
			}
		}
		if len(g.GetReports()) > 0 && g.GetRole() != pb.Role_ROLE_INVESTIGATOR {
			vs.Add(at+".reports", "is for investigators only; leave it out")
		}
	}
	return vs
}

// show returns a principal as it is answered: what its grants come to.
func show(p *pb.Principal) *pb.Principal {
	var grants []access.Grant
	for _, g := range p.GetGrants() {
		grants = append(grants, access.Grant{Role: g.GetRole(), Workplaces: g.GetWorkplaces(), Reports: g.GetReports()})
	}
	who := access.Granted(p.GetName(), p.GetDisplayName(), grants)
	p.Roles = who.Roles
	if p.Workplaces = who.Workplaces; len(grants) == 0 || !slices.ContainsFunc(p.Workplaces, nameable) {
		p.Workplaces = nil
	}
	return p
}

// nameable reports whether a workplace has a name that could be one's: the mark
// for none has not.
func nameable(w string) bool { return w != "workplaces/-" }

// CreatePrincipal implements PrincipalService.
func (s *Service) CreatePrincipal(ctx context.Context, req *pb.CreatePrincipalRequest) (*pb.Principal, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	if req.GetPrincipal() == nil {
		return nil, fault.Invalid(fault.Violation{Field: "principal", Description: "is needed"})
	}
	p := stored(req.GetPrincipal())
	if st := p.GetState(); st != pb.PrincipalState_PRINCIPAL_STATE_UNSPECIFIED && st != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE {
		return nil, fault.Invalid(fault.Violation{Field: "principal.state", Description: "of a new principal is active; leave it out"})
	}
	p.State, p.EndTime = pb.PrincipalState_PRINCIPAL_STATE_ACTIVE, nil
	if err := s.check(p).Err(); err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		return show(p), s.wouldCreate(p)
	}
	p.CreateTime = timestamppb.New(s.Clock().Truncate(time.Second))
	out := &pb.Principal{}
	err := s.write(ctx, req.GetRequestId(), req, p.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		if err := claimSignIn(ctx, tx, "", p.GetSignInName(), p.GetName()); err != nil {
			return err
		}
		return put(ctx, tx, p, p.GetName(), record.KindPrincipal, record.VerbCreate, ledger.Absent)
	})
	return show(out), err
}

// wouldCreate says whether a principal could be added as things stand.
func (s *Service) wouldCreate(p *pb.Principal) error {
	if _, there := s.Registry.Principal(p.GetName()); there {
		return fault.Exists(p.GetName())
	}
	if holder, taken := s.Registry.BySignInName(p.GetSignInName()); taken && p.GetSignInName() != "" && holder.GetName() != p.GetName() {
		return signInTaken()
	}
	return nil
}

func signInTaken() error {
	return fault.Invalid(fault.Violation{Field: "principal.sign_in_name", Description: "is somebody else's already; choose another"})
}

// stored is a principal without what is worked out.
func stored(p *pb.Principal) *pb.Principal {
	p = proto.Clone(p).(*pb.Principal)
	p.Roles, p.Workplaces, p.Methods, p.Etag = nil, nil, nil, ""
	p.DisplayName = strings.TrimSpace(p.GetDisplayName())
	return p
}

// claimSignIn moves the claim of a sign-in name. Whoever has left keeps none.
func claimSignIn(ctx context.Context, tx ledger.Tx, was, now, name string) error {
	was, now = strings.ToLower(was), strings.ToLower(now)
	if was == now {
		return nil
	}
	if now != "" {
		if holder, err := tx.Claimed(ctx, spaceSignIn, now); err == nil && holder != name {
			return signInTaken()
		}
		if err := tx.Claim(ctx, spaceSignIn, now, name); err != nil {
			return err
		}
	}
	if was != "" {
		return tx.Release(ctx, spaceSignIn, was)
	}
	return nil
}

// GetPrincipal implements PrincipalService.
func (s *Service) GetPrincipal(ctx context.Context, req *pb.GetPrincipalRequest) (*pb.Principal, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	p, ok := s.Registry.Principal(req.GetName())
	if !ok {
		return nil, fault.NotFound(req.GetName())
	}
	return show(p), nil
}

// ListPrincipals implements PrincipalService.
func (s *Service) ListPrincipals(ctx context.Context, req *pb.ListPrincipalsRequest) (*pb.ListPrincipalsResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	size := int(req.GetPageSize())
	if size == 0 {
		size = 50
	}
	same := &pb.ListPrincipalsRequest{IncludeLeft: req.GetIncludeLeft()}
	after, err := s.Tokens.Open(same, req.GetPageToken())
	if err != nil {
		return nil, fault.Invalid(fault.Violation{Field: "page_token", Description: "does not belong to this list; start again without it"})
	}
	list, more := s.Registry.Principals(after, size, req.GetIncludeLeft())
	out := &pb.ListPrincipalsResponse{}
	for _, p := range list {
		out.Principals = append(out.Principals, show(p))
	}
	if more {
		out.NextPageToken = s.Tokens.Make(same, list[len(list)-1].GetName())
	}
	return out, nil
}

// UpdatePrincipal implements PrincipalService.
func (s *Service) UpdatePrincipal(ctx context.Context, req *pb.UpdatePrincipalRequest) (*pb.Principal, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	asked := req.GetPrincipal()
	if asked == nil {
		return nil, fault.Invalid(fault.Violation{Field: "principal", Description: "is needed"})
	}
	if !nameForm.MatchString(asked.GetName()) {
		return nil, fault.Invalid(fault.Violation{Field: "principal.name", Description: "is needed: principals/ and the id"})
	}
	revision, ok := record.Revision(asked.GetEtag())
	if !ok {
		return nil, fault.Invalid(fault.Violation{Field: "principal.etag", Description: "is needed: send the one that was last read"})
	}
	out := &pb.Principal{}
	err := s.write(ctx, req.GetRequestId(), req, asked.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		before, err := s.read(ctx, tx, asked.GetName(), revision)
		if err != nil {
			return err
		}
		p := proto.Clone(before).(*pb.Principal)
		if vs := record.Apply(p, stored(asked), req.GetUpdateMask(), changeable, "principal"); len(vs) > 0 {
			return vs.Err()
		}
		p = stored(p)
		vs := s.check(p)
		switch {
		case before.GetState() == pb.PrincipalState_PRINCIPAL_STATE_LEFT:
			return fault.State(p.GetName(), "has left; add a new principal for whoever comes back")
		case p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE && p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_SUSPENDED:
			vs.Add("principal.state", "must be active or suspended; for whoever has left, end the principal")
		}
		if err := vs.Err(); err != nil {
			return err
		}
		if err := s.keepsOne(before, p); err != nil {
			return err
		}
		if err := claimSignIn(ctx, tx, before.GetSignInName(), p.GetSignInName(), p.GetName()); err != nil {
			return err
		}
		return s.changesTo(ctx, tx, before, p, revision)
	})
	return show(out), err
}

// changesTo writes a principal who changes. Whoever may do something else from
// now on is signed out.
func (s *Service) changesTo(ctx context.Context, tx ledger.Tx, before, p *pb.Principal, revision int64) error {
	if err := put(ctx, tx, p, p.GetName(), record.KindPrincipal, record.VerbUpdate, revision); err != nil {
		return err
	}
	if p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE || !sameGrants(before, p) {
		return s.endSessions(ctx, tx, p.GetName(), "")
	}
	return nil
}

func sameGrants(a, b *pb.Principal) bool {
	return slices.EqualFunc(a.GetGrants(), b.GetGrants(), func(x, y *pb.Grant) bool { return proto.Equal(x, y) })
}

// read returns a principal within a write, at a revision.
func (s *Service) read(ctx context.Context, tx ledger.Tx, name string, revision int64) (*pb.Principal, error) {
	r, err := tx.Get(ctx, name)
	if err != nil || r.Kind != record.KindPrincipal {
		return nil, fault.NotFound(name)
	}
	if r.Revision != revision {
		return nil, fault.Stale(name, record.Etag(r.Revision))
	}
	p := &pb.Principal{}
	if err := record.Read(r.Body, r.Revision, p); err != nil {
		return nil, err
	}
	return p, nil
}

// keepsOne refuses to take the last administrator away.
func (s *Service) keepsOne(before, after *pb.Principal) error {
	if administers(before) && !administers(after) && s.Registry.Administrators() <= 1 {
		return fault.State(before.GetName(), "is the last administrator of the whole house; make another one first")
	}
	return nil
}

func administers(p *pb.Principal) bool {
	return p.GetState() == pb.PrincipalState_PRINCIPAL_STATE_ACTIVE && slices.ContainsFunc(p.GetGrants(), func(g *pb.Grant) bool {
		return g.GetRole() == pb.Role_ROLE_ADMINISTRATOR && len(g.GetWorkplaces()) == 0
	})
}

// EndPrincipal implements PrincipalService.
func (s *Service) EndPrincipal(ctx context.Context, req *pb.EndPrincipalRequest) (*pb.Principal, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	revision, ok := record.Revision(req.GetEtag())
	if !ok {
		return nil, fault.Invalid(fault.Violation{Field: "etag", Description: "is not one of ours; send the one that was last read"})
	}
	out := &pb.Principal{}
	err := s.write(ctx, req.GetRequestId(), req, req.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		before, err := s.read(ctx, tx, req.GetName(), revision)
		if err != nil {
			return err
		}
		if before.GetState() == pb.PrincipalState_PRINCIPAL_STATE_LEFT {
			return fault.State(req.GetName(), "has left already")
		}
		p := s.gone(before)
		if err := s.keepsOne(before, p); err != nil {
			return err
		}
		if err := claimSignIn(ctx, tx, before.GetSignInName(), "", p.GetName()); err != nil {
			return err
		}
		return s.leaves(ctx, tx, p, revision)
	})
	return show(out), err
}

// second is the time, as it is kept.
func (s *Service) second() time.Time { return s.Clock().Truncate(time.Second) }

// gone is a principal as one who has left.
func (s *Service) gone(before *pb.Principal) *pb.Principal {
	p := proto.Clone(before).(*pb.Principal)
	p.State, p.Etag = pb.PrincipalState_PRINCIPAL_STATE_LEFT, ""
	p.EndTime, p.OfferedOnTablets = timestamppb.New(s.second()), false
	return p
}

// leaves writes a principal who has left, and ends all by which they came in.
func (s *Service) leaves(ctx context.Context, tx ledger.Tx, p *pb.Principal, revision int64) error {
	if err := put(ctx, tx, p, p.GetName(), record.KindPrincipal, record.VerbEnd, revision); err != nil {
		return err
	}
	if err := s.erasePin(ctx, tx, p.GetName()); err != nil {
		return err
	}
	if s.Forget != nil {
		if err := s.Forget(ctx, tx, p.GetName()); err != nil {
			return err
		}
	}
	for _, t := range s.Registry.Tokens(p.GetName()) {
		t.Ended = true
		if err := put(ctx, tx, t, t.GetName(), record.KindToken, record.VerbEnd, ledger.Any); err != nil {
			return err
		}
	}
	return s.endSessions(ctx, tx, p.GetName(), "")
}
