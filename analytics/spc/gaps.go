package spc

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// NewT returns the chart of time between events, for events too rare to count
// by the month. A long gap is an improvement: points above the upper limit are
// good news.
//
// With Probability limits (the default) the gaps are taken as exponential: the
// centre is the median, mean times log 2, so that runs on either side are
// equally likely, and the limits are exact quantiles. With Sigma limits the
// gaps are raised to Power (1/3.6), charted as individuals, and the limits
// transformed back; a lower limit at or below zero is none.
//
// Lengths are in one unit of time or hours worked, at least 0. Record them
// finely: a gap of zero days is a gap of some hours rounded off, and lies below
// any lower limit. Arguments outside their domain return an error that wraps
// [dist.ErrDomain].
//
// Nelson (1994), Journal of Quality Technology 26:239-241; Montgomery,
// Introduction to Statistical Quality Control, on low defect levels.
func NewT(gaps []Gap, o GapOptions) (Chart, error) {
	if o.Limits == "" {
		o.Limits = Probability
	}
	if o.Power == 0 {
		o.Power = nelsonPower
	}
	if !(o.Power > 0 && o.Power <= 1) {
		return Chart{}, dist.BadFloat("spc: t chart", "power", o.Power, "must be above 0 and at most 1, such as 1/3.6")
	}
	return gapChart(T, gaps, o, func(c *Chart, base []float64) error {
		shared := sharedOf(o)
		if o.Limits == Sigma {
			return transformed(c, base, o.Power, shared.Sigmas)
		}
		l, err := ExponentialLimits(meanOf(base), shared.Tail)
		if err != nil {
			return err
		}
		for i := range c.Points {
			p := &c.Points[i]
			p.Center, p.Sigma = l.Center, l.Mean
			if l.Mean > 0 {
				// z of the transformed value, for the rules that look at zones
				p.Z = (math.Pow(p.Value/l.Mean, nelsonPower) - nelsonMean) / nelsonSigma
				p.UCL, p.HasUCL, p.LCL, p.HasLCL = l.Upper, true, l.Lower, true
			}
		}
		c.Method = fmt.Sprintf("t-chart, exact exponential limits, at most %g beyond each by chance, centre at the median", shared.Tail)
		return nil
	})
}

// nelsonMean and nelsonSigma are mean and standard deviation of an exponential
// with mean 1 raised to 1/3.6: Gamma(1+1/3.6), and the square root of
// Gamma(1+2/3.6) less its square.
var (
	nelsonMean  = math.Gamma(1 + nelsonPower)
	nelsonSigma = math.Sqrt(math.Gamma(1+2*nelsonPower) - nelsonMean*nelsonMean)
)

// transformed sets the limits of Nelson's transformed chart.
func transformed(c *Chart, base []float64, power, sigmas float64) error {
	ys := make([]float64, len(base))
	for i, v := range base {
		ys[i] = math.Pow(v, power)
	}
	m, err := MovingRangeOf(ys)
	if err != nil {
		return err
	}
	center, sigma := meanOf(ys), m.Sigma()
	back := func(y float64) float64 { return math.Pow(max(0, y), 1/power) }
	upper, lower := back(center+sigmas*sigma), back(center-sigmas*sigma)
	if upper > maxExposure {
		return dist.BadFloat("spc: t chart", "power", power, "is too small: the limits overflow")
	}
	for i := range c.Points {
		p := &c.Points[i]
		p.Center = back(center)
		if sigma > 0 {
			// Sigma is on the transformed scale, where the chart is symmetric.
			p.Sigma, p.Z = sigma, (math.Pow(p.Value, power)-center)/sigma
			p.UCL, p.HasUCL = upper, true
			p.LCL, p.HasLCL = lower, lower > 0
		}
	}
	c.Method = fmt.Sprintf("t-chart, limits at %g sigma of the time raised to %.4g, transformed back", sigmas, power)
	return nil
}

