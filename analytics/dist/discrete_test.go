package dist

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// drawDiscrete draws one of the distributions of counts, with counts worth
// asking about.
func drawDiscrete(t *rapid.T) (d discrete, k int) {
	var err error
	switch rapid.IntRange(0, 4).Draw(t, "which") {
	case 0:
		n := rapid.IntRange(0, 100_000).Draw(t, "n")
		k = rapid.IntRange(-1, n+1).Draw(t, "k")
		d, err = NewBinomial(n, rapid.Float64Range(0, 1).Draw(t, "p"))
	case 1:
		d, err = NewNegativeBinomial(math.Exp(rapid.Float64Range(-3, 8).Draw(t, "log size")), rapid.Float64Range(1e-4, 1).Draw(t, "p"))
		k = rapid.IntRange(-1, 10_000).Draw(t, "k")
	case 2:
		d, err = NewGeometric(math.Exp(rapid.Float64Range(-18, 0).Draw(t, "log p")))
		k = rapid.IntRange(-1, 1_000_000).Draw(t, "k")
	case 3:
		w, b := rapid.IntRange(0, 500).Draw(t, "white"), rapid.IntRange(0, 500).Draw(t, "black")
		n := rapid.IntRange(0, w+b).Draw(t, "draws")
		k = rapid.IntRange(-1, n+1).Draw(t, "k")
		d, err = NewHypergeometric(w, b, n, math.Exp(rapid.Float64Range(-20, 20).Draw(t, "log odds")))
	default:
		d, err = NewPoisson(rapid.Float64Range(0, 1e5).Draw(t, "mean"))
		k = rapid.IntRange(-1, 200_000).Draw(t, "k")
	}
	require.NoError(t, err)
	return d, k
}

func TestDiscrete_hangsTogether(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d, k := drawDiscrete(t)
		require.InDelta(t, 1, d.CDF(k-1)+d.Survival(k), 1e-11)
		require.InDelta(t, d.PMF(k), d.CDF(k)-d.CDF(k-1), 1e-11)
		require.GreaterOrEqual(t, d.CDF(k), d.CDF(k-1))
		if q, ok := d.(interface{ Quantile(float64) (int, error) }); ok {
			p := rapid.Float64Range(1e-9, 0.999999).Draw(t, "p")
			got, err := q.Quantile(p)
			require.NoError(t, err)
			require.GreaterOrEqual(t, d.CDF(got), p-1e-12)
			require.Less(t, d.CDF(got-1), p+1e-12)
		}
	})
}

// The limiting cases that tie the distributions together: a geometric is a
// negative binomial of size 1; a negative binomial of huge size and a binomial
// of many trials are nearly Poisson; a hypergeometric from a huge urn is nearly
// binomial.
func TestDiscrete_limits(t *testing.T) {
	t.Parallel()
	g, err := NewGeometric(0.03)
	require.NoError(t, err)
	nb1, err := NewNegativeBinomial(1, 0.03)
	require.NoError(t, err)
	p, err := NewPoisson(7.5)
	require.NoError(t, err)
	nb, err := NewNegativeBinomialMean(7.5, 1e9)
	require.NoError(t, err)
	require.InDelta(t, 7.5, nb.Mean(), 1e-9)
	b, err := NewBinomial(1_000_000_000, 7.5e-9)
	require.NoError(t, err)
	h, err := NewHypergeometric(300_000_000, 700_000_000, 20, 1)
	require.NoError(t, err)
	require.InDelta(t, 6, h.Mean(), 1e-6)
	lo, hi := h.Support()
	require.Equal(t, [2]int{0, 20}, [2]int{lo, hi})
	hb, err := NewBinomial(20, 0.3)
	require.NoError(t, err)
	for k := range 40 {
		require.InEpsilon(t, g.PMF(k), nb1.PMF(k), 1e-12)
		require.InEpsilon(t, p.PMF(k), nb.PMF(k), 1e-6)
		require.InEpsilon(t, p.CDF(k), b.CDF(k), 1e-6)
		require.InDelta(t, hb.PMF(k), h.PMF(k), 1e-6)
	}
}

// 11 of 32 at 95 %: the ratio limits 0.858426403391639 and 4.27726594365407 of
// R 4.2.2's poisson.test(c(11, 21), c(800, 3011)) are these limits' odds times
// 3011/800.
func TestBinomialLimits(t *testing.T) {
	t.Parallel()
	lo, hi, err := BinomialLimits(0, 10, 0.025)
	require.NoError(t, err)
	require.Zero(t, lo)
	require.InDelta(t, 1-math.Pow(0.025, 0.1), hi, 1e-14)
	lo, hi, err = BinomialLimits(11, 32, 0.025)
	require.NoError(t, err)
	require.InEpsilon(t, 0.858426403391639, lo/(1-lo)*3011/800, 1e-12)
	require.InEpsilon(t, 4.27726594365407, hi/(1-hi)*3011/800, 1e-12)
	lo, hi, err = BinomialLimits(10, 10, 0.025)
	require.NoError(t, err)
	require.Equal(t, 1.0, hi)
	require.InDelta(t, math.Pow(0.025, 0.1), lo, 1e-14)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 100_000).Draw(t, "n")
		k := rapid.IntRange(0, n).Draw(t, "k")
		tail := rapid.Float64Range(1e-6, 0.5).Draw(t, "tail")
		lo, hi, err := BinomialLimits(k, n, tail)
		require.NoError(t, err)
		if k > 0 {
			d, err := NewBinomial(n, lo)
			require.NoError(t, err)
			require.InEpsilon(t, tail, d.Survival(k), 1e-9)
		}
		if k < n {
			d, err := NewBinomial(n, hi)
			require.NoError(t, err)
			require.InEpsilon(t, tail, d.CDF(k), 1e-6)
		}
	})
}

func TestChiSquareTail(t *testing.T) {
	t.Parallel()
	// exp(-x/2) at two degrees of freedom, by definition.
	p, err := ChiSquareTail(7.4, 2)
	require.NoError(t, err)
	require.InEpsilon(t, math.Exp(-3.7), p, 1e-13)
	_, err = ChiSquareTail(math.NaN(), 2)
	require.ErrorContains(t, err, "x = NaN")
	_, err = ChiSquareTail(1, 0)
	require.ErrorContains(t, err, "df = 0")
}

func FuzzDiscrete(f *testing.F) {
	f.Add(5, 7, 6, 1.0, 0.3)
	f.Add(1<<40, -1, 3, 1e300, 1e-300)
	f.Fuzz(func(t *testing.T, a, b, k int, x, p float64) {
		var ds []discrete
		if d, err := NewBinomial(a, p); err == nil {
			ds = append(ds, d)
		}
		if d, err := NewNegativeBinomial(x, p); err == nil {
			ds = append(ds, d)
		}
		if d, err := NewNegativeBinomialMean(x, p); err == nil {
			ds = append(ds, d)
		}
		if d, err := NewGeometric(p); err == nil {
			ds = append(ds, d)
		}
		if a < 10_000 && b < 10_000 {
			if d, err := NewHypergeometric(a, b, k, x); err == nil {
				ds = append(ds, d)
			}
		}
		for _, d := range ds {
			for _, v := range []float64{d.PMF(k), d.CDF(k), d.Survival(k)} {
				if !(v >= 0 && v <= 1+1e-11) {
					t.Fatalf("%#v at %d: %g is no probability", d, k, v)
				}
			}
			if q, ok := d.(interface{ Quantile(float64) (int, error) }); ok {
				_, _ = q.Quantile(p)
			}
		}
	})
}
