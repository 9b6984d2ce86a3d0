package spc

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Lucas (1985), tables 2 to 5, as quoted in R's spc ?pois.cusum.arl: k 0.25,
// h 10, mean 0.25.
func TestCusumDesign_ARL_published(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		side  Side
		start float64
		want  float64
	}{{Above, 0, 438}, {Above, 5, 333}, {Below, 0, 437}, {Below, 5, 318}} {
		got, err := CusumDesign{Side: c.side, Reference: 0.25, DecisionInterval: 10, HeadStart: c.start}.ARL(0.25)
		require.NoError(t, err)
		require.InDelta(t, c.want, got, 0.5)
	}
}

// simulate runs a CUSUM on drawn counts until it signals.
func simulate(t *testing.T, rng *rand.Rand, d CusumDesign, mean float64) float64 {
	for n := 1.0; ; {
		counts := make([]int, 200)
		for i := range counts {
			counts[i] = drawPoisson(rng, mean)
		}
		c, err := NewCusum(months(counts), CusumOptions{CusumDesign: d})
		require.NoError(t, err)
		if c.First >= 0 {
			return n + float64(c.First)
		}
		n += 200
		d.HeadStart = c.Points[199].Value
	}
}

// A designed CUSUM keeps its promise: seeded simulation of the chart itself,
// four standard errors.
func TestDesignCusum_simulated(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(27, 129))
	for _, c := range []struct{ mean, ratio float64 }{{2, 1.5}, {0.5, 2}, {8, 0.6}, {4, 2}} {
		d, err := DesignCusum(c.mean, c.ratio, 120, false)
		require.NoError(t, err)
		require.GreaterOrEqual(t, d.ARL0, 120.0)
		require.Less(t, d.ARL1, d.ARL0/3)
		const runs = 500
		var sum, squares float64
		for range runs {
			n := simulate(t, rng, d, c.mean)
			sum, squares = sum+n, squares+n*n
		}
		mean := sum / runs
		se := math.Sqrt((squares/runs - mean*mean) / runs)
		require.InDelta(t, d.ARL0, mean, 4*se, "mean %g ratio %g: %+v", c.mean, c.ratio, d)
	}
}

// A head start sees an early change sooner; the decision interval is the least
// that keeps the promise.
func TestDesignCusum(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ mean, ratio float64 }{{0.2, 2}, {1, 1.5}, {6, 0.5}, {30, 1.3}, {200, 1.2}, {5, 0.9}} {
		plain, err := DesignCusum(c.mean, c.ratio, 370, false)
		require.NoError(t, err, "%+v", c)
		fast, err := DesignCusum(c.mean, c.ratio, 370, true)
		require.NoError(t, err)
		require.Less(t, fast.ARL1, plain.ARL1)
		require.Equal(t, plain.DecisionInterval, fast.DecisionInterval)
		m, ok := grid(plain.Reference, plain.DecisionInterval)
		require.True(t, ok)
		smaller := plain
		smaller.DecisionInterval -= 1 / float64(m)
		if smaller.DecisionInterval > 0 {
			less, err := smaller.ARL(c.mean)
			require.NoError(t, err)
			require.Less(t, less, 370.0)
		}
	}
}

func TestNewCusum_gapsExposureRestart(t *testing.T) {
	t.Parallel()
	d := CusumDesign{Side: Above, Reference: 2, DecisionInterval: 5}
	p := months([]int{1, 4, 4, 9, 3}, 100)
	c, err := NewCusum(p, CusumOptions{CusumDesign: d})
	require.NoError(t, err)
	require.Equal(t, 3, c.First)
	require.Equal(t, 1, c.Since) // the sum last stood at 0 in the first month
	require.Equal(t, []int{3, 4}, c.Signals)
	// Weighing by equal exposure changes nothing.
	u, err := NewCusum(p, CusumOptions{CusumDesign: d, Base: 100})
	require.NoError(t, err)
	for i := range p {
		require.Equal(t, c.Points[i].Value, u.Points[i].Value)
	}
	// A month without hours leaves the sum alone.
	p[3].Exposure = 0
	u, err = NewCusum(p, CusumOptions{CusumDesign: d, Base: 100})
	require.NoError(t, err)
	require.True(t, u.Points[3].Missing)
	require.Equal(t, u.Points[2].Value, u.Points[3].Value)
	r, err := NewCusum(p, CusumOptions{CusumDesign: d, Restart: true})
	require.NoError(t, err)
	require.Equal(t, []int{3}, r.Signals)
	none, err := NewCusum(nil, CusumOptions{CusumDesign: d})
	require.NoError(t, err)
	require.Equal(t, -1, none.First)
}

func TestCusumReference_limit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := math.Exp(rapid.Float64Range(-5, 10).Draw(t, "log a"))
		b := math.Exp(rapid.Float64Range(-5, 10).Draw(t, "log b"))
		if a == b {
			return
		}
		k, err := CusumReference(a, b)
		require.NoError(t, err)
		require.GreaterOrEqual(t, k, min(a, b)*(1-1e-12))
		require.LessOrEqual(t, k, max(a, b)*(1+1e-12))
		back, err := CusumReference(b, a)
		require.NoError(t, err)
		require.InEpsilon(t, k, back, 1e-6)
	})
}

