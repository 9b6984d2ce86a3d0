package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func months(counts []int, hours ...float64) []Period {
	p := make([]Period, len(counts))
	for i, c := range counts {
		p[i] = Period{Label: fmt.Sprintf("month %d", i+1), Count: c}
		if len(hours) > 0 {
			p[i].Exposure = hours[i%len(hours)]
		}
	}
	return p
}

func chart(t require.TestingT, p []Period, o Options) Chart {
	c, err := New(p, o)
	require.NoError(t, err)
	return c
}

// NIST/SEMATECH e-Handbook 6.3.3.1: centre 16, limits 4 and 28. Wafer 3 lies on
// the upper limit and is not out; wafer 24, at 31, is.
func TestNew_onTheLimitIsNotOut(t *testing.T) {
	t.Parallel()
	wafers := []int{16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13}
	c := chart(t, months(wafers), Options{Kind: C})
	require.Equal(t, 16.0, c.Center)
	require.Equal(t, Within, c.Points[2].Beyond)
	require.Equal(t, []Signal{{Rule: BeyondLimits, Side: Above, Points: []int{23}, At: 23}}, c.Signals)
	// The same counts over any equal exposure are the same chart: rounding of
	// the rate must not push wafer 3 out.
	for _, hours := range []float64{3, 7, 0.3, 41_300, 1e-3} {
		u := chart(t, months(wafers, hours), Options{Kind: U, Base: 200_000})
		require.Equal(t, c.Signals, u.Signals, "hours %g", hours)
	}
}

func TestNew_missingHoursAreAGap(t *testing.T) {
	t.Parallel()
	p := months([]int{3, 0, 4, 2, 5}, 100, 0, 100, 100, 100)
	p[3].Missing = true
	c := chart(t, p, Options{Kind: U})
	require.True(t, c.Points[1].Missing)
	require.Equal(t, "no hours", c.Points[1].Why)
	require.Equal(t, "not known", c.Points[3].Why)
	require.InDelta(t, 12.0/300, c.Center, 1e-15)
	require.Contains(t, c.Notes, "1 period left out as gaps: no hours.")
	p[1].Count = 2
	c = chart(t, p, Options{Kind: U})
	require.Equal(t, "cases but no hours", c.Points[1].Why)
}

func TestNew_runEndsOnCentreGapAndPhase(t *testing.T) {
	t.Parallel()
	five := 5.0
	run := func(mutate func([]Period) Options) int {
		p := months([]int{6, 6, 6, 6, 6, 6, 6, 6, 4})
		o := mutate(p)
		o.Kind, o.Center = C, &five
		n := 0
		for _, s := range chart(t, p, o).Signals {
			require.Equal(t, RunOneSide, s.Rule)
			require.Equal(t, 7, s.At)
			require.Len(t, s.Points, 8)
			n++
		}
		return n
	}
	require.Equal(t, 1, run(func([]Period) Options { return Options{} }))
	require.Equal(t, 0, run(func(p []Period) Options { p[4].Count = 5; return Options{} }))
	require.Equal(t, 0, run(func(p []Period) Options { p[4].Missing = true; return Options{} }))
	require.Equal(t, 0, run(func([]Period) Options { return Options{Phases: []PhaseStart{{At: 4}}} }))
	require.Equal(t, 0, run(func([]Period) Options { return Options{RunLength: RunLength{Above: 9}} }))
	require.Equal(t, 1, run(func([]Period) Options { return Options{RunLength: RunLength{Below: 9}} }))
	require.Equal(t, 0, run(func([]Period) Options { return Options{Rules: []Rule{}} }))
}

// A frozen baseline does not drink up a later rise, and a recorded decision
// starts a new centre.
func TestNew_baselineAndPhases(t *testing.T) {
	t.Parallel()
	counts := append(repeat(10, 24), repeat(16, 12)...)
	c := chart(t, months(counts), Options{Kind: C, Baseline: 24})
	require.Equal(t, 10.0, c.Center)
	require.Equal(t, 24, c.Phases[0].Periods)
	require.Equal(t, 23, c.Phases[0].BaselineLast)
	require.Len(t, c.Signals, 1)
	require.Equal(t, 31, c.Signals[0].At)
	require.Len(t, c.Signals[0].Points, 12)

	c = chart(t, months(counts), Options{Kind: C, Baseline: 24, Phases: []PhaseStart{{At: 24, Note: "new mower fleet"}}})
	require.Empty(t, c.Signals)
	require.Equal(t, 16.0, c.Center)
	require.Equal(t, "new mower fleet", c.Phases[1].Note)
	require.Equal(t, 1, c.Points[24].Phase)
	require.Equal(t, 10.0, c.Points[23].Center)
}

