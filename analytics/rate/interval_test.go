package rate

import (
	"math"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Garwood limits as printed: 10 at 95 % in Garwood (1936) and Ulm (1990); 25 at
// 90, 95 and 99 % on the GraphPad QuickCalcs help page "confidence interval of
// a count". Tolerance: half a unit of the last place printed.
func TestPoissonInterval_published(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		count       int
		level       float64
		lo, hi, tol float64
	}{
		{10, 0.95, 4.7954, 18.3904, 5e-5},
		{25, 0.90, 17.38, 34.92, 5e-3},
		{25, 0.95, 16.18, 36.90, 5e-3},
		{25, 0.99, 14.00, 41.00, 5e-3},
	} {
		lo, hi, err := PoissonInterval(c.count, c.level)
		require.NoError(t, err)
		require.InDelta(t, c.lo, lo, c.tol)
		require.InDelta(t, c.hi, hi, c.tol)
	}
}

// covered returns the exact probability that an interval made from a Poisson
// count covers its mean, by summing over all counts that matter.
func covered(t *testing.T, mean float64, f func(int) (float64, float64, error)) float64 {
	d, err := dist.NewPoisson(mean)
	require.NoError(t, err)
	top, err := d.UpperQuantile(1e-12)
	require.NoError(t, err)
	var p float64
	for k := range top + 1 {
		lo, hi, err := f(k)
		require.NoError(t, err)
		if lo <= mean && mean <= hi {
			p += d.PMF(k)
		}
	}
	return p
}

// The exact interval never covers less than its level at any mean: checked by
// enumeration, which beats simulation. Mid-P covers it on average and may dip.
func TestIntervals_coverage(t *testing.T) {
	t.Parallel()
	for _, level := range []float64{0.9, 0.95, 0.99} {
		var midp, n float64
		for mean := 0.02; mean < 40; mean *= 1.013 {
			got := covered(t, mean, func(k int) (float64, float64, error) { return PoissonInterval(k, level) })
			require.GreaterOrEqual(t, got, level-1e-9, "mean %g", mean)
			if mean >= 2 { // below, zero cases are so likely that every interval covers
				midp += covered(t, mean, func(k int) (float64, float64, error) { return MidPInterval(k, level) })
				n++
			}
		}
		require.InDelta(t, level, midp/n, 0.025, "mid-P on average, level %g", level)
	}
}

func TestIntervals_nest(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(0, 100_000).Draw(t, "count")
		level := rapid.Float64Range(0.5, 0.9999).Draw(t, "level")
		lo, hi, err := PoissonInterval(k, level)
		require.NoError(t, err)
		mlo, mhi, err := MidPInterval(k, level)
		require.NoError(t, err)
		require.LessOrEqual(t, lo, mlo)
		require.LessOrEqual(t, mlo, float64(k))
		require.GreaterOrEqual(t, hi, mhi)
		require.GreaterOrEqual(t, mhi, float64(k))
		blo, bhi, err := ByarInterval(k, level)
		require.NoError(t, err)
		if k >= 10 {
			require.InEpsilon(t, hi, bhi, 0.01)
			require.InDelta(t, lo, blo, 0.01*hi)
		}
		wlo, whi, err := WilsonInterval(k, float64(k)+rapid.Float64Range(0.001, 1e9).Draw(t, "rest"), level)
		require.NoError(t, err)
		require.LessOrEqual(t, wlo, float64(k)*(1+1e-9))
		require.GreaterOrEqual(t, whi*(1+1e-9), float64(k))
	})
}

// The central p-value is at most 1-level exactly when the exact interval leaves
// the mean out; the same holds for the mid-P pair.
func TestTestMean_agreesWithItsInterval(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(0, 300).Draw(t, "count")
		mean := rapid.Float64Range(0, 400).Draw(t, "mean")
		level := rapid.SampledFrom([]float64{0.9, 0.95, 0.99}).Draw(t, "level")
		p, err := TestMean(k, mean)
		require.NoError(t, err)
		for _, m := range []Method{Garwood, MidP} {
			lo, hi, err := m.interval(k, 1, level)
			require.NoError(t, err)
			if v := p.For(m); math.Abs(v-(1-level)) > 1e-9 {
				require.Equal(t, v < 1-level, mean < lo || mean > hi, "%s: p %g, %g to %g", m, v, lo, hi)
			}
		}
	})
}

// R 4.2.2 poisson.test(c(137), 24.19893) and statsmodels' test of exactci for
// 15 in 400 against 0.05 are in fixture 01; these are the ends of the domain.
func TestTestMean_degenerate(t *testing.T) {
	t.Parallel()
	p, err := TestMean(0, 0)
	require.NoError(t, err)
	require.Equal(t, 1.0, p.Central)
	require.Equal(t, 1.0, p.MinLike)
	p, err = TestMean(3, 0)
	require.NoError(t, err)
	require.Zero(t, p.Central)
	require.Zero(t, p.MinLike)
	_, err = TestMean(-1, 1)
	require.ErrorContains(t, err, "count = -1")
	_, err = TestMean(1, math.NaN())
	require.ErrorContains(t, err, "mean = NaN")
}

func FuzzIntervals(f *testing.F) {
	f.Add(0, 1.0, 0.95, 1e6)
	f.Add(999_999_999, 1e15, 1-1e-12, 1e-300)
	f.Fuzz(func(t *testing.T, count int, exposure, level, base float64) {
		for _, m := range []Method{Garwood, MidP, Byar, Wilson} {
			r, err := Of(count, exposure, base, Options{Level: level, Method: m})
			if err != nil {
				continue
			}
			for _, v := range []float64{r.Value, r.Lo, r.Hi} {
				if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
					t.Fatalf("%s of %d in %g: %+v", m, count, exposure, r)
				}
			}
			if r.Defined == (r.Reason != "") || r.Lo > r.Hi {
				t.Fatalf("%+v", r)
			}
		}
		if p, err := TestMean(count, exposure); err == nil {
			for _, v := range []float64{p.Less, p.Greater, p.Central, p.MinLike, p.MidP, p.MidPLess, p.MidPGreater} {
				if !(v >= -1e-12 && v <= 1+1e-9) {
					t.Fatalf("%d against %g: %+v", count, exposure, p)
				}
			}
		}
		if s, err := MeanBetween(count, exposure, level); err == nil && (math.IsNaN(s.Value) || math.IsInf(s.Lo, 0) || math.IsInf(s.Hi, 0)) {
			t.Fatalf("%+v", s)
		}
	})
}
