package spc

import (
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/dist"
)

// New computes the control chart of the given periods.
//
// Centre: total count over total exposure of the baseline (never the mean of
// monthly rates). Limits follow each point's own exposure. With Sigma they are
// the centre plus and minus Sigmas standard deviations; a lower limit at or
// below zero is no limit. With Probability, the upper limit is the least count
// that chance exceeds with probability at most Tail, and the lower limit the
// largest that chance undercuts with probability at most Tail.
//
// A period that is Missing, or that a u, p or Laney chart finds without
// exposure, becomes a gap. A phase without any data has no centre; its points
// have no limits and cannot signal. No periods give an empty chart.
//
// Arguments outside their domain return an error that wraps [dist.ErrDomain]
// and names the argument.
//
// Shewhart (1931), Economic Control of Quality of Manufactured Product;
// Montgomery, Introduction to Statistical Quality Control, on c, u, p and np
// charts; Laney (2002), Quality Engineering 14:531-537.
func New(periods []Period, o Options) (Chart, error) {
	o, err := o.normal()
	if err != nil {
		return Chart{}, err
	}
	if err := o.check(periods); err != nil {
		return Chart{}, err
	}
	c := Chart{Kind: o.Kind, Limits: o.Limits, Base: o.Base, Rules: slices.Clone(o.Rules), RunLength: o.RunLength}
	c.Points = o.points(periods)
	if o.Kind == NP {
		if err := steady(c.Points); err != nil {
			return Chart{}, err
		}
	}
	var bases [][]int
	for _, ph := range o.split(len(periods)) {
		base, err := o.phase(&c, ph)
		if err != nil {
			return Chart{}, err
		}
		bases = append(bases, base)
	}
	c.Dispersion = dispersionOf(c.Points, bases, c.Phases)
	c.Signals = signals(c.Points, o.Rules, o.RunLength)
	c.Method = o.method()
	c.Notes = notes(c)
	return c, nil
}

// points returns the plotted values and the gaps.
func (o Options) points(periods []Period) []Point {
	pts := make([]Point, len(periods))
	for i := range periods {
		p, q := &periods[i], &pts[i]
		q.Label, q.Count, q.Exposure = p.Label, p.Count, p.Exposure
		switch size := o.size(q); {
		case p.Missing:
			q.Missing, q.Why, q.Exposure = true, "not known", 0
		case size > 0:
			q.Value = o.scale(q) * float64(p.Count) / size
		case p.Count > 0:
			q.Missing, q.Why = true, "cases but no hours"
		default:
			q.Missing, q.Why = true, "no hours"
		}
		if q.Missing && o.share() && !p.Missing {
			q.Why = "none examined"
		}
	}
	return pts
}

// size is the exposure of a point in units of the base: the expected count is
// the centre times it.
func (o Options) size(p *Point) float64 {
	if o.Kind == C {
		return 1
	}
	return p.Exposure / o.Base
}

// scale turns a share into what is plotted: np plots numbers.
func (o Options) scale(p *Point) float64 {
	if o.Kind == NP {
		return p.Exposure
	}
	return 1
}

// steady refuses an np chart over varying numbers, whose centre would jump.
func steady(points []Point) error {
	var n float64
	for i, p := range points {
		if p.Missing {
			continue
		}
		if n != 0 && p.Exposure != n {
			return dist.BadFloat("spc: chart", fmt.Sprintf("periods[%d] number examined", i), p.Exposure, "must be the same in every period of an np chart; use a p chart")
		}
		n = p.Exposure
	}
	return nil
}

// split cuts the points into phases.
func (o Options) split(n int) []Phase {
	if n == 0 {
		return nil
	}
	phases := []Phase{{First: 0}}
	for _, s := range o.Phases {
		phases[len(phases)-1].Last = s.At - 1
		phases = append(phases, Phase{First: s.At, Note: s.Note})
	}
	phases[len(phases)-1].Last = n - 1
	return phases
}

