package survive

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// Observation is one action: how long it took, or how long it has been open.
type Observation struct {
	Time float64 // days, or any other unit, at least 0
	Done bool    // closed at Time; false means still open then (censored)
}

// Interval names how the pointwise interval of a curve is worked out. Its text
// is meant for print.
type Interval string

// The intervals offered. LogLog is the default: it stays between 0 and 1 by
// itself and holds its level best with few items. Log is the default of some
// statistics packages, Plain the textbook form.
const (
	LogLog Interval = "log-log"
	Log    Interval = "log"
	Plain  Interval = "plain"
)

// Options choose the interval of a curve. The zero value asks for the 95 %
// log-log interval.
type Options struct {
	Level    float64  // two-sided; 0 means 0.95
	Interval Interval // empty means LogLog
}

// Step is one time at which items were closed.
type Step struct {
	Time     float64
	AtRisk   int     // open just before Time, those censored at Time included
	Done     int     // closed at Time
	Survival float64 // share still open after Time
	SE       float64 // Greenwood's standard error of Survival
	Lo, Hi   float64 // pointwise limits of Survival
	// Bounded is false where the last item at risk was closed: nothing is left
	// to work out an interval from, and SE, Lo and Hi mean nothing.
	Bounded bool
}

// Curve is the Kaplan-Meier estimate of the share still open by time. Steps may
// be empty when nothing has been closed yet: then all that is known is that
// nothing closed by Last.
type Curve struct {
	Items    int     // observations
	Done     int     // of them closed
	Last     float64 // longest time seen, closed or open
	Steps    []Step
	Level    float64
	Interval Interval
	Defined  bool
	Reason   string // why it is undefined; empty when it is defined
}

const (
	defaultLevel = 0.95
	maxTime      = 1e15
)

// KaplanMeier returns the share of items still open by time, with Greenwood's
// standard error and a pointwise interval. An item censored at a time at which
// others close counts among those at risk there.
//
// Without any item the curve is undefined. Times must be in [0, 1e15] and
// o.Level in [0.5, 1 - 1e-12]; otherwise, and for an unknown interval, the
// error wraps [dist.ErrDomain].
//
// Kaplan and Meier (1958), Journal of the American Statistical Association
// 53:457-481; Greenwood (1926); Kalbfleisch and Prentice (1980), The
// Statistical Analysis of Failure Time Data, for the log-log interval.
func KaplanMeier(items []Observation, o Options) (Curve, error) {
	const op = "survive: kaplan-meier"
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	if o.Interval == "" {
		o.Interval = LogLog
	}
	if err := dist.CheckLevel(op, o.Level); err != nil {
		return Curve{}, err
	}
	if o.Interval != LogLog && o.Interval != Log && o.Interval != Plain {
		return Curve{}, &dist.DomainError{Op: op, Arg: "interval", Value: string(o.Interval), Need: "must be log-log, log or plain"}
	}
	sorted, err := ordered(op, items)
	if err != nil {
		return Curve{}, err
	}
	c := Curve{Items: len(items), Level: o.Level, Interval: o.Interval}
	if len(items) == 0 {
		c.Reason = "no items: there is nothing to follow"
		return c, nil
	}
	c.Defined, c.Last = true, sorted[len(sorted)-1].Time
	z := -mathext.NormalQuantile((1 - o.Level) / 2)
	survival, sum := 1.0, 0.0 // sum of Greenwood's terms
	for i := 0; i < len(sorted); {
		t, risk, done := sorted[i].Time, len(sorted)-i, 0
		for ; i < len(sorted) && sorted[i].Time == t; i++ {
			if sorted[i].Done {
				done++
			}
		}
		if done == 0 {
			continue
		}
		c.Done += done
		s := Step{Time: t, AtRisk: risk, Done: done}
		if done < risk {
			// Written as a product of shares left, so that S at the last step is
			// exactly zero and never a rounding above it.
			survival *= float64(risk-done) / float64(risk)
			sum += float64(done) / (float64(risk) * float64(risk-done))
			s.Survival, s.SE, s.Bounded = survival, survival*math.Sqrt(sum), true
			s.Lo, s.Hi = o.Interval.limits(survival, math.Sqrt(sum), z)
		} else {
			survival = 0
		}
		c.Steps = append(c.Steps, s)
	}
	return c, nil
}

// ordered checks times and returns a sorted copy.
func ordered(op string, items []Observation) ([]Observation, error) {
	for i, it := range items {
		if !(it.Time >= 0 && it.Time <= maxTime) {
			return nil, dist.BadFloat(op, fmt.Sprintf("items[%d] time", i), it.Time, "must be at least 0 and at most 1e15, in days or another unit")
		}
	}
	sorted := slices.Clone(items)
	slices.SortFunc(sorted, func(a, b Observation) int { return cmp.Compare(a.Time, b.Time) })
	return sorted, nil
}

// limits returns the pointwise interval of a survival s in (0, 1) whose
// logarithm has standard error se.
func (m Interval) limits(s, se, z float64) (lo, hi float64) {
	switch m {
	case Plain:
		return max(0, s-z*se*s), min(1, s+z*se*s)
	case Log:
		return s * math.Exp(-z*se), min(1, s*math.Exp(z*se))
	}
	l := math.Log(s)
	w := math.Exp(z * se / -l)
	return math.Exp(l * w), math.Exp(l / w)
}

// At returns the share still open after the given time with its limits. Before
// the first closing it is 1 and has no interval; past the longest time seen
// nothing is known, and known is false.
func (c Curve) At(time float64) (s Step, known bool) {
	s = Step{Time: time, Survival: 1, AtRisk: c.Items}
	if !c.Defined || !(time >= 0 && time <= c.Last) {
		// A curve that has reached zero stays there.
		if n := len(c.Steps); n > 0 && time > c.Last && c.Steps[n-1].Survival == 0 {
			return c.Steps[n-1], true
		}
		return Step{Time: time}, false
	}
	for _, st := range c.Steps {
		if st.Time > time {
			break
		}
		s = st
	}
	return s, true
}
