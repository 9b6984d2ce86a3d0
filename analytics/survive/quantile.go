package survive

import (
	"math"

	"fairlead/analytics/dist"
)

// Quantile is the time by which a given share of the items is closed, with the
// interval got by inverting the pointwise limits of the curve. Each of the
// three may not exist: while most items are open, nobody can say when most will
// be closed.
type Quantile struct {
	Share    float64 // closed by Time: 0.5 for the median
	Time     float64
	Lo, Hi   float64
	HasTime  bool
	HasLo    bool
	HasHi    bool
	Level    float64
	Interval Interval
}

// equalShare is the allowance within which a curve counts as exactly at a
// share: a product of whole-number ratios meets one half only up to rounding.
const equalShare = 1.5e-8

// Median returns the time by which half of the items are closed. See
// [Curve.Quantile].
func (c Curve) Median() Quantile {
	q, err := c.Quantile(0.5)
	if err != nil {
		return Quantile{Share: 0.5, Level: c.Level, Interval: c.Interval} // not reached: 0.5 is in the domain
	}
	return q
}

// Quantile returns the time by which the given share of items is closed: the
// first at which the share still open is at or below 1 - share. Where the curve
// stays exactly there for a while, the middle of that stretch is returned, as R
// does. share must be in (0, 1); otherwise the error wraps [dist.ErrDomain].
//
// Brookmeyer and Crowley (1982), Biometrics 38:29-41.
func (c Curve) Quantile(share float64) (Quantile, error) {
	if !(share > 0 && share < 1) {
		return Quantile{}, dist.BadFloat("survive: quantile", "share", share, "must be above 0 and below 1, such as 0.5 for the median")
	}
	q := Quantile{Share: share, Level: c.Level, Interval: c.Interval}
	q.Time, q.HasTime = c.reach(share, func(s Step) (float64, bool) { return s.Survival, true })
	// The lower limit of the curve is the earlier to come down, so it gives the
	// lower limit of the time.
	q.Lo, q.HasLo = c.reach(share, func(s Step) (float64, bool) { return s.Lo, s.Bounded })
	q.Hi, q.HasHi = c.reach(share, func(s Step) (float64, bool) { return s.Hi, s.Bounded })
	return q, nil
}

// reach returns the time at which a curve of values comes down to 1 - share.
func (c Curve) reach(share float64, value func(Step) (float64, bool)) (float64, bool) {
	first, last := -1, math.NaN()
	for i, s := range c.Steps {
		v, ok := value(s)
		if !ok {
			break // past the last item nothing bounds the curve
		}
		closed := 1 - v
		if first < 0 && closed >= share-equalShare {
			first = i
		}
		if first >= 0 && closed > share+equalShare {
			return (c.Steps[first].Time + s.Time) / 2, true
		}
		last = closed
	}
	if first < 0 {
		return 0, false
	}
	// The curve ends exactly at the share: it stays there as long as anybody
	// looked.
	if math.Abs(last-share) <= equalShare {
		return (c.Steps[first].Time + c.Last) / 2, true
	}
	return c.Steps[first].Time, true
}

// RestrictedMean returns the mean time to closing, counting every item at most
// up to limit: the area under the curve. It exists whether or not all items are
// closed, and is comparable only between curves with the same limit. limit must
// be in (0, c.Last]; otherwise, and for an undefined curve, the error wraps
// [dist.ErrDomain].
//
// Irwin (1949), Journal of Hygiene 47:188-189.
func (c Curve) RestrictedMean(limit float64) (float64, error) {
	const op = "survive: restricted mean"
	if !c.Defined {
		return 0, &dist.DomainError{Op: op, Arg: "curve", Value: "undefined", Need: "must be defined: " + c.Reason}
	}
	if !(limit > 0 && limit <= c.Last) {
		return 0, dist.BadFloat(op, "limit", limit, "must be above 0 and at most the longest time seen")
	}
	area, from, height := 0.0, 0.0, 1.0
	for _, s := range c.Steps {
		if s.Time >= limit {
			break
		}
		area += height * (s.Time - from)
		from, height = s.Time, s.Survival
	}
	return area + height*(limit-from), nil
}
