package intake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/answers"
	"fairlead/services/harm"
)

// settle works out what follows from what a report says and puts it into the
// one form in which it is stored: the same telling gives the same bytes. It is
// called on every write, after the checks.
//
// A month that is all that is known is kept as the beginning of its first day,
// so that everyone who counts days begins at the same one.
func settle(r *pb.Report, zone *time.Location) {
	if r.GetOccurTime() != nil && r.GetOccurPrecision() == pb.TimePrecision_TIME_PRECISION_MONTH {
		y, m, _ := r.GetOccurTime().AsTime().In(zone).Date()
		r.OccurTime = timestamppb.New(time.Date(y, m, 1, 0, 0, 0, 0, zone))
	}
	answers.Normalise(r.GetRelease())
	if !answers.Has(r, "release") {
		r.Release = nil
	}
	event := harm.NoDay
	if r.GetOccurTime() != nil {
		event = harm.DayOf(r.GetOccurTime().AsTime(), zone)
	}
	for _, h := range r.GetHarms() {
		byFirstDate(h.Absences)
		byFirstDate(h.Restrictions)
		h.Outcome = harm.Outcome(h, event)
		answers.Normalise(h)
	}
	answers.Normalise(r)
}

func byFirstDate(list []*pb.Absence) {
	slices.SortStableFunc(list, func(a, b *pb.Absence) int { return strings.Compare(a.GetFirstDate(), b.GetFirstDate()) })
}

// nameHarms gives every harm without an id the next free one.
func nameHarms(harms []*pb.Harm) {
	taken := map[string]bool{}
	for _, h := range harms {
		taken[h.GetHarmId()] = true
	}
	n := 1
	for _, h := range harms {
		if h.GetHarmId() != "" {
			continue
		}
		for taken[fmt.Sprintf("h%d", n)] {
			n++
		}
		h.HarmId = fmt.Sprintf("h%d", n)
		taken[h.HarmId] = true
	}
}
