package spc

import (
	"math"
	"sync"

	"fairlead/analytics/dist"
)

// CountLimits are the limits of a single Poisson count and the chances of
// crossing them while nothing has changed.
type CountLimits struct {
	Mean     float64
	Upper    float64 // a count signals above it
	Lower    float64 // a count signals below it, if HasLower; else 0
	HasLower bool
	RawLower float64 // the lower limit before it was cut off at zero
	PAbove   float64 // chance of a count above Upper
	PBelow   float64 // chance of a count below Lower
}

// FalseAlarmEvery returns the mean number of periods between false alarms of
// these limits, 1/(PAbove + PBelow). Defined is false when that chance is zero.
func (l CountLimits) FalseAlarmEvery() (periods float64, defined bool) {
	p := l.PAbove + l.PBelow
	if p < 1e-300 {
		return 0, false
	}
	return 1 / p, true
}

// SigmaLimits returns the limits of a Poisson count with the given mean, k
// standard deviations off it. mean must be in [0, 1e9] and k in (0, 10];
// otherwise the error wraps [dist.ErrDomain]. At a mean of k*k or less there is
// no lower limit: with three sigma, below 9 cases a month no single month can
// signal an improvement.
func SigmaLimits(mean, k float64) (CountLimits, error) {
	const op = "spc: sigma limits"
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return CountLimits{}, err
	}
	if !(k > 0 && k <= 10) {
		return CountLimits{}, dist.BadFloat(op, "k", k, "must be above 0 and at most 10 standard deviations")
	}
	w := k * math.Sqrt(mean)
	l := CountLimits{Mean: mean, Upper: mean + w, RawLower: mean - w}
	// A count on the limit is inside; the allowance is that of [side].
	l.PAbove = d.Survival(int(math.Floor(l.Upper*(1+unitRelative))) + 1)
	if l.RawLower > unitRelative*mean {
		l.Lower, l.HasLower = l.RawLower, true
		l.PBelow = d.CDF(int(math.Ceil(l.Lower*(1-unitRelative))) - 1)
	}
	return l, nil
}

// ProbabilityLimits returns the limits of a Poisson count with the given mean
// that chance crosses with probability at most tail on each side: Upper is the
// least U with P(X > U) <= tail, Lower the largest L with P(X < L) <= tail.
// Both are whole counts. mean must be in [0, 1e9] and tail in (0, 0.5];
// otherwise the error wraps [dist.ErrDomain]. At a mean of -log(tail) or less
// (6.6 cases at 0.00135) there is no lower limit.
func ProbabilityLimits(mean, tail float64) (CountLimits, error) {
	if err := dist.CheckTail("spc: probability limits", "tail", tail); err != nil {
		return CountLimits{}, err
	}
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return CountLimits{}, err
	}
	u, err := d.UpperQuantile(tail)
	if err != nil {
		return CountLimits{}, err
	}
	lo, err := d.LowerLimit(tail)
	if err != nil {
		return CountLimits{}, err
	}
	return CountLimits{
		Mean: mean, Upper: float64(u), Lower: float64(lo), RawLower: float64(lo), HasLower: lo > 0,
		PAbove: d.Survival(u + 1), PBelow: d.CDF(lo - 1),
	}, nil
}

// usualThresholds are the steps of the limits at the default tail, which nearly
// every chart asks for.
var usualThresholds = sync.OnceValues(func() (*dist.Thresholds, error) { return dist.NewThresholds(defaultTail) })

// exactLimits returns the whole counts that ProbabilityLimits gives, without
// their chances.
func exactLimits(mean, tail float64) (lower, upper int, err error) {
	if tail == defaultTail {
		t, err := usualThresholds()
		if err != nil {
			return 0, 0, err
		}
		return t.Limits(mean)
	}
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return 0, 0, err
	}
	if lower, err = d.LowerLimit(tail); err != nil {
		return 0, 0, err
	}
	upper, err = d.UpperQuantile(tail)
	return lower, upper, err
}

// probabilityLimits sets exact limits for one point. The comparison is made
// between whole counts, so that no rounding of a rate can decide it.
func (o Options) probabilityLimits(p *Point, center float64) error {
	var lower, upper int
	if o.share() {
		d, err := dist.NewBinomial(int(p.Exposure), center)
		if err != nil {
			return err
		}
		upper, lower = binomialLimits(d, o.Tail)
	} else {
		var err error
		if lower, upper, err = exactLimits(center*o.size(p), o.Tail); err != nil {
			return err
		}
	}
	per := o.scale(p) / o.size(p)
	p.UCL, p.HasUCL = float64(upper)*per, true
	if o.share() && float64(upper) >= p.Exposure {
		p.HasUCL = false
	}
	p.LCL, p.HasLCL = float64(lower)*per, lower > 0
	switch {
	case p.Count > upper:
		p.Beyond = Above
	case p.Count < lower:
		p.Beyond = Below
	}
	return nil
}

// binomialLimits returns the least U with P(X > U) <= tail and the largest L
// with P(X < L) <= tail.
func binomialLimits(d dist.Binomial, tail float64) (upper, lower int) {
	// Both conditions are monotone in the count; halving the range finds the
	// ends in some thirty steps whatever the size.
	lo, hi := -1, d.N()
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; d.Survival(mid+1) <= tail {
			hi = mid
		} else {
			lo = mid
		}
	}
	upper = hi
	lo, hi = 0, d.N()+1
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; d.CDF(mid-1) <= tail {
			lo = mid
		} else {
			hi = mid
		}
	}
	return upper, lo
}

// LeastMeanWithLowerLimit returns the mean above which exact limits have a
// lower one: the mean whose chance of zero cases equals tail. Below it no single
// period can signal an improvement. tail must be in (0, 0.5]; otherwise the
// error wraps [dist.ErrDomain].
func LeastMeanWithLowerLimit(tail float64) (float64, error) {
	return dist.GarwoodUpper(0, tail)
}

// NormalFalseAlarm returns the chance that a normally distributed value lies
// more than k standard deviations from its mean on either side: 0.0027 at
// three, one false alarm in 370. k must be in (0, 35]; otherwise the error wraps
// [dist.ErrDomain].
func NormalFalseAlarm(k float64) (float64, error) {
	if !(k > 0 && k <= 35) {
		return 0, dist.BadFloat("spc: normal false alarm", "k", k, "must be above 0 and at most 35 standard deviations")
	}
	return math.Erfc(k / math.Sqrt2), nil
}
