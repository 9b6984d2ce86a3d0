package measure

import (
	"context"
	"fmt"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/moment"
)

// view is the room as one question sees it: the world of one moment, and a clock
// that stands still.
type view struct {
	*Service
	// reach is the tree of today, by which it is decided who may ask about
	// where; the tree of the moment only says what stood where.
	reach Tree
	// at is the moment asked for; nil for the newest change.
	at *moment.Point
}

// asker is what every question about figures has.
type asker interface {
	GetAsAt() *pb.AsAt
	GetMinSequenceNumber() int64
}

// view returns what a question is answered from, once it is in force.
func (s *Service) view(ctx context.Context, req asker) (*view, error) {
	as := req.GetAsAt()
	if !moment.Past(as) {
		now, err := moment.Now(as, s.clock(), "as_at")
		if err != nil {
			return nil, err
		}
		if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
			return nil, err
		}
		return &view{Service: s.standing(s.facts, s.tree, now), reach: s.tree}, nil
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	p, f, t, err := s.past.At(ctx, as, "as_at")
	if err != nil {
		return nil, err
	}
	return &view{Service: s.standing(f, t, p.Count), reach: s.tree, at: &p}, nil
}

// standing is the room in a world that does not move.
func (s *Service) standing(f Facts, t Tree, now time.Time) *Service {
	return &Service{facts: f, tree: t, past: s.past, clock: func() time.Time { return now }, wall: s.wall, smallest: s.smallest, goesBy: s.goesBy}
}

// said is the moment of an answer about the change seq, to ask for it again.
func (v *view) said(seq int64) *pb.AsAt { return moment.Point{Seq: seq, Count: v.clock()}.AsAt() }

// erased says, of the past, that reports were counted then that are not held any
// more: the one reason why a figure made again may be another one.
func (v *view) erased(cautions []string) []string {
	if v.at == nil {
		return cautions
	}
	n := v.facts.Erased()
	if n == 0 {
		return cautions
	}
	return append(cautions, fmt.Sprintf("%s held at that moment %s been erased for good since and cannot be counted: a figure made before the erasure may differ.",
		capital(number(float64(n), "report", "reports")), hasHave(n)))
}

func hasHave(n int64) string {
	if n == 1 {
		return "has"
	}
	return "have"
}

// narrow cuts the workplaces asked for down to what the caller may see today. A
// figure of the past is refused rather than cut when workplaces stood below them
// then that are out of the caller's sight now: less would pass for the whole.
func (v *view) narrow(ctx context.Context, asked []string) ([]string, error) {
	who := access.From(ctx)
	out, err := access.Narrow(who, v.reach, asked)
	if err != nil || v.at == nil || len(who.Workplaces) == 0 {
		return out, err
	}
	for _, w := range out {
		for _, below := range v.tree.Below(w) {
			if !access.Sees(who, v.reach, below) {
				return nil, fault.Denied("the tree of workplaces was another one at that moment, and part of what then stood below " + w +
					" is out of your reach today; ask about a workplace further down, or ask the safety adviser")
			}
		}
	}
	return out, nil
}
