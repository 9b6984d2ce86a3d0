package hours

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// plan is what is to be done with one row.
type plan struct {
	row
	revision int64 // of the stored block; 0 none
}

// compare says what storing the rows would do, without storing.
func (s *Service) compare(ctx context.Context, from reader, req *pb.ImportHoursRequest, rows []row) (*pb.ImportHoursResponse, error) {
	_, out, err := s.settle(ctx, from, req, rows)
	return out, err
}

// settle compares the rows with what is stored: which are new, which change
// something, which count hours that are stored above or below.
func (s *Service) settle(ctx context.Context, from reader, req *pb.ImportHoursRequest, rows []row) ([]plan, *pb.ImportHoursResponse, error) {
	var vs fault.Violations
	var plans []plan
	out := &pb.ImportHoursResponse{}
	add := func(r row, column, cure string) {
		if len(vs) < maxViolations {
			vs.Add(fmt.Sprintf("rows[%d].hours.%s", r.at, column), r.words(column, cure))
		}
	}
	for _, r := range sorted(rows) {
		old, revision, err := stored(ctx, from, r.hours.GetName())
		if err != nil {
			return nil, nil, err
		}
		switch {
		case old == nil:
			clash, err := s.clash(ctx, from, r.hours)
			if err != nil {
				return nil, nil, err
			}
			if clash != "" {
				add(r, "workplace", fmt.Sprintf("hours for this month and group are stored at %s, which lies above or below: they would be counted twice; bring in the same level as before", clash))
				continue
			}
			out.Created++
		case same(old, r.hours):
			out.Unchanged++
			continue
		case !req.GetRestate():
			add(r, "hours_worked", fmt.Sprintf("%s is stored already with other figures (%.10g hours); say that you restate them, and why, or mend the row", r.hours.GetMonth(), old.GetHoursWorked()))
			continue
		default:
			out.Restated++
		}
		plans = append(plans, plan{r, revision})
	}
	return plans, out, vs.Err()
}

// clash returns a workplace above or below that has hours for the same month
// and group, "" when none has.
func (s *Service) clash(ctx context.Context, from reader, h *pb.Hours) (string, error) {
	others := s.above(h.GetWorkplace())
	for _, w := range s.tree.Below(h.GetWorkplace()) {
		if w != h.GetWorkplace() {
			others = append(others, w)
		}
	}
	for _, w := range others {
		old, _, err := stored(ctx, from, nameOf(w, h.GetMonth(), h.GetEmploymentGroup()))
		if err != nil {
			return "", err
		}
		if old != nil {
			return w, nil
		}
	}
	return "", nil
}

// store writes the rows, all or none.
func (s *Service) store(ctx context.Context, tx ledger.Tx, req *pb.ImportHoursRequest, rows []row) error {
	plans, out, err := s.settle(ctx, tx, req, rows)
	if err != nil {
		return err
	}
	now := timestamppb.New(s.clock())
	for _, p := range plans {
		h := proto.Clone(p.hours).(*pb.Hours)
		h.UpdateTime = now
		verb := record.VerbCreate
		if p.revision > 0 {
			verb = record.VerbRestate
			h.RestateReason = req.GetReason()
		}
		put, err := record.Put(h, h.GetName(), record.KindHours, verb, p.revision)
		if err != nil {
			return err
		}
		if _, err := tx.Put(ctx, put); err != nil {
			return err
		}
	}
	answer, err := proto.MarshalOptions{Deterministic: true}.Marshal(out)
	if err != nil {
		return err
	}
	tx.SetAnswer(answer)
	return nil
}