// The EWMA's run length against a seeded simulation of the chart itself, four
// standard errors and the one per cent of its discretisation.
func TestEwmaDesign_simulated(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(30, 352))
	for _, d := range []EwmaDesign{{Mean: 4, Lambda: 0.2, Width: 2.4}, {Mean: 1, Lambda: 0.3, Width: 2.5}} {
		want, err := d.ARL(d.Mean, d.Mean)
		require.NoError(t, err)
		const runs = 200
		var sum, squares float64
		for range runs {
			counts := make([]int, 1500)
			for i := range counts {
				counts[i] = drawPoisson(rng, d.Mean)
			}
			c, err := NewEwma(months(counts), EwmaOptions{EwmaDesign: d, Asymptotic: true})
			require.NoError(t, err)
			require.NotEmpty(t, c.Signals)
			n := float64(c.Signals[0].At + 1)
			sum, squares = sum+n, squares+n*n
		}
		mean := sum / runs
		se := math.Sqrt((squares/runs - mean*mean) / runs)
		require.InDelta(t, want, mean, 4*se+0.01*want)
	}
}

func TestDesignEwma(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ mean, lambda float64 }{{2, 0.2}, {20, 0.27}} {
		d, err := DesignEwma(c.mean, c.lambda, 370)
		require.NoError(t, err)
		v, err := d.ARL(c.mean, c.mean)
		require.NoError(t, err)
		require.GreaterOrEqual(t, v, 370.0)
		require.Less(t, v, 460.0, "%+v", d)
	}
}

// Rates over equal exposure are counts rescaled, and so are their limits.
func TestNewEwma_exposure(t *testing.T) {
	t.Parallel()
	p := months([]int{3, 5, 4, 9, 1}, 50_000)
	a, err := NewEwma(p, EwmaOptions{EwmaDesign: EwmaDesign{Mean: 4, Lambda: 0.2, Width: 2.7}})
	require.NoError(t, err)
	b, err := NewEwma(p, EwmaOptions{EwmaDesign: EwmaDesign{Mean: 16, Lambda: 0.2, Width: 2.7}, Base: 200_000})
	require.NoError(t, err)
	for i := range p {
		require.InEpsilon(t, 4*a.Points[i].Value, b.Points[i].Value, 1e-12)
		require.InEpsilon(t, 4*a.Points[i].UCL, b.Points[i].UCL, 1e-12)
	}
	p[1].Exposure = 0
	b, err = NewEwma(p, EwmaOptions{EwmaDesign: EwmaDesign{Mean: 16, Lambda: 0.2, Width: 2.7}, Base: 200_000})
	require.NoError(t, err)
	require.True(t, b.Points[1].Missing)
}

func TestCusumAndEwma_nameTheArgument(t *testing.T) {
	t.Parallel()
	ok := CusumDesign{Side: Above, Reference: 1, DecisionInterval: 4}
	awkward := CusumDesign{Side: Above, Reference: math.Pi, DecisionInterval: 4}
	for name, err := range map[string]error{
		"side":              second(CusumDesign{}.ARL(1)),
		"reference":         second(awkward.ARL(1)),
		"decision interval": second(NewCusum(nil, CusumOptions{CusumDesign: CusumDesign{Side: Above, Reference: 1}})),
		"head start":        second(CusumDesign{Side: Below, Reference: 1, DecisionInterval: 2, HeadStart: 2}.ARL(1)),
		"mean":              second(ok.ARL(math.NaN())),
		"ratio":             second(DesignCusum(4, 1.05, 100, false)),
		"arl0":              second(DesignCusum(4, 2, 1e9, false)),
		"lambda":            second(EwmaDesign{Mean: 4, Width: 3}.ARL(4, 4)),
		"width":             second(NewEwma(nil, EwmaOptions{EwmaDesign: EwmaDesign{Mean: 4, Lambda: 0.2}})),
		"start":             second(EwmaDesign{Mean: 4, Lambda: 0.2, Width: 3}.ARL(4, 40)),
		"base":              second(NewCusum(nil, CusumOptions{CusumDesign: ok, Base: -1})),
		"rejectable":        second(CusumReference(2, 2)),
	} {
		require.ErrorIs(t, err, dist.ErrDomain, name)
		require.ErrorContains(t, err, name+" = ")
	}
	// An interval that rounds to no state at all.
	_, err := CusumDesign{Side: Above, Reference: 1, DecisionInterval: 9e-10}.ARL(1)
	require.ErrorIs(t, err, dist.ErrDomain)
	require.ErrorContains(t, err, "decision interval = ")
}

func FuzzCusum(f *testing.F) {
	f.Add(2.0, 1.5, 100.0, 0.2, 3, 50.0)
	f.Add(0.01, 10.0, 2.0, 1.0, 0, 1e-9)
	f.Fuzz(func(t *testing.T, mean, ratio, target, lambda float64, count int, base float64) {
		finite := func(vs ...float64) {
			for _, v := range vs {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%v", vs)
				}
			}
		}
		if target < 500 && mean < 50 {
			if d, err := DesignCusum(mean, ratio, target, count%2 == 0); err == nil {
				finite(d.Reference, d.DecisionInterval, d.HeadStart, d.ARL0, d.ARL1)
			}
		}
		d := CusumDesign{Side: Above, Reference: mean, DecisionInterval: target, HeadStart: lambda}
		if c, err := NewCusum(months([]int{count, 0, count}, base), CusumOptions{CusumDesign: d, Base: base}); err == nil {
			for _, p := range c.Points {
				finite(p.Value, p.Expected)
			}
		}
		e := EwmaDesign{Mean: mean, Lambda: lambda, Width: ratio}
		if c, err := NewEwma(months([]int{count, 0, count}, base), EwmaOptions{EwmaDesign: e, Base: base}); err == nil {
			for _, p := range c.Points {
				finite(p.Value, p.UCL, p.LCL, p.Z)
			}
		}
		if v, err := CusumReference(mean, ratio); err == nil {
			finite(v)
		}
	})
}

func BenchmarkDesignCusum(b *testing.B) {
	for b.Loop() {
		_, err := DesignCusum(3, 1.5, 370, true)
		require.NoError(b, err)
	}
}
