package hours

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// lister reads resources, inside a write or outside.
type lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// plan is what an import would do.
type plan struct {
	steps                        []*step
	created, restated, unchanged int32
	warnings                     []*pb.HoursNote
}

// step is one figure to be written, on top of a revision; 0 is a new one.
type step struct {
	hours    *pb.Hours
	revision int64
}

// kept is a figure that is stored.
type kept struct {
	hours    *pb.Hours
	revision int64
}

// plan compares the file with what is stored and returns what is to be done, or
// everything that is in the way.
func (im *imports) plan(ctx context.Context, from lister) (*plan, error) {
	stored, err := im.stored(ctx, from)
	if err != nil {
		return nil, err
	}
	bySlot := map[slot][]*pb.Hours{}
	for _, k := range stored {
		at := slot{k.hours.GetMonth(), k.hours.GetEmploymentGroup()}
		bySlot[at] = append(bySlot[at], k.hours)
	}
	for _, list := range bySlot {
		slices.SortFunc(list, func(a, b *pb.Hours) int { return strings.Compare(a.GetWorkplace(), b.GetWorkplace()) })
	}
	wrong := slices.Clone(im.wrong)
	p := &plan{warnings: im.warnings}
	for _, r := range im.rows {
		for _, o := range bySlot[r.slot] {
			if o.GetWorkplace() != r.hours.GetWorkplace() && im.related(o.GetWorkplace(), r.hours.GetWorkplace()) {
				wrong.add(r.i, r.line, "workplace", "stands above or below "+o.GetWorkplace()+
					", for which hours of this month and group are kept: the same hours would count twice; give them for "+o.GetWorkplace()+" or leave the line out")
				break
			}
		}
		old, there := stored[r.name()]
		if !there {
			p.steps = append(p.steps, &step{hours: r.hours})
			p.created++
			continue
		}
		changes := differences(old.hours, r.hours)
		switch {
		case len(changes) == 0:
			p.unchanged++
		case im.restate:
			h := proto.Clone(r.hours).(*pb.Hours)
			h.RestateReason = im.reason
			p.steps = append(p.steps, &step{hours: h, revision: old.revision})
			p.restated++
		default:
			for _, c := range changes {
				wrong.add(r.i, r.line, c.column, "is "+c.now+" here and "+c.before+" in the record; correct the file, or import it with restate and a reason")
			}
		}
	}
	return p, wrong.err()
}

// err turns problems into one error, in the order of the file.
func (p problems) err() error {
	slices.SortStableFunc(p, func(a, b problem) int { return a.row - b.row })
	var vs fault.Violations
	for i, v := range p {
		if i == mostViolations {
			vs.Add("rows", fmt.Sprintf("have %d more things wrong; mend these first and send the file again", len(p)-i))
			break
		}
		vs = append(vs, v.Violation)
	}
	return vs.Err()
}

// difference is a column in which two figures differ.
type difference struct{ column, before, now string }

// differences compares a stored figure with a new one. Which figure it is, and
// when and why it was stored, are no part of it.
func differences(old, now *pb.Hours) []difference {
	var out []difference
	if old.GetHoursWorked() != now.GetHoursWorked() {
		out = append(out, difference{"hours_worked", number(old.GetHoursWorked()), number(now.GetHoursWorked())})
	}
	if a, b := heads(old), heads(now); a != b {
		out = append(out, difference{"head_count", a, b})
	}
	if old.GetSource() != now.GetSource() {
		out = append(out, difference{"source", quoted(old.GetSource()), quoted(now.GetSource())})
	}
	if old.GetStatus() != now.GetStatus() {
		out = append(out, difference{"status", statusWord(old.GetStatus()), statusWord(now.GetStatus())})
	}
	return out
}

func heads(h *pb.Hours) string {
	if h.HeadCount == nil {
		return "not known"
	}
	return number(h.GetHeadCount())
}

func quoted(s string) string {
	if s == "" {
		return "empty"
	}
	return "“" + s + "”"
}

func statusWord(s pb.HoursStatus) string {
	if s == pb.HoursStatus_HOURS_STATUS_PROVISIONAL {
		return "provisional"
	}
	return "final"
}

// stored reads the figures that the file may touch: those of its workplaces and
// of all above and below them, for the months it spans.
func (im *imports) stored(ctx context.Context, from lister) (map[string]kept, error) {
	workplaces, asked := map[string]bool{}, map[string]bool{}
	first, last := "", ""
	for _, r := range im.rows {
		if m := r.slot.month; first == "" || m < first {
			first = m
		}
		last = max(last, r.slot.month)
		// A workplace that stands below another of the file still has its own
		// above and below to be read.
		if w := r.hours.GetWorkplace(); !asked[w] {
			asked[w] = true
			for _, o := range append(im.s.tree.Path(w), im.s.tree.Below(w)...) {
				workplaces[o] = true
			}
		}
	}
	out := map[string]kept{}
	for w := range workplaces {
		err := walk(ctx, from, w, first, last+"~", "", func(h *pb.Hours, revision int64) bool {
			out[w+"/hours/"+slot{h.GetMonth(), h.GetEmploymentGroup()}.key()] = kept{h, revision}
			return true
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// store carries the plan out. It may run twice and keeps no state.
func (im *imports) store(ctx context.Context, tx ledger.Tx) error {
	p, err := im.plan(ctx, tx)
	if err != nil {
		return err
	}
	for _, s := range p.steps {
		verb := record.VerbImport
		if s.revision > 0 {
			verb = record.VerbRestate
		}
		put, err := record.Put(s.hours, s.hours.GetName(), record.KindHours, verb, s.revision)
		if err != nil {
			return err
		}
		if _, err := tx.Put(ctx, put); err != nil {
			return err
		}
	}
	answer, err := proto.Marshal(p.response())
	if err != nil {
		return err
	}
	tx.SetAnswer(answer)
	return nil
}

func (p *plan) response() *pb.ImportHoursResponse {
	return &pb.ImportHoursResponse{Created: p.created, Restated: p.restated, Unchanged: p.unchanged, Warnings: p.warnings}
}
