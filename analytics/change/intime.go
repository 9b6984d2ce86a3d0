package change

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"fairlead/analytics/dist"
)

// Moment is one change of rate in a record of single events. It means something
// only when Defined is true.
type Moment struct {
	At           float64 // time of the change, at an event
	EventsBefore int
	RateBefore   float64 // events per unit of time
	RateAfter    float64
	LR           float64 // likelihood ratio statistic; not chi-square distributed
	PValue       float64 // chance of at least LR by chance, allowing for the search
	Method       string  // how PValue was found
	Draws        int
	Seed         uint64
	Defined      bool
	Reason       string // why it is undefined; empty when it is defined
}

const maxEvents = 20_000

// FindInTime returns the single change of rate that best explains when events
// happened, between start and end: dates as decimal years, or hours worked so
// far. Read PValue first. It is for rare events, whose months are mostly empty;
// where there are monthly counts with hours, use [Find].
//
// The likelihood is highest right before or right after an event, so that the
// change is put at one; at least one event stays on either side. PValue is
// simulated: by chance alone the events fall anywhere, given how many there
// were (o.Draws 0 means 9,999; o.MinSegment is the least number of events on
// either side, 0 means 1).
//
// Fewer than two events, or none strictly inside, leave the result undefined.
// times must lie in [start, end] and be at most 20,000, end be above start and
// both at most 1e15 in size; otherwise the error wraps [dist.ErrDomain].
//
// Raftery and Akman (1986), Biometrika 73:85-89.
func FindInTime(times []float64, start, end float64, o Options) (Moment, error) {
	const op = "change: find in time"
	switch {
	case !(math.Abs(start) <= maxExposure):
		return Moment{}, dist.BadFloat(op, "start", start, "must be finite and at most 1e15 in size")
	case !(math.Abs(end) <= maxExposure && end > start):
		return Moment{}, dist.BadFloat(op, "end", end, "must be after start and at most 1e15")
	}
	if err := checkDraws(op, o.Draws); err != nil {
		return Moment{}, err
	}
	if len(times) > maxEvents {
		return Moment{}, dist.BadInt(op, "times", len(times), "must be at most 20,000 events: count them by month and use Find")
	}
	if o.Draws == 0 {
		o.Draws = 9999
	}
	if o.MinSegment == 0 {
		o.MinSegment = 1
	}
	if o.MinSegment < 1 {
		return Moment{}, dist.BadInt(op, "least segment", o.MinSegment, "must be at least 1 event")
	}
	// Times as shares of the window: nothing below depends on the unit.
	share := make([]float64, len(times))
	for i, t := range times {
		if !(t >= start && t <= end) {
			return Moment{}, dist.BadFloat(op, fmt.Sprintf("times[%d]", i), t, "must lie between start and end")
		}
		share[i] = min(1, (t-start)/(end-start))
	}
	slices.Sort(share)
	m := Moment{Draws: o.Draws, Seed: o.Seed, Method: fmt.Sprintf("simulated, given the number of events, over all dates, %d records, seed %d", o.Draws, o.Seed)}
	at, before, gain := bestMoment(share, o.MinSegment)
	if before == 0 {
		m.Reason = "too few events on either side of any date"
		return m, nil
	}
	n := len(times)
	m.At = start + at*(end-start)
	m.EventsBefore, m.LR = before, 2*max(0, gain)
	m.RateBefore = float64(before) / (at * (end - start))
	m.RateAfter = float64(n-before) / ((1 - at) * (end - start))
	if math.IsInf(m.RateBefore, 0) || math.IsInf(m.RateAfter, 0) {
		return Moment{}, dist.BadFloat(op, "end", end, "is too close to start: the rate overflows")
	}
	m.PValue, m.Defined = simulateMoments(n, gain, o), true
	return m, nil
}

// bestMoment returns the share of the window, the number of events before it
// and the log-likelihood gained, for sorted shares; before is 0 when there is
// no such moment.
func bestMoment(share []float64, least int) (at float64, before int, gain float64) {
	n := len(share)
	gain = math.Inf(-1)
	for i := 0; i < n; {
		t := share[i]
		j := i
		for j < n && share[j] == t {
			j++
		}
		// Right before the events at t, and right after them.
		for _, k := range [2]int{j, i} {
			if t <= 0 || t >= 1 || k < least || n-k < least {
				continue
			}
			a, b := float64(k), float64(n-k)
			g := a*math.Log(a/(float64(n)*t)) + b*math.Log(b/(float64(n)*(1-t)))
			if g > gain {
				at, before, gain = t, k, g
			}
		}
		i = j
	}
	return at, before, gain
}

// simulateMoments returns the share of records of n events anywhere in which a
// moment gains as much, the record at hand counted among them.
func simulateMoments(n int, gain float64, o Options) float64 {
	// The j-th event is quiet between these shares of the window.
	quiet := make([][2]float64, n)
	limit := gain * (1 - 1e-9)
	band := func(k int) (lo, hi float64) {
		if k < o.MinSegment || n-k < o.MinSegment {
			return 0, 1
		}
		a, b := float64(k), float64(n-k)
		f := func(t float64) bool {
			return a*math.Log(a/(float64(n)*t))+b*math.Log(b/(float64(n)*(1-t))) >= limit
		}
		return edge(0, a/float64(n), f), edge(1, a/float64(n), f)
	}
	lo, hi := band(0)
	for j := range quiet {
		nextLo, nextHi := band(j + 1)
		// Right before it j events have happened, right after it j+1.
		quiet[j] = [2]float64{max(lo, nextLo), min(hi, nextHi)}
		lo, hi = nextLo, nextHi
	}
	r := rand.New(rand.NewPCG(o.Seed, 0x6d6f6d656e74))
	share := make([]float64, n)
	reached := 1
	for range o.Draws {
		// Ordered uniforms as running sums of exponentials: no sorting.
		sum := 0.0
		for i := range share {
			sum += r.ExpFloat64()
			share[i] = sum
		}
		sum += r.ExpFloat64()
		for i, t := range share {
			if t /= sum; t <= quiet[i][0] || t >= quiet[i][1] {
				reached++
				break
			}
		}
	}
	return float64(reached) / float64(o.Draws+1)
}

// edge returns the point between out, where f holds, and in, where it may not,
// at which it stops holding.
func edge(out, in float64, f func(float64) bool) float64 {
	if f(in) {
		return in
	}
	for range 60 {
		mid := (out + in) / 2
		if f(mid) {
			out = mid
		} else {
			in = mid
		}
	}
	return out
}
