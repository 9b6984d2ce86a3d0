package moment

import (
	"context"
	"fmt"
	"sort"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
)

// Point is a moment of the record.
type Point struct {
	// Seq is the last change that had been made; 0 when there was none.
	Seq int64
	// Stamp is the time of that change; zero when there was none.
	Stamp time.Time
	// Count is up to when is counted what goes on by itself: days away of
	// somebody who is not back, months that are not over.
	Count time.Time
}

// AsAt returns the point as the contract says it: asked for with it, the same
// point comes out.
func (p Point) AsAt() *pb.AsAt {
	return &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: p.Seq}, CountTime: timestamppb.New(p.Count)}
}

// Past reports whether a question is asked as at a moment; otherwise it is
// about the newest change.
func Past(as *pb.AsAt) bool { return as.GetMoment() != nil }

// Listed reports whether a list is asked for as at a moment. Nothing in a list is
// counted up to a time, so that a count time alone has no meaning there.
func Listed(as *pb.AsAt, field string) (bool, error) {
	if Past(as) || as.GetCountTime() == nil {
		return Past(as), nil
	}
	return false, fault.Invalid(fault.Violation{Field: field + ".count_time",
		Description: "counts nothing in a list; give sequence_number or time to ask for a past moment"})
}

// Now returns the time that an answer about the newest change counts up to: now,
// in whole seconds, so that it can be written down and asked for again; or the
// count time asked for.
func Now(as *pb.AsAt, now time.Time, field string) (time.Time, error) {
	if as.GetCountTime() == nil {
		return now.UTC().Truncate(time.Second), nil
	}
	var wrong fault.Violations
	t := readTime(as.GetCountTime(), now, field+".count_time", &wrong)
	return t, wrong.Err()
}

// earliest is the first time that means anything here; the contract admits no
// event before it.
var earliest = time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC)

// readTime reads a time that must have come.
func readTime(t *timestamppb.Timestamp, now time.Time, field string, wrong *fault.Violations) time.Time {
	at := t.AsTime()
	switch {
	case t.CheckValid() != nil:
		wrong.Add(field, "is not a time that exists; write it like 2026-03-31T09:00:00Z")
	case at.Before(earliest):
		wrong.Add(field, "must not be before 1950")
	case at.After(now):
		wrong.Add(field, "has not come yet; give a time up to now, "+now.UTC().Format(time.RFC3339)+", or leave it out")
	}
	return at
}

// slack is how far a time to count up to may lie before the change: as much as
// a clock that was put right may have been wrong by.
const slack = 24 * time.Hour

// Resolve finds the point that a question means. field is the path of the AsAt
// as the client sent it, for what is wrong with it.
func Resolve(ctx context.Context, l Ledger, now time.Time, as *pb.AsAt, field string) (Point, error) {
	head, err := l.Head(ctx)
	if err != nil {
		return Point{}, fmt.Errorf("moment: %w", err)
	}
	p := Point{Seq: head.Seq, Stamp: head.Time}
	var wrong fault.Violations
	var asked time.Time
	switch m := as.GetMoment().(type) {
	case *pb.AsAt_SequenceNumber:
		p.Seq = m.SequenceNumber
		switch {
		case p.Seq < 0:
			wrong.Add(field+".sequence_number", "must be 0 or more")
		case p.Seq > head.Seq:
			wrong.Add(field+".sequence_number", fmt.Sprintf("has not been reached: the newest change is %d, so give that at most", head.Seq))
		}
	case *pb.AsAt_Time:
		asked = readTime(m.Time, now, field+".time", &wrong)
	}
	if as.GetCountTime() != nil {
		p.Count = readTime(as.GetCountTime(), now, field+".count_time", &wrong)
	}
	if err := wrong.Err(); err != nil {
		return Point{}, err
	}
	if !asked.IsZero() {
		if p.Seq, err = lastBy(ctx, l, head, asked); err != nil {
			return Point{}, err
		}
	}
	if err := p.stamp(ctx, l, head); err != nil {
		return Point{}, err
	}
	switch {
	case as.GetCountTime() != nil && p.Count.Before(p.Stamp.Add(-slack)):
		return Point{}, fault.Invalid(fault.Violation{Field: field + ".count_time",
			Description: "is before the change asked for, which is of " + p.Stamp.Format(time.RFC3339) + "; give that time or a later one, or leave it out"})
	case as.GetCountTime() != nil:
	case !asked.IsZero():
		p.Count = asked
	case p.Seq > 0:
		p.Count = p.Stamp
	default:
		if p.Count, err = beginning(ctx, l, now); err != nil {
			return Point{}, err
		}
	}
	return p, nil
}

// stamp reads the time of the change.
func (p *Point) stamp(ctx context.Context, l Ledger, head ledger.Head) error {
	switch p.Seq {
	case 0:
		p.Stamp = time.Time{}
		return nil
	case head.Seq:
		p.Stamp = head.Time
		return nil
	}
	c, err := change(ctx, l, p.Seq)
	p.Stamp = c.Time
	return err
}

// beginning is the time of the first change: what an answer from before it is
// counted up to.
func beginning(ctx context.Context, l Ledger, now time.Time) (time.Time, error) {
	first, err := l.Changes(ctx, 0, 1)
	if err != nil {
		return time.Time{}, fmt.Errorf("moment: %w", err)
	}
	if len(first) == 0 {
		return now.UTC().Truncate(time.Second), nil
	}
	return first[0].Time, nil
}

// lastBy returns the number of the last change stamped at or before a time; 0
// when there is none. Stamps never go back, so that halving finds it.
func lastBy(ctx context.Context, l Ledger, head ledger.Head, at time.Time) (int64, error) {
	if !head.Time.After(at) {
		return head.Seq, nil
	}
	var failed error
	n := sort.Search(int(head.Seq), func(i int) bool {
		if failed != nil {
			return true
		}
		c, err := change(ctx, l, int64(i)+1)
		failed = err
		return c.Time.After(at)
	})
	return int64(n), failed
}

// change returns one change.
func change(ctx context.Context, l Ledger, seq int64) (ledger.Change, error) {
	list, err := l.Changes(ctx, seq-1, 1)
	if err != nil {
		return ledger.Change{}, fmt.Errorf("moment: %w", err)
	}
	if len(list) != 1 || list[0].Seq != seq {
		return ledger.Change{}, fmt.Errorf("moment: change %d is not in the log: run the check", seq)
	}
	return list[0], nil
}