// NewG returns the chart of whole units between events: days without one, cases
// without one. A long gap is an improvement.
//
// With Sigma limits (Benneyan's) the centre is the mean and sigma is
// sqrt((mean-a)(mean-a+1)), a being the least possible gap. With Probability
// limits (the default) the gaps are taken as geometric: the centre is the
// median and the limits are exact quantiles.
//
// Lengths must be whole numbers of at least Minimum, which is 0 or 1. Other
// arguments return an error that wraps [dist.ErrDomain].
//
// Benneyan (2001), Health Care Management Science 4:305-318.
func NewG(gaps []Gap, o GapOptions) (Chart, error) {
	if o.Limits == "" {
		o.Limits = Probability
	}
	if o.Minimum != 0 && o.Minimum != 1 {
		return Chart{}, dist.BadInt("spc: g chart", "minimum", o.Minimum, "must be 0 or 1")
	}
	for i, g := range gaps {
		if g.Length != math.Trunc(g.Length) || g.Length < float64(o.Minimum) {
			return Chart{}, dist.BadFloat("spc: g chart", fmt.Sprintf("gaps[%d]", i), g.Length, fmt.Sprintf("must be a whole number of at least %d", o.Minimum))
		}
	}
	return gapChart(G, gaps, o, func(c *Chart, base []float64) error {
		shared := sharedOf(o)
		l, err := GeometricLimits(meanOf(base), o.Minimum, shared.Sigmas, shared.Tail)
		if err != nil {
			return err
		}
		c.LeastGap = o.Minimum
		for i := range c.Points {
			p := &c.Points[i]
			p.Sigma = l.Sigma
			if o.Limits == Sigma {
				p.Center, p.UCL, p.LCL = l.Mean, l.SigmaUpper, l.SigmaLower
				p.HasLCL = l.SigmaLower > float64(o.Minimum)
			} else {
				p.Center, p.UCL, p.LCL = float64(l.Median), float64(l.Upper), float64(l.Lower)
				p.HasLCL = l.Lower > o.Minimum
			}
			if p.HasUCL = l.Sigma > 0; p.HasUCL {
				p.Z = (p.Value - l.Mean) / l.Sigma
			}
		}
		c.Method = fmt.Sprintf("g-chart, exact geometric limits, at most %g beyond each by chance, centre at the median", shared.Tail)
		if o.Limits == Sigma {
			c.Method = fmt.Sprintf("g-chart, limits at %g sigma", shared.Sigmas)
		}
		return nil
	})
}

// sharedOf fills in the defaults that gap charts share with the others. Its
// options were checked before the limits are set.
func sharedOf(o GapOptions) Options {
	shared := Options{Sigmas: o.Sigmas, Tail: o.Tail}
	if shared.Sigmas == 0 {
		shared.Sigmas = defaultSigmas
	}
	if shared.Tail == 0 {
		shared.Tail = defaultTail
	}
	return shared
}

// TimeLimits are limits for an exponential time between events.
type TimeLimits struct {
	Mean, Center, Lower, Upper float64 // Center is the median
}

// ExponentialLimits returns the times that chance undercuts and exceeds with
// probability tail each, for exponential times with the given mean, and their
// median. mean must be in [0, 1e15] and tail in (0, 0.5]; otherwise the error
// wraps [dist.ErrDomain].
func ExponentialLimits(mean, tail float64) (TimeLimits, error) {
	const op = "spc: exponential limits"
	if !(mean >= 0 && mean <= maxExposure) {
		return TimeLimits{}, dist.BadFloat(op, "mean", mean, "must be at least 0 and at most 1e15")
	}
	if err := dist.CheckTail(op, "tail", tail); err != nil {
		return TimeLimits{}, err
	}
	return TimeLimits{Mean: mean, Center: mean * math.Ln2, Lower: -mean * math.Log1p(-tail), Upper: -mean * math.Log(tail)}, nil
}

