package spc

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// On a three-sigma chart of many counts limits and run of eight together come
// near the 152.7 points of normal theory (Champ and Woodall 1987).
func TestFalseAlarms_manyCounts(t *testing.T) {
	t.Parallel()
	mean := 1e6 + 0.5 // no count lies on the centre, and either side is as likely
	f, err := chart(t, months(repeat(1_000_000, 24)), Options{Kind: C, Center: &mean}).FalseAlarms()
	require.NoError(t, err)
	require.Equal(t, "exact", f.Method)
	require.InDelta(t, 152.7, f.Every, 1)
}

// The exact figure against a seeded simulation of the charts themselves, four
// standard errors: small counts, skewed runs, several exposures, shares.
func TestFalseAlarms_simulated(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(5, 15))
	center := 3.2
	share := 0.08
	for name, c := range map[string]struct {
		o    Options
		draw func() Period
	}{
		"c, sigma":     {Options{Kind: C, Center: &center}, func() Period { return Period{Count: drawPoisson(rng, center)} }},
		"c, exact":     {Options{Kind: C, Center: &center, Limits: Probability, RunLength: MatchedRuns(center)}, func() Period { return Period{Count: drawPoisson(rng, center)} }},
		"c, runs only": {Options{Kind: C, Center: &center, Rules: []Rule{RunOneSide}}, func() Period { return Period{Count: drawPoisson(rng, center)} }},
		"u, exact": {Options{Kind: U, Center: &center, Limits: Probability, Base: 1000}, func() Period {
			h := 500 + 1500*rng.Float64()
			return Period{Count: drawPoisson(rng, center*h/1000), Exposure: h}
		}},
		"p": {Options{Kind: P, Center: &share}, func() Period {
			k := 0
			for range 60 {
				if rng.Float64() < share {
					k++
				}
			}
			return Period{Count: k, Exposure: 60}
		}},
	} {
		const n = 50_000
		p := make([]Period, n)
		for i := range p {
			p[i] = c.draw()
		}
		all := chart(t, p, c.o)
		want, err := all.FalseAlarms()
		require.NoError(t, err)
		require.True(t, want.Defined)
		// Restart after each signal: count signals of a chart begun afresh.
		signals := 0
		for from := 0; from < n; {
			at := firstSignal(all, from)
			if at < 0 {
				break
			}
			signals++
			from = at + 1
		}
		got := float64(n) / float64(signals)
		require.InDelta(t, want.Every, got, 4*want.Every/math.Sqrt(float64(signals)), name)
	}
}

// firstSignal is the first point at or after from at which a chart begun at from
// signals: plain loops, apart from the code under test.
func firstSignal(c Chart, from int) int {
	above, below := 0, 0
	limits, runs := false, false
	for _, r := range c.Rules {
		limits, runs = limits || r == BeyondLimits, runs || r == RunOneSide
	}
	for i := from; i < len(c.Points); i++ {
		p := c.Points[i]
		if p.Beyond != Within && limits {
			return i
		}
		switch {
		case p.Value > p.Center*(1+1e-9):
			above, below = above+1, 0
		case p.Value < p.Center*(1-1e-9):
			above, below = 0, below+1
		default:
			above, below = 0, 0
		}
		if runs && (above >= c.RunLength.Above || below >= c.RunLength.Below) {
			return i
		}
	}
	return -1
}

// Gap charts: exponential and geometric gaps drawn and charted.
func TestFalseAlarms_gaps(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(6, 16))
	const n = 50_000
	times, whole := make([]float64, n), make([]float64, n)
	for i := range times {
		times[i] = 100 * rng.ExpFloat64()
		whole[i] = 1 + math.Floor(rng.ExpFloat64()*30)
	}
	tc, err := NewT(gapsOf(times), GapOptions{})
	require.NoError(t, err)
	gc, err := NewG(gapsOf(whole), GapOptions{Minimum: 1})
	require.NoError(t, err)
	for _, c := range []Chart{tc, gc} {
		want, err := c.FalseAlarms()
		require.NoError(t, err)
		signals := 0
		for from := 0; from < n; {
			at := firstSignal(c, from)
			if at < 0 {
				break
			}
			signals++
			from = at + 1
		}
		got := float64(n) / float64(signals)
		require.InDelta(t, want.Every, got, 4*want.Every/math.Sqrt(float64(signals)), string(c.Kind))
	}
}

// Rules add up: all of Nelson's cry wolf more often than the default two, and a
// page of charts more often than one.
func TestFalseAlarmsPerYear(t *testing.T) {
	t.Parallel()
	center := 30.0
	p := months(repeat(30, 24))
	two := chart(t, p, Options{Kind: C, Center: &center})
	western := chart(t, p, Options{Kind: C, Center: &center, Rules: WesternElectric()})
	nelson := chart(t, p, Options{Kind: C, Center: &center, Rules: Nelson(), RunLength: RunLength{9, 9}})
	f, err := western.FalseAlarms()
	require.NoError(t, err)
	require.InDelta(t, 91.75, f.Every, 0.01)
	require.Equal(t, "normal theory", f.Method)
	f, err = nelson.FalseAlarms()
	require.NoError(t, err)
	require.InDelta(t, 73.6, f.Every, 6) // fixture 07: 73.6 +/- 0.6, simulated in R
	require.Contains(t, f.Method, "simulated")
	empty := chart(t, nil, Options{Kind: C})
	one, unknown, err := FalseAlarmsPerYear([]View{{two, 12}})
	require.NoError(t, err)
	require.Zero(t, unknown)
	many, unknown, err := FalseAlarmsPerYear([]View{{two, 12}, {two, 12}, {western, 12}, {empty, 12}})
	require.NoError(t, err)
	require.Equal(t, 1, unknown)
	require.InDelta(t, 2*one+12/91.75, many, 1e-3)
	f, err = chart(t, p, Options{Kind: C, Center: &center, Rules: []Rule{}}).FalseAlarms()
	require.NoError(t, err)
	require.False(t, f.Defined)
}
