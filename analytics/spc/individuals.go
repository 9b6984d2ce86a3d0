package spc

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// MovingRange is the mean absolute difference of successive values. Screened
// leaves out, once, the ranges above 3.267 times the mean of all (the upper
// limit of a range chart of two), as some software does; the plain mean is what
// this package uses.
type MovingRange struct {
	Mean     float64
	Screened float64
	Ranges   int // how many differences there were; the means are 0 without any
}

// rangeLimit is D4 for ranges of two.
const rangeLimit = 3.267

// MovingRangeOf returns the moving range of a series without gaps. Values must
// be finite; otherwise the error wraps [dist.ErrDomain].
func MovingRangeOf(values []float64) (MovingRange, error) {
	for i, v := range values {
		if !(math.Abs(v) <= maxExposure) {
			return MovingRange{}, dist.BadFloat("spc: moving range", fmt.Sprintf("values[%d]", i), v, "must be finite")
		}
	}
	var ranges []float64
	for i := 1; i < len(values); i++ {
		ranges = append(ranges, math.Abs(values[i]-values[i-1]))
	}
	m := MovingRange{Mean: meanOf(ranges), Ranges: len(ranges)}
	var kept []float64
	for _, r := range ranges {
		if r <= rangeLimit*m.Mean {
			kept = append(kept, r)
		}
	}
	m.Screened = meanOf(kept)
	return m, nil
}

func meanOf(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	var s float64
	for _, v := range values {
		s += v
	}
	return s / float64(len(values))
}

// Sigma returns the standard deviation behind the ranges, their mean over
// 1.128.
func (m MovingRange) Sigma() float64 { return m.Mean / d2 }

// SigmaExact returns it with the unrounded constant 2/sqrt(pi).
func (m MovingRange) SigmaExact() float64 { return m.Mean * math.SqrtPi / 2 }

// SigmaScreened returns it from the screened ranges.
func (m MovingRange) SigmaScreened() float64 { return m.Screened / d2 }

// Gap is one value of a chart of single values: a measurement, or the time or
// number between two successive events, labelled by the event that ended it.
// The open gap since the last event is not one: see [OpenGap].
type Gap struct {
	Label  string
	Length float64
}

// GapOptions choose a chart of single values. The zero value serves.
type GapOptions struct {
	Limits   LimitKind // I: Sigma only; T and G: empty means Probability
	Sigmas   float64   // for Sigma; 0 means 3
	Tail     float64   // for Probability, on each side; 0 means 0.00135
	Minimum  int       // G: least possible gap, 0 or 1
	Power    float64   // T with Sigma: exponent of the transform; 0 means 1/3.6
	Baseline int       // gaps the centre is computed from; 0 means all
	Exclude  []int     // left out of the baseline, from 0
	Rules    []Rule    // nil means BeyondLimits and RunOneSide
	Run      RunLength // a zero side means 8
}

// nelsonPower turns exponential times into nearly normal ones.
const nelsonPower = 1 / 3.6

// NewI returns the individuals chart of single values: centre at the mean,
// sigma from the moving range. Fewer than two values have no limits. Arguments
// outside their domain return an error that wraps [dist.ErrDomain].
//
// Shewhart (1931); Montgomery, Introduction to Statistical Quality Control, on
// the moving range chart.
func NewI(values []Gap, o GapOptions) (Chart, error) {
	if o.Limits == Probability {
		return Chart{}, &dist.DomainError{Op: "spc: individuals chart", Arg: "limits", Value: string(o.Limits), Need: "must be sigma: single values have no distribution to take probabilities from"}
	}
	o.Limits = Sigma
	return gapChart(IMR, values, o, func(c *Chart, base []float64) error {
		m, err := MovingRangeOf(base)
		if err != nil {
			return err
		}
		center, sigma, sigmas := meanOf(base), m.Sigma(), sharedOf(o).Sigmas
		for i := range c.Points {
			p := &c.Points[i]
			p.Center, p.Sigma = center, sigma
			if sigma > 0 {
				p.Z = (p.Value - center) / sigma
				p.UCL, p.HasUCL = center+sigmas*sigma, true
				p.LCL, p.HasLCL = center-sigmas*sigma, true
			}
		}
		c.Method = fmt.Sprintf("individuals chart, limits at %g sigma from the moving range", sigmas)
		return nil
	})
}

// gapChart builds the frame that charts of single values share: points,
// baseline, comparison with the limits, rules.
func gapChart(kind Kind, gaps []Gap, o GapOptions, set func(c *Chart, base []float64) error) (Chart, error) {
	op := fmt.Sprintf("spc: %s chart", kind)
	shared, err := Options{Kind: C, Sigmas: o.Sigmas, Tail: o.Tail, Baseline: o.Baseline, Rules: o.Rules, RunLength: o.Run}.normal()
	if err != nil {
		return Chart{}, err
	}
	if len(gaps) > maxPeriods {
		return Chart{}, dist.BadInt(op, "gaps", len(gaps), "must be at most 1,000,000")
	}
	c := Chart{Kind: kind, Limits: o.Limits, Base: 1, Rules: shared.Rules, RunLength: shared.RunLength}
	left := map[int]bool{}
	for i, e := range o.Exclude {
		if e < 0 || e >= len(gaps) {
			return Chart{}, dist.BadInt(op, fmt.Sprintf("exclude[%d]", i), e, fmt.Sprintf("must be a point from 0 to %d", len(gaps)-1))
		}
		left[e] = true
	}
	var base []float64
	ph := Phase{Last: len(gaps) - 1, SigmaZ: 1}
	for i, g := range gaps {
		if !(math.Abs(g.Length) <= maxExposure) || (kind != IMR && g.Length < 0) {
			return Chart{}, dist.BadFloat(op, fmt.Sprintf("gaps[%d]", i), g.Length, "must be at least 0 and finite")
		}
		c.Points = append(c.Points, Point{Label: g.Label, Value: g.Length})
		if !left[i] && (o.Baseline == 0 || i < o.Baseline) {
			if len(base) == 0 {
				ph.BaselineFirst = i
			}
			base = append(base, g.Length)
			ph.BaselineLast = i
		}
	}
	ph.Periods, ph.Events = len(base), len(base)
	if len(base) > 0 {
		ph.Defined = true
		if err := set(&c, base); err != nil {
			return Chart{}, err
		}
		for i := range c.Points {
			p := &c.Points[i]
			switch {
			case p.HasUCL && side(p.Value, p.UCL) == Above:
				p.Beyond = Above
			case p.HasLCL && side(p.Value, p.LCL) == Below:
				p.Beyond = Below
			}
		}
		ph.Center = c.Points[0].Center
	}
	c.Center = ph.Center
	if len(gaps) > 0 {
		c.Phases = []Phase{ph}
	}
	c.Signals = signals(c.Points, c.Rules, c.RunLength)
	c.Notes = notes(c)
	return c, nil
}
