package principals

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// told are the fields that a list may say of somebody who is there already.
var told = []string{"display_name", "sign_in_name", "grants", "offered_on_tablets"}

// reader is what a plan reads: the ledger, or the write it belongs to.
type reader interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
	Claimed(ctx context.Context, space, key string) (string, error)
}

// row is what becomes of one row of a list.
type row struct {
	line          int32
	step          pb.PrincipalStep
	before, after *pb.Principal
	revision      int64
}

// ImportPrincipals implements PrincipalService.
func (s *Service) ImportPrincipals(ctx context.Context, req *pb.ImportPrincipalsRequest) (*pb.ImportPrincipalsResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	for _, path := range req.GetUpdateMask().GetPaths() {
		if !slices.Contains(told, path) {
			return nil, fault.Invalid(fault.Violation{Field: "update_mask", Description: "may name " + strings.Join(told, ", ")})
		}
	}
	if req.GetValidateOnly() {
		rows, err := s.plan(ctx, s.Ledger, req)
		if err != nil {
			return nil, err
		}
		return answer(rows, true), nil
	}
	r, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	receipt, err := s.Ledger.Write(ctx, r, func(ctx context.Context, tx ledger.Tx) error {
		rows, err := s.plan(ctx, tx, req)
		if err != nil {
			return err
		}
		if err := s.carryOut(ctx, tx, rows); err != nil {
			return err
		}
		said, err := proto.Marshal(answer(rows, false))
		tx.SetAnswer(said)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	if err := s.Registry.Wait(ctx, receipt.Seq); err != nil {
		return nil, fault.Behind(time.Second)
	}
	out := &pb.ImportPrincipalsResponse{}
	return out, proto.Unmarshal(receipt.Answer, out)
}

// changes reports whether the row writes anything.
func (r row) changes() bool {
	switch r.step {
	case pb.PrincipalStep_PRINCIPAL_STEP_JOINS, pb.PrincipalStep_PRINCIPAL_STEP_MOVES, pb.PrincipalStep_PRINCIPAL_STEP_LEAVES:
		return true
	}
	return false
}

// carryOut writes a plan. Names to sign in with are freed before they are taken.
func (s *Service) carryOut(ctx context.Context, tx ledger.Tx, rows []row) error {
	for _, r := range rows {
		if was := signsIn(r.before); was != "" && r.changes() && signsIn(r.after) != was {
			if err := tx.Release(ctx, spaceSignIn, was); err != nil {
				return err
			}
		}
	}
	for _, r := range rows {
		if !r.changes() {
			continue
		}
		if r.step == pb.PrincipalStep_PRINCIPAL_STEP_LEAVES {
			if err := s.leaves(ctx, tx, r.after, r.revision); err != nil {
				return err
			}
			continue
		}
		if now := signsIn(r.after); now != "" {
			if err := tx.Claim(ctx, spaceSignIn, now, r.after.GetName()); err != nil {
				return err
			}
		}
		if r.step == pb.PrincipalStep_PRINCIPAL_STEP_JOINS {
			if err := put(ctx, tx, r.after, r.after.GetName(), record.KindPrincipal, record.VerbCreate, ledger.Absent); err != nil {
				return err
			}
			continue
		}
		if err := s.changesTo(ctx, tx, r.before, r.after, r.revision); err != nil {
			return err
		}
	}
	return nil
}

// answer counts what becomes of the rows, and lists them when asked to.
func answer(rows []row, list bool) *pb.ImportPrincipalsResponse {
	out := &pb.ImportPrincipalsResponse{}
	for _, r := range rows {
		switch r.step {
		case pb.PrincipalStep_PRINCIPAL_STEP_JOINS:
			out.Joined++
		case pb.PrincipalStep_PRINCIPAL_STEP_MOVES:
			out.Moved++
		case pb.PrincipalStep_PRINCIPAL_STEP_LEAVES:
			out.Left++
		case pb.PrincipalStep_PRINCIPAL_STEP_DIFFERS:
			out.Differing++
		default:
			out.Same++
			continue
		}
		if list {
			one := &pb.ImportedPrincipal{Line: r.line, Step: r.step, After: show(r.after)}
			if r.before != nil {
				one.Before = show(r.before)
			}
			out.Rows = append(out.Rows, one)
		}
	}
	return out
}
