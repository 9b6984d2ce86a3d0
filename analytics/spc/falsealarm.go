package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mat"
)

// FalseAlarms says how often a chart signals although nothing has changed.
type FalseAlarms struct {
	Every   float64 // mean number of points between false alarms
	Method  string  // how it was worked out, for print
	Defined bool    // false when the chart has no centre, or cannot signal
}

// PerYear returns false alarms a year on a chart that gains so many points a
// year; zero when undefined.
func (f FalseAlarms) PerYear(pointsPerYear float64) float64 {
	if !f.Defined || f.Every <= 0 || !(pointsPerYear > 0) || math.IsInf(pointsPerYear, 0) {
		return 0
	}
	return pointsPerYear / f.Every
}

// View is one chart on a page and how many points it gains in a year.
type View struct {
	Chart         Chart
	PointsPerYear float64 // 12 for months
}

// FalseAlarmsPerYear adds up the false alarms a year to expect from all charts
// on view together: one chart seldom cries wolf, a page of forty does. unknown
// counts charts for which there is no figure.
func FalseAlarmsPerYear(views []View) (perYear float64, unknown int, err error) {
	for _, v := range views {
		f, err := v.Chart.FalseAlarms()
		if err != nil {
			return 0, 0, err
		}
		if !f.Defined {
			unknown++
			continue
		}
		perYear += f.PerYear(v.PointsPerYear)
	}
	return perYear, unknown, nil
}

// simulationRuns is how many runs stand behind a simulated figure: a relative
// standard error of about two per cent.
const simulationRuns = 3000

// FalseAlarms returns how often the chart's rules signal by chance at its
// present centre and limits. For limits and runs it is exact, from the
// distribution of each point at its own exposure, averaged over the points of
// the last phase. The zone rules are added by normal theory where an exact chain
// exists, and by a simulation with a fixed seed otherwise.
func (c Chart) FalseAlarms() (FalseAlarms, error) {
	if len(c.Phases) == 0 || !c.Phases[len(c.Phases)-1].Defined || len(c.Rules) == 0 {
		return FalseAlarms{}, nil
	}
	for _, r := range c.Rules {
		if r != BeyondLimits && r != RunOneSide {
			return c.normalFalseAlarms()
		}
	}
	switch c.Kind {
	case C, U, P, NP, T, G:
	default:
		return c.normalFalseAlarms()
	}
	if c.Kind == T && c.Limits == Sigma {
		return c.normalFalseAlarms()
	}
	var sum chances
	n := 0.0
	for _, p := range c.Points {
		if p.Missing || p.Phase != len(c.Phases)-1 || p.Sigma == 0 {
			continue
		}
		ch, err := c.chances(p)
		if err != nil {
			return FalseAlarms{}, err
		}
		sum.above, sum.below, sum.up, sum.down, n = sum.above+ch.above, sum.below+ch.below, sum.up+ch.up, sum.down+ch.down, n+1
	}
	if n == 0 {
		return FalseAlarms{}, nil
	}
	mean := chances{above: sum.above / n, below: sum.below / n, up: sum.up / n, down: sum.down / n}
	every, ok := mean.every(slices.Contains(c.Rules, BeyondLimits), slices.Contains(c.Rules, RunOneSide), c.RunLength)
	return FalseAlarms{Every: every, Method: "exact", Defined: ok}, nil
}

// chances are the chances of one point by chance alone: beyond the upper or the
// lower limit, or inside them and strictly above or below the centre.
type chances struct{ above, below, up, down float64 }

// chances works them out from the distribution of the point.
func (c Chart) chances(p Point) (chances, error) {
	if c.Kind == T {
		// exponential, with the median as centre
		up, down := 0.0, 0.0
		if p.Sigma > 0 {
			up, down = math.Exp(-p.UCL/p.Sigma), -math.Expm1(-p.LCL/p.Sigma)
		}
		return chances{above: 0.5 - up, below: 0.5 - down, up: up, down: down}, nil
	}
	cdf, scale, err := c.distribution(p)
	if err != nil {
		return chances{}, err
	}
	// counts on either side of each line; a count on a line is on neither
	atMost := func(line float64) float64 { return cdf(int(math.Floor(line * scale * (1 + unitRelative)))) }
	under := func(line float64) float64 { return cdf(int(math.Ceil(line*scale*(1-unitRelative))) - 1) }
	up, down := 0.0, 0.0
	if p.HasUCL {
		up = 1 - atMost(p.UCL)
	}
	if p.HasLCL {
		down = under(p.LCL)
	}
	return chances{
		above: max(0, 1-atMost(p.Center)-up),
		below: max(0, under(p.Center)-down),
		up:    up,
		down:  down,
	}, nil
}

