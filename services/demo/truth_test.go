package demo

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/analytics/spc"
	pb "fairlead/proto/gen/fairlead/v1"
)

// firstMonth is the calendar month of month 1.
func (w world) firstMonth() int { return w.start.Year()*12 + int(w.start.Month()) - 1 }

// signals are the first and last months, from 1, of what a chart of 36 months
// points out, as the measure room draws it: chosen by the data, the centre from
// the first 24 months.
type signal struct {
	first, last int
	above       bool
}

// series is how many events of a crew are counted in each month.
func (w world) series(crew string, is func(event) bool) []int {
	out := make([]int, Months)
	for _, e := range w.events {
		if at := e.at.Year()*12 + int(e.at.Month()) - 1 - w.firstMonth(); e.crew.id == crew && is(e) && at < Months {
			out[at]++
		}
	}
	return out
}

// worked is the hours of a crew in each month.
func (w world) worked(crew string) []float64 {
	out := make([]float64, Months)
	for _, h := range w.hours {
		if h.crew == crew {
			out[h.month.Year()*12+int(h.month.Month())-1-w.firstMonth()] += h.worked
		}
	}
	return out
}

// chart returns the signals of a chart of counts, or of rates when there are
// hours.
func chart(counts []int, hours []float64) ([]signal, error) {
	periods := make([]spc.Period, len(counts))
	for i, n := range counts {
		periods[i] = spc.Period{Label: fmt.Sprint(i + 1), Count: n}
		if hours != nil {
			periods[i].Exposure = hours[i]
		}
	}
	choice, err := spc.Choose(periods, 1_000_000)
	if err != nil {
		return nil, err
	}
	if choice.Kind != spc.C && choice.Kind != spc.U && choice.Kind != spc.LaneyU {
		return nil, nil
	}
	o := choice.Options
	o.Baseline = 24
	c, err := spc.New(periods, o)
	if err != nil {
		return nil, err
	}
	var out []signal
	for _, s := range c.Signals {
		out = append(out, signal{s.Points[0] + 1, s.Points[len(s.Points)-1] + 1, s.Side == spc.Above})
	}
	return out, nil
}

func isHurt(e event) bool     { return e.kind == hurt }
func isNearMiss(e event) bool { return e.kind == nearMiss }
func isHazard(e event) bool   { return e.kind == hazard }

// isLost says that working time was lost, by the outcome as it stands at last.
func isLost(e event) bool {
	if len(e.steps) == 0 {
		return false
	}
	switch e.steps[len(e.steps)-1].outcome {
	case pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY:
		return true
	}
	return false
}

// lies returns which of the truths in the package comment a world does not
// show.
func (w world) lies() []string {
	var out []string
	say := func(ok bool, format string, args ...any) {
		if !ok {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	of := func(crew string, is func(event) bool, rated bool) []signal {
		var hours []float64
		if rated {
			hours = w.worked(crew)
		}
		s, err := chart(w.series(crew, is), hours)
		say(err == nil, "%s: %v", crew, err)
		return s
	}
	sum := func(counts []int) (n float64) {
		for _, c := range counts {
			n += float64(c)
		}
		return n
	}
	rate := func(crew string, is func(event) bool) float64 {
		hours := 0.0
		for _, h := range w.worked(crew) {
			hours += h
		}
		return sum(w.series(crew, is)) / hours * 100_000
	}

	mowing := of("northside-mowing", isHurt, false)
	say(len(mowing) > 0, "mowing: the improvement does not show")
	for _, s := range mowing {
		say(!s.above && s.first >= 25, "mowing: %+v is no improvement", s)
	}
	waste := of("transfer-waste", isHurt, false)
	say(len(waste) > 0, "waste: the worsening does not show")
	for _, s := range waste {
		say(s.above && s.last >= 25, "waste: %+v is no worsening", s)
	}
	lost := w.series("quarry-road-roads", isLost)
	say(lost[luckyMonth-1] >= 3, "roads: month %d has %d lost-time injuries", luckyMonth, lost[luckyMonth-1])
	nursery := of("lakeside-nursery", isNearMiss, true)
	say(len(nursery) > 0, "nursery: the new habit does not show")
	for _, s := range nursery {
		say(s.above && s.last >= 27, "nursery: %+v is not the new habit", s)
	}
	// Nothing changed here, and nothing is said to have.
	for _, crew := range []string{"quarry-road-roads", "quarry-road-drainage", "lakeside-nursery", "northside-trees", "workshop-fitters"} {
		for what, s := range map[string][]signal{
			"persons hurt": of(crew, isHurt, false), "persons hurt by hours": of(crew, isHurt, true), "lost time by hours": of(crew, isLost, true),
		} {
			say(len(s) == 0, "%s: %s signals %+v", crew, what, s)
		}
	}
	for _, c := range crews {
		if c.id != "lakeside-nursery" {
			say(len(of(c.id, isNearMiss, true)) == 0, "%s: near misses signal", c.id)
		}
		say(len(of(c.id, isHazard, true)) == 0, "%s: hazards signal", c.id)
	}
	for what, is := range map[string]func(event) bool{"near misses": isNearMiss, "hazards": isHazard} {
		say(rate("quarry-road-drainage", is) < rate("quarry-road-roads", is)/5, "drainage: tells of its %s", what)
	}
	ratio := rate("quarry-road-drainage", isHurt) / rate("quarry-road-roads", isHurt)
	say(ratio > 0.65 && ratio < 1.35, "drainage: is hurt %.2f times as often as roads", ratio)
	return out
}

// TestTruths holds the world to what the package says of it, whenever it is
// started: on six days of each month of three years.
func TestTruths(t *testing.T) {
	t.Parallel()
	loc, err := time.LoadLocation(TimeZone)
	require.NoError(t, err)
	var dates []time.Time
	for m := range 36 {
		for _, day := range []int{1, 2, 7, 14, 20, 28} {
			dates = append(dates, time.Date(2026, time.Month(1+m), day, 9+day%8, 0, 0, 0, loc))
		}
	}
	// Some that once told another tale.
	for _, d := range []string{"2027-02-10", "2027-03-20", "2027-04-14", "2027-05-14"} {
		at, err := time.ParseInLocation("2006-01-02 15:04", d+" 12:00", loc)
		require.NoError(t, err)
		dates = append(dates, at)
	}
	for _, now := range dates {
		require.Empty(t, draw(DefaultSeed, now, loc).lies(), now.Format(time.DateOnly))
	}
}

// TestTruths_aDayOlder: what was told by a day is told still the day after.
func TestTruths_aDayOlder(t *testing.T) {
	t.Parallel()
	loc, err := time.LoadLocation(TimeZone)
	require.NoError(t, err)
	now := time.Date(2027, 2, 10, 12, 0, 0, 0, loc)
	before, after := draw(DefaultSeed, now, loc), draw(DefaultSeed, now.AddDate(0, 0, 1), loc)
	require.Greater(t, len(after.events), len(before.events)-1)
	for i, e := range before.events {
		require.Equal(t, e.text, after.events[i].text)
		require.True(t, e.filed.Equal(after.events[i].filed))
	}
}
