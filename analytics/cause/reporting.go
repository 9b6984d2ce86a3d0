package cause

import (
	"fmt"

	"fairlead/analytics/dist"
	"fairlead/analytics/rate"
)

// Streams are the reports of one period, apart: hard events get on record
// whether people like reporting or not (somebody was treated, a vehicle went to
// the workshop); soft ones depend on somebody choosing to tell (near misses,
// hazards).
type Streams struct {
	Hard, Soft int
	Exposure   float64 // hours worked
}

// Willingness splits a change of reports into a change of events and a change
// of telling. The figures mean something only when Defined is true.
type Willingness struct {
	Before, After Streams
	Events        rate.Comparison // hard events, after over before: the change of risk
	Reports       rate.Comparison // all reports, after over before: what a plain chart shows
	Telling       Odds            // soft reports for each hard event, after over before
	TellingP      float64         // chance of as large a change of it by chance, exact
	Reading       Reading
	Defined       bool
	Reason        string // why it is undefined; empty when it is defined
}

// Reading is what a split says, in words for print.
type Reading string

// The readings. A change of telling is never announced as a change of danger.
const (
	MoreEvents  Reading = "more happened: hard events rose by more than chance"
	FewerEvents Reading = "less happened: hard events fell by more than chance"
	MoreTold    Reading = "more was told: reports rose against hard events, which did not rise by more than chance"
	LessTold    Reading = "less was told: reports fell against hard events, which did not fall by more than chance"
	NoChange    Reading = "no more than chance"
)

// SplitWillingness compares two periods in events and in telling. Risk is read
// from hard events alone, because soft reports rise with trust as well as with
// danger; telling is read from soft reports per hard event. level is that of
// both intervals, 0 means 0.95.
//
// It rests on hard events being on record alike in both periods: a new rule on
// what counts as treatment breaks that. Without hours on both sides, or hard
// events on neither, it is undefined.
//
// Counts must be in [0, 1e8] and exposures have the domain of [rate.Compare];
// otherwise the error wraps [dist.ErrDomain].
func SplitWillingness(before, after Streams, level float64) (Willingness, error) {
	const op = "cause: willingness"
	if level == 0 {
		level = defaultLevel
	}
	if err := dist.CheckLevel(op, level); err != nil {
		return Willingness{}, err
	}
	for _, c := range []struct {
		name string
		n    int
	}{{"hard before", before.Hard}, {"soft before", before.Soft}, {"hard after", after.Hard}, {"soft after", after.Soft}} {
		if c.n < 0 || c.n > 100_000_000 {
			return Willingness{}, dist.BadInt(op, c.name, c.n, "must be at least 0 and at most 1e8 reports")
		}
	}
	w := Willingness{Before: before, After: after}
	o := rate.Options{Level: level}
	var err error
	if w.Events, err = rate.Compare(rate.Sample{Count: after.Hard, Exposure: after.Exposure}, rate.Sample{Count: before.Hard, Exposure: before.Exposure}, 1, o); err != nil {
		return Willingness{}, fmt.Errorf("%s: %w", op, err)
	}
	if w.Reports, err = rate.Compare(rate.Sample{Count: after.Hard + after.Soft, Exposure: after.Exposure}, rate.Sample{Count: before.Hard + before.Soft, Exposure: before.Exposure}, 1, o); err != nil {
		return Willingness{}, fmt.Errorf("%s: %w", op, err)
	}
	if !w.Events.Defined {
		w.Reason = "hard events: " + w.Events.Reason
		return w, nil
	}
	w.Defined, w.Reading, w.TellingP = true, NoChange, 1
	s, err := Associate(Fourfold{Both: after.Soft, ExposureOnly: after.Hard, OutcomeOnly: before.Soft, Neither: before.Hard}, level)
	if err != nil {
		return Willingness{}, fmt.Errorf("%s: %w", op, err)
	}
	if s.Defined {
		w.Telling = s.Odds()
		// Central, to agree with the interval.
		w.TellingP = min(1, 2*min(s.Fisher.Less, s.Fisher.Greater))
	}
	alpha := 1 - level
	rose := w.Events.Ratio > 1 || w.Events.RatioOpen
	telling := s.Defined && w.TellingP < alpha
	more := float64(after.Soft)*float64(before.Hard) > float64(before.Soft)*float64(after.Hard)
	switch {
	case w.Events.PValue < alpha && rose:
		w.Reading = MoreEvents
	case w.Events.PValue < alpha:
		w.Reading = FewerEvents
	case telling && more:
		w.Reading = MoreTold
	case telling:
		w.Reading = LessTold
	}
	return w, nil
}
