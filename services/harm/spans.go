package harm

import (
	"math"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
)

// lastDay is after every day that anyone may mean.
const lastDay Day = math.MaxInt32

// span is the part of a period that counts: days from first up to and without
// end, after the event and not after the day of asking.
type span struct {
	first, end Day
	rostered   struct {
		known bool
		days  int
	}
	// total is how many days the whole period has after the event, of which
	// those after the day of asking are not in sight.
	total int
	// open says that the period reaches the day of asking.
	open bool
}

// spans returns the parts of the periods that count, in order of the calendar.
// Periods that lie wholly outside are left out.
func spans(periods []*pb.Absence, event, asAt Day) []span {
	var out []span
	for _, p := range periods {
		first, err := ParseDay(p.GetFirstDate())
		if err != nil {
			continue
		}
		end := lastDay
		if p.GetReturnDate() != "" {
			end, err = ParseDay(p.GetReturnDate())
			if err != nil {
				continue
			}
		}
		if event != NoDay {
			first = max(first, event+1)
		}
		s := span{open: end > asAt, total: int(end - first)}
		if asAt < lastDay {
			end = min(end, asAt+1)
		}
		if end <= first {
			continue
		}
		s.first, s.end = first, end
		if p.RosteredDays != nil {
			s.rostered.known, s.rostered.days = true, int(p.GetRosteredDays())
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b span) int { return int(a.first - b.first) })
	// Filing refuses periods that overlap; should two ever do, no day counts
	// twice.
	kept := out[:0]
	for i, s := range out {
		if i > 0 && len(kept) > 0 {
			s.first = max(s.first, kept[len(kept)-1].end)
		}
		if s.first < s.end {
			kept = append(kept, s)
		}
	}
	return kept
}

func isOpen(list []span) bool {
	return slices.ContainsFunc(list, func(s span) bool { return s.open })
}