// phase computes centre and limits of one phase, appends it to the chart, and
// returns the points of its baseline.
func (o Options) phase(c *Chart, ph Phase) ([]int, error) {
	index := len(c.Phases)
	base := o.baseline(c.Points, &ph)
	for i := ph.First; i <= ph.Last; i++ {
		c.Points[i].Phase = index
	}
	ph.SigmaZ = 1
	if o.Center != nil {
		ph.Center, ph.Given, ph.Defined = *o.Center, true, true
	}
	if ph.Defined {
		for i := ph.First; i <= ph.Last; i++ {
			o.standardise(&c.Points[i], ph.Center)
		}
		if o.laney() {
			if s, ok := sigmaZ(c.Points, base); ok {
				ph.SigmaZ = s
			}
		}
		for i := ph.First; i <= ph.Last; i++ {
			if err := o.limits(&c.Points[i], ph); err != nil {
				return nil, err
			}
		}
	}
	c.Center = ph.Center
	c.Phases = append(c.Phases, ph)
	return base, nil
}

// baseline picks the points the centre is computed from, fills in their
// description, and returns them.
func (o Options) baseline(points []Point, ph *Phase) []int {
	var base []int
	var count, size float64
	for i, known := ph.First, 0; i <= ph.Last && (o.Baseline == 0 || known < o.Baseline); i++ {
		if points[i].Missing {
			continue
		}
		known++
		if slices.Contains(o.Exclude, i) {
			continue
		}
		base = append(base, i)
		count += float64(points[i].Count)
		size += o.size(&points[i])
	}
	if len(base) == 0 {
		ph.BaselineFirst, ph.BaselineLast = ph.First, ph.First
		return nil
	}
	ph.BaselineFirst, ph.BaselineLast = base[0], base[len(base)-1]
	ph.Periods, ph.Events = len(base), int(count)
	ph.Center, ph.Defined = count/size, true
	return base
}

// standardise sets centre, sigma and z of a point.
func (o Options) standardise(p *Point, center float64) {
	if p.Missing {
		return
	}
	variance := center / o.size(p)
	if o.share() {
		variance *= 1 - center
	}
	p.Center, p.Sigma = center*o.scale(p), math.Sqrt(max(0, variance))*o.scale(p)
	p.PlainSigma = p.Sigma
	if p.Sigma > 0 {
		p.Z = (p.Value - p.Center) / p.Sigma
	}
}

// limits sets the limits of a point and says whether it lies beyond one.
func (o Options) limits(p *Point, ph Phase) error {
	if p.Missing || p.Sigma == 0 {
		return nil // a baseline without cases sets no limits
	}
	if o.Limits == Probability {
		return o.probabilityLimits(p, ph.Center)
	}
	w := o.Sigmas * p.Sigma * ph.SigmaZ
	p.Sigma *= ph.SigmaZ
	p.Z = (p.Value - p.Center) / p.Sigma
	p.UCL = p.Center + w
	// No share exceeds the whole: a limit at or past it cannot be crossed.
	p.HasUCL = !o.share() || p.UCL < o.scale(p)
	if l := p.Center - w; l > 0 {
		p.LCL, p.HasLCL = l, true
	}
	switch {
	case p.HasUCL && side(p.Value, p.UCL) == Above:
		p.Beyond = Above
	case p.HasLCL && side(p.Value, p.LCL) == Below:
		p.Beyond = Below
	}
	return nil
}

// method puts kind and limits into words.
func (o Options) method() string {
	s := string(o.Kind) + "-chart, "
	switch {
	case o.laney():
		return s + fmt.Sprintf("limits at %g sigma widened by the spread seen between successive periods (Laney)", o.Sigmas)
	case o.Limits == Probability && o.share():
		return s + fmt.Sprintf("exact binomial limits, at most %g beyond each by chance", o.Tail)
	case o.Limits == Probability:
		return s + fmt.Sprintf("exact Poisson limits, at most %g beyond each by chance", o.Tail)
	}
	return s + fmt.Sprintf("limits at %g sigma", o.Sigmas)
}