func repeat(x, n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = x
	}
	return out
}

// A baseline without cases sets no limits: the first case after it is no
// signal by itself.
func TestNew_noCasesNoLimits(t *testing.T) {
	t.Parallel()
	for _, l := range []LimitKind{Sigma, Probability} {
		c := chart(t, months(append(repeat(0, 24), 1, 2)), Options{Kind: C, Limits: l, Baseline: 24})
		require.Empty(t, c.Signals)
		require.False(t, c.Points[24].HasUCL)
	}
	require.Empty(t, chart(t, nil, Options{Kind: U}).Points)
	c := chart(t, months([]int{0, 0}, 0), Options{Kind: U})
	require.False(t, c.Phases[0].Defined)
	require.Empty(t, c.Signals)
}

func TestNew_npAndP(t *testing.T) {
	t.Parallel()
	p := months([]int{3, 5, 2, 6}, 50)
	np, share := chart(t, p, Options{Kind: NP}), chart(t, p, Options{Kind: P})
	for i := range p {
		require.InDelta(t, share.Points[i].UCL*50, np.Points[i].UCL, 1e-12)
		require.InDelta(t, share.Points[i].Value*50, np.Points[i].Value, 1e-12)
		require.Equal(t, share.Points[i].Beyond, np.Points[i].Beyond)
	}
	p[2].Exposure = 40
	_, err := New(p, Options{Kind: NP})
	require.ErrorContains(t, err, "use a p chart")
	// Montgomery, orange juice cans: 30 samples of 50 have p-bar 0.2313 and
	// limits 0.0524 and 0.4102 (from memory; 347 nonconforming of 1,500).
	center := 347.0 / 1500
	c := chart(t, months([]int{12, 24, 2}, 50), Options{Kind: P, Center: &center})
	require.InDelta(t, 0.4102, c.Points[0].UCL, 5e-5)
	require.InDelta(t, 0.0524, c.Points[0].LCL, 5e-5)
	require.Equal(t, []Side{Within, Above, Below}, []Side{c.Points[0].Beyond, c.Points[1].Beyond, c.Points[2].Beyond})
}

// Probability limits keep their promise for every exposure, and a point is
// beyond exactly when its count is.
func TestNew_probabilityLimitsFollowExposure(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "n")
		p := make([]Period, n)
		for i := range p {
			p[i] = Period{Count: rapid.IntRange(0, 60).Draw(t, "count"), Exposure: rapid.Float64Range(1, 1e6).Draw(t, "hours")}
		}
		tail := rapid.SampledFrom([]float64{0.00135, 0.005, 0.025}).Draw(t, "tail")
		c := chart(t, p, Options{Kind: U, Limits: Probability, Tail: tail, Base: 1000})
		for i, q := range c.Points {
			if q.Sigma == 0 {
				continue
			}
			d, err := dist.NewPoisson(c.Center * p[i].Exposure / 1000)
			require.NoError(t, err)
			switch q.Beyond {
			case Above:
				require.LessOrEqual(t, d.Survival(q.Count), tail)
			case Below:
				require.LessOrEqual(t, d.CDF(q.Count), tail)
			default:
				require.Greater(t, d.Survival(q.Count), tail*(1-1e-9))
				require.Greater(t, d.CDF(q.Count), tail*(1-1e-9))
			}
		}
	})
}

// Scaling hours and base together leaves the chart as it is; scaling hours
// alone scales centre and limits and moves no signal.
func TestNew_scales(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 30).Draw(t, "n")
		f := rapid.Float64Range(1e-3, 1e3).Draw(t, "factor")
		a, b := make([]Period, n), make([]Period, n)
		for i := range a {
			a[i] = Period{Count: rapid.IntRange(0, 40).Draw(t, "count"), Exposure: float64(rapid.IntRange(1, 1_000_000).Draw(t, "hours"))}
			b[i] = Period{Count: a[i].Count, Exposure: a[i].Exposure * f}
		}
		o := Options{Kind: rapid.SampledFrom([]Kind{U, LaneyU}).Draw(t, "kind"), Base: 200_000}
		x := chart(t, a, o)
		y := chart(t, b, o)
		require.InEpsilon(t, x.Center+1e-300, y.Center*f+1e-300, 1e-9)
		require.Equal(t, x.Signals, y.Signals)
		for i := range x.Points {
			require.InDelta(t, x.Points[i].UCL, y.Points[i].UCL*f, 1e-9*(1+x.Points[i].UCL))
		}
	})
}