// WholeGapLimits are limits for a geometric number between events.
type WholeGapLimits struct {
	Mean, Sigma            float64
	P                      float64 // chance of an event at each unit
	SigmaUpper, SigmaLower float64 // SigmaLower is at least the least gap
	Median, Upper, Lower   int     // exact quantiles
}

// GeometricLimits returns both kinds of limits for whole gaps with the given
// mean and least possible gap a (0 or 1). mean must be in [a, 1e8], sigmas in
// (0, 10] and tail in (0, 0.5]; otherwise the error wraps [dist.ErrDomain].
//
// Benneyan (2001), Health Care Management Science 4:305-318.
func GeometricLimits(mean float64, a int, sigmas, tail float64) (WholeGapLimits, error) {
	const op = "spc: geometric limits"
	if a != 0 && a != 1 {
		return WholeGapLimits{}, dist.BadInt(op, "least gap", a, "must be 0 or 1")
	}
	least := float64(a)
	if !(mean >= least && mean <= 1e8) {
		return WholeGapLimits{}, dist.BadFloat(op, "mean", mean, "must be at least the least possible gap and at most 1e8")
	}
	if !(sigmas > 0 && sigmas <= 10) {
		return WholeGapLimits{}, dist.BadFloat(op, "sigmas", sigmas, "must be above 0 and at most 10")
	}
	if err := dist.CheckTail(op, "tail", tail); err != nil {
		return WholeGapLimits{}, err
	}
	l := WholeGapLimits{Mean: mean, Sigma: math.Sqrt((mean - least) * (mean - least + 1)), P: 1 / (mean - least + 1)}
	l.SigmaUpper = mean + sigmas*l.Sigma
	l.SigmaLower = max(least, mean-sigmas*l.Sigma)
	d, err := dist.NewGeometric(l.P)
	if err != nil {
		return WholeGapLimits{}, err
	}
	for _, q := range []struct {
		to *int
		p  float64
	}{{&l.Median, 0.5}, {&l.Upper, 1 - tail}, {&l.Lower, tail}} {
		k, err := d.Quantile(q.p)
		if err != nil {
			return WholeGapLimits{}, err
		}
		*q.to = k + a
	}
	return l, nil
}

// OpenGap returns the chance of a gap at least as long as the one still open,
// if the past mean were known exactly: exp(-open/mean). The open gap is
// censored and must not enter the mean. mean must be above 0 and open at least
// 0; otherwise the error wraps [dist.ErrDomain].
func OpenGap(mean, open float64) (float64, error) {
	const op = "spc: open gap"
	if !(mean > 0 && mean <= maxExposure) {
		return 0, dist.BadFloat(op, "mean", mean, "must be above 0 and finite")
	}
	if !(open >= 0 && open <= maxExposure) {
		return 0, dist.BadFloat(op, "open", open, "must be at least 0 and finite")
	}
	return math.Exp(-open / mean), nil
}

// OpenGapAfter returns the same chance with the past mean as uncertain as its
// gaps make it: (total/(total+open))^n after n gaps of the given total length,
// the predictive distribution under the prior 1/rate. It is larger than
// [OpenGap], and with few gaps much larger. total must be above 0, gaps at least
// 1 and open at least 0; otherwise the error wraps [dist.ErrDomain].
func OpenGapAfter(gaps int, total, open float64) (float64, error) {
	const op = "spc: open gap"
	switch {
	case gaps < 1 || gaps > maxPeriods:
		return 0, dist.BadInt(op, "gaps", gaps, "must be at least 1 and at most 1,000,000")
	case !(total > 0 && total <= maxExposure):
		return 0, dist.BadFloat(op, "total", total, "must be above 0 and finite")
	case !(open >= 0 && open <= maxExposure):
		return 0, dist.BadFloat(op, "open", open, "must be at least 0 and finite")
	}
	return math.Exp(-float64(gaps) * math.Log1p(open/total)), nil
}
