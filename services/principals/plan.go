package principals

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// plan says what becomes of each row, or everything that is wrong with the list.
func (s *Service) plan(ctx context.Context, from reader, req *pb.ImportPrincipalsRequest) ([]row, error) {
	var vs fault.Violations
	rows := make([]row, len(req.GetRows()))
	first := map[string]int{}
	for i, asked := range req.GetRows() {
		at := fmt.Sprintf("rows[%d].", i)
		if j, again := first[asked.GetPrincipal().GetName()]; again {
			vs.Add(at+"principal.name", fmt.Sprintf("is on the list twice, first in row %d; leave one", j))
			continue
		}
		first[asked.GetPrincipal().GetName()] = i
		r, wrong, err := s.planRow(ctx, from, req, asked)
		if err != nil {
			return nil, err
		}
		for _, v := range wrong {
			vs.Add(at+v.Field, v.Description)
		}
		rows[i] = r
	}
	if err := signInNames(ctx, from, rows, &vs); err != nil {
		return nil, err
	}
	if err := vs.Err(); err != nil {
		return nil, err
	}
	return rows, s.keepsSome(rows)
}

// planRow says what becomes of one row, but for what it shares with others.
func (s *Service) planRow(ctx context.Context, from reader, req *pb.ImportPrincipalsRequest, asked *pb.PrincipalRow) (row, fault.Violations, error) {
	r := row{line: asked.GetLine(), step: pb.PrincipalStep_PRINCIPAL_STEP_SAME}
	if asked.GetPrincipal() == nil {
		return r, fault.Violations{{Field: "principal", Description: "is needed"}}, nil
	}
	p := stored(asked.GetPrincipal())
	if st := p.GetState(); st != pb.PrincipalState_PRINCIPAL_STATE_UNSPECIFIED && st != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE {
		return r, fault.Violations{{Field: "principal.state", Description: "is not changed by a list; leave it out"}}, nil
	}
	if !nameForm.MatchString(p.GetName()) {
		return r, s.check(p), nil
	}
	res, err := from.Get(ctx, p.GetName())
	switch {
	case errors.Is(err, ledger.ErrNotFound) || err == nil && res.Kind != record.KindPrincipal:
		if asked.GetLeft() {
			return r, fault.Violations{{Field: "left", Description: "is said of somebody who is not here; check name and sign-in name, or take the row out"}}, nil
		}
		p.State, p.EndTime, p.CreateTime = pb.PrincipalState_PRINCIPAL_STATE_ACTIVE, nil, timestamppb.New(s.second())
		r.step, r.after = pb.PrincipalStep_PRINCIPAL_STEP_JOINS, p
		return r, s.check(p), nil
	case err != nil:
		return r, nil, err
	}
	r.before, r.revision = &pb.Principal{}, res.Revision
	if err := record.Read(res.Body, res.Revision, r.before); err != nil {
		return r, nil, err
	}
	gone := r.before.GetState() == pb.PrincipalState_PRINCIPAL_STATE_LEFT
	switch {
	case gone && !asked.GetLeft():
		return r, fault.Violations{{Field: "principal.name", Description: "is of somebody who has left; give whoever comes back an id of their own"}}, nil
	case gone:
		return r, nil, nil
	case asked.GetLeft():
		r.step, r.after = pb.PrincipalStep_PRINCIPAL_STEP_LEAVES, s.gone(r.before)
		return r, nil, nil
	}
	mask := req.GetUpdateMask()
	if len(mask.GetPaths()) == 0 {
		mask = &fieldmaskpb.FieldMask{Paths: told}
	}
	after := proto.Clone(r.before).(*pb.Principal)
	if vs := record.Apply(after, p, mask, changeable, "principal"); len(vs) > 0 {
		return r, vs, nil
	}
	after = stored(after)
	if before := stored(r.before); proto.Equal(before, after) {
		return r, nil, nil
	}
	if r.step, r.after = pb.PrincipalStep_PRINCIPAL_STEP_DIFFERS, after; req.GetChange() {
		r.step = pb.PrincipalStep_PRINCIPAL_STEP_MOVES
	}
	return r, s.check(after), nil
}

// signInNames makes sure that each sign-in name is one principal's once the list
// is carried out: a name that one row gives up another may take.
func signInNames(ctx context.Context, from reader, rows []row, vs *fault.Violations) error {
	given, taken := map[string]bool{}, map[string]int{}
	for _, r := range rows {
		if was := signsIn(r.before); was != "" && r.changes() && signsIn(r.after) != was {
			given[was] = true
		}
	}
	for i, r := range rows {
		now := signsIn(r.after)
		if !signInForm.MatchString(now) || !r.changes() || now == signsIn(r.before) && !given[now] {
			continue
		}
		at := fmt.Sprintf("rows[%d].principal.sign_in_name", i)
		if j, again := taken[now]; again {
			vs.Add(at, fmt.Sprintf("is on the list twice, first in row %d; choose another", j))
			continue
		}
		taken[now] = i
		holder, err := from.Claimed(ctx, spaceSignIn, now)
		switch {
		case errors.Is(err, ledger.ErrNotFound) || given[now]:
		case err != nil:
			return err
		case holder != r.after.GetName():
			vs.Add(at, "is somebody else's already; choose another, or write their id if it is them")
		}
	}
	return nil
}

// signsIn is the sign-in name that a principal holds: whoever has left holds
// none.
func signsIn(p *pb.Principal) string {
	if p.GetState() == pb.PrincipalState_PRINCIPAL_STATE_LEFT {
		return ""
	}
	return strings.ToLower(p.GetSignInName())
}

// keepsSome refuses a list that leaves no administrator of the whole house.
func (s *Service) keepsSome(rows []row) error {
	left, fewer := s.Registry.Administrators(), false
	for _, r := range rows {
		if !r.changes() {
			continue
		}
		if r.before != nil && administers(r.before) {
			left, fewer = left-1, true
		}
		if administers(r.after) {
			left++
		}
	}
	if fewer && left < 1 {
		return fault.State("rows", "would take away the last administrator of the whole house; make another one first")
	}
	return nil
}
