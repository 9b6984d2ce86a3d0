package hours

import (
	"context"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/moment"
	"fairlead/services/record"
)

// asked returns what a question is answered from: the ledger and the tree of now
// or of a moment, and that moment when one was asked for.
func (s *Service) asked(ctx context.Context, as *pb.AsAt) (lister, Tree, *pb.AsAt, error) {
	if past, err := moment.Listed(as, "as_at"); err != nil || !past {
		return s.ledger, s.tree, nil, err
	}
	p, log, then, err := s.past.At(ctx, as, "as_at")
	if err != nil {
		return nil, nil, nil, err
	}
	return log, then, p.AsAt(), nil
}

// seen returns the workplaces whose hours answer a question, in the order of the
// names of their hours: those that stood below the one asked for in the tree
// then, and that the caller reaches today.
func (s *Service) seen(ctx context.Context, then Tree, asked string) ([]string, error) {
	who := access.From(ctx)
	var only []string
	if asked != "" {
		only = []string{asked}
		if len(who.Workplaces) == 0 && !s.tree.Has(asked) {
			return nil, fault.Invalid(fault.Violation{Field: "workplace", Description: unknownWorkplace(s.tree, asked)})
		}
	}
	only, err := access.Narrow(who, s.tree, only)
	if err != nil {
		return nil, err
	}
	if len(only) == 0 {
		only = []string{then.Root()}
	}
	var out []string
	for _, w := range only {
		for _, below := range then.Below(w) {
			if access.Sees(who, s.tree, below) {
				out = append(out, below)
			}
		}
	}
	slices.SortFunc(out, func(a, b string) int { return strings.Compare(a+"/", b+"/") })
	return slices.Compact(out), nil
}

// list returns at most size figures after a name, and whether there are more.
func list(ctx context.Context, from lister, workplaces []string, start, end, after string, size int) ([]*pb.Hours, bool, error) {
	var out []*pb.Hours
	more := false
	for _, w := range workplaces {
		if strings.Compare(w+"/hours/~", after) < 0 {
			continue
		}
		err := walk(ctx, from, w, start, end, after, func(h *pb.Hours, _ int64) bool {
			if len(out) == size {
				more = true
				return false
			}
			out = append(out, h)
			return true
		})
		if err != nil || more {
			return out, more, err
		}
	}
	return out, false, nil
}

// walk visits the figures of one workplace after a name, from the month start on
// and before the month end, in order of their names, until visit says no. Empty
// months and names bound nothing.
func walk(ctx context.Context, from lister, workplace, start, end, after string, visit func(h *pb.Hours, revision int64) bool) error {
	const chunk = 500
	under := workplace + "/hours/"
	// Names of a month come after the month itself: 2026-03 before
	// 2026-03.employee.
	after = max(after, under+start)
	for {
		page, err := from.List(ctx, record.KindHours, under, after, chunk)
		if err != nil {
			return err
		}
		for _, r := range page {
			after = r.Name
			if end != "" && strings.TrimPrefix(r.Name, under) >= end {
				return nil
			}
			h := &pb.Hours{}
			if err := record.Read(r.Body, r.Revision, h); err != nil {
				return err
			}
			if !visit(h, r.Revision) {
				return nil
			}
		}
		if len(page) < chunk {
			return nil
		}
	}
}