// distribution returns the distribution of the whole number behind a point and
// the factor from value to that number.
func (c Chart) distribution(p Point) (cdf func(int) float64, scale float64, err error) {
	switch c.Kind {
	case C, U:
		scale = 1
		if c.Kind == U {
			scale = p.Exposure / c.Base
		}
		d, err := dist.NewPoisson(p.Center * scale)
		return d.CDF, scale, err
	case P, NP:
		scale = 1
		share := p.Center / p.Exposure
		if c.Kind == P {
			scale, share = p.Exposure, p.Center
		}
		d, err := dist.NewBinomial(int(p.Exposure), min(1, share))
		return d.CDF, scale, err
	}
	// G: sigma^2 = m (m+1), with m the mean less the least gap.
	m := (math.Sqrt(1+4*p.Sigma*p.Sigma) - 1) / 2
	d, err := dist.NewGeometric(1 / (m + 1))
	return func(k int) float64 { return d.CDF(k - c.LeastGap) }, 1, err
}

// every returns the mean number of points to a signal of a limit, a run, or
// both.
func (ch chances) every(limits, runs bool, length RunLength) (float64, bool) {
	if !limits {
		// Without the rule a point beyond a limit is one more above or below.
		ch.above, ch.below, ch.up, ch.down = ch.above+ch.up, ch.below+ch.down, 0, 0
	}
	if !runs {
		if ch.up+ch.down <= 0 {
			return 0, false
		}
		return 1 / (ch.up + ch.down), true
	}
	on := max(0, 1-ch.above-ch.below-ch.up-ch.down)
	// e, u, d: expected points still to come from a fresh start, after one point
	// above, and after one below. A run that goes on n-1 more points signals.
	geometric := func(p float64, n int) float64 {
		if p >= 1 {
			return float64(n)
		}
		return (1 - math.Pow(p, float64(n))) / (1 - p)
	}
	a, b := geometric(ch.above, length.Above-1), geometric(ch.below, length.Below-1)
	m := mat.NewDense(3, 3, []float64{
		1 - on, -ch.above, -ch.below,
		-a * on, 1, -a * ch.below,
		-b * on, -b * ch.above, 1,
	})
	v, err := solveFirst("spc: false alarms", m, mat.NewVecDense(3, []float64{1, a, b}))
	return v, err == nil
}

// normalFalseAlarms takes the points as normal.
func (c Chart) normalFalseAlarms() (FalseAlarms, error) {
	zones := ZoneRules{}
	exact := c.RunLength.Above == c.RunLength.Below && c.RunLength.Above <= 30
	for _, r := range c.Rules {
		switch r {
		case BeyondLimits:
			zones.Beyond = true
		case TwoOfThree:
			zones.TwoOfThree = true
		case FourOfFive:
			zones.FourOfFive = true
		case RunOneSide:
			zones.Run = c.RunLength.Above
		default:
			exact = false
		}
	}
	if c.Kind == XEwma {
		return FalseAlarms{}, nil // successive averages are not independent; see EwmaDesign.ARL
	}
	if exact {
		v, err := zones.ARL(0)
		if err != nil {
			return FalseAlarms{}, err
		}
		return FalseAlarms{Every: v, Method: "normal theory", Defined: true}, nil
	}
	s, err := SimulateARL(c.Rules, c.RunLength, 0, simulationRuns, rand.New(rand.NewPCG(1, 2)))
	if err != nil {
		return FalseAlarms{}, err
	}
	return FalseAlarms{Every: s.ARL, Method: fmt.Sprintf("normal theory, simulated, give or take %s", Number(2*s.StandardError)), Defined: true}, nil
}