// In control, the chance of a point beyond exact limits is what enumeration
// says it is. 60,000 seeded months, accepted within four standard errors.
func TestNew_falseAlarmsSimulated(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(20, 24))
	for _, mean := range []float64{2, 5, 12} {
		for _, o := range []Options{{Kind: C, Center: &mean}, {Kind: C, Center: &mean, Limits: Probability}} {
			o.Rules = []Rule{BeyondLimits}
			l, err := SigmaLimits(mean, 3)
			if o.Limits == Probability {
				l, err = ProbabilityLimits(mean, 0.00135)
			}
			require.NoError(t, err)
			const n = 60_000
			counts := make([]int, n)
			for i := range counts {
				counts[i] = drawPoisson(rng, mean)
			}
			p := l.PAbove + l.PBelow
			got := float64(len(chart(t, months(counts), o).Signals)) / n
			require.InDelta(t, p, got, 4*math.Sqrt(p*(1-p)/n), "mean %g limits %s", mean, o.Limits)
		}
	}
}

// drawPoisson multiplies uniforms (Knuth): slow, and plainly right.
func drawPoisson(rng *rand.Rand, mean float64) int {
	limit, k := math.Exp(-mean), 0
	for p := rng.Float64(); p > limit; p *= rng.Float64() {
		k++
	}
	return k
}

func TestNew_namesTheArgument(t *testing.T) {
	t.Parallel()
	bad := math.NaN()
	for name, f := range map[string]func() error{
		"kind":                       func() error { _, err := New(nil, Options{}); return err },
		"limits":                     func() error { _, err := New(nil, Options{Kind: LaneyU, Limits: Probability}); return err },
		"tail":                       func() error { _, err := New(nil, Options{Kind: C, Tail: 0.7}); return err },
		"center":                     func() error { _, err := New(nil, Options{Kind: C, Center: &bad}); return err },
		"rules[0]":                   func() error { _, err := New(nil, Options{Kind: C, Rules: []Rule{"hunch"}}); return err },
		"periods[1] count":           func() error { _, err := New(months([]int{1, -1}), Options{Kind: C}); return err },
		"periods[0] exposure":        func() error { _, err := New(months([]int{1}, math.Inf(1)), Options{Kind: U}); return err },
		"periods[0] number examined": func() error { _, err := New(months([]int{5}, 4), Options{Kind: P}); return err },
		"exclude[0]":                 func() error { _, err := New(months([]int{5}), Options{Kind: C, Exclude: []int{1}}); return err },
		"phases[0]": func() error {
			_, err := New(months([]int{5}), Options{Kind: C, Phases: []PhaseStart{{At: 0}}})
			return err
		},
	} {
		err := f()
		require.ErrorIs(t, err, dist.ErrDomain, name)
		require.ErrorContains(t, err, name+" = ")
	}
}

func FuzzNew(f *testing.F) {
	f.Add(3, 5, 100.0, 200.0, 1.0, 2, uint8(0))
	f.Add(0, 0, 0.0, 1e15, 1e-9, 1, uint8(7))
	f.Fuzz(func(t *testing.T, a, b int, x, y, base float64, baseline int, kind uint8) {
		kinds := []Kind{C, U, NP, P, LaneyU, LaneyP}
		o := Options{Kind: kinds[int(kind)%len(kinds)], Base: base, Baseline: baseline}
		if kind&64 != 0 {
			o.Limits = Probability
		}
		p := months([]int{a, b, a, b, b}, x, y, x, x, y)
		p[2].Missing = kind&128 != 0
		c, err := New(p, o)
		if err != nil {
			return
		}
		for _, q := range c.Points {
			for _, v := range []float64{q.Value, q.Center, q.Sigma, q.Z, q.LCL, q.UCL} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%+v of %+v", q, c)
				}
			}
		}
		_ = c.Verdict(Words{})
		_, _ = Choose(p, base)
	})
}

// BenchmarkNew_exact draws up a u-chart of ten years of months with exact
// limits at 120 different exposures; BenchmarkNew_sigma is its baseline.
func BenchmarkNew_exact(b *testing.B) { benchmarkNew(b, Probability) }

// BenchmarkNew_sigma is the same chart with three-sigma limits.
func BenchmarkNew_sigma(b *testing.B) { benchmarkNew(b, Sigma) }

func benchmarkNew(b *testing.B, l LimitKind) {
	p := make([]Period, 120)
	for i := range p {
		p[i] = Period{Count: i % 9, Exposure: 30_000 + 137*float64(i)}
	}
	for b.Loop() {
		_, err := New(p, Options{Kind: U, Limits: l, Base: 1e6})
		require.NoError(b, err)
	}
}
