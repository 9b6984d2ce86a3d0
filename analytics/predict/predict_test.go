package predict

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// R 4.2.2, stats::pnbinom and stats::qnbinom; the first two rows are also in
// fixture 15.
func TestNext_published(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		prior          Prior
		count          int
		exposure, next float64
		target         int
		atMost         float64
		q05, q50, q95  int
	}{
		{Prior{0.5, 0}, 9, 24, 12, 4, 0.513247990179402, 1, 4, 10},
		{Prior{0.822965, 1.261653}, 5, 94.3, 50, 3, 0.642025798468791, 0, 3, 7},
		// pnbinom(2, 0.5, 100000/300000); qnbinom(c(.05, .5, .95), 0.5, 1/3)
		{Jeffreys(), 0, 100_000, 200_000, 2, 0.866025403784439, 0, 0, 4},
	} {
		f, err := Next(c.prior, c.count, c.exposure, c.next)
		require.NoError(t, err)
		require.True(t, f.Defined)
		require.InEpsilon(t, c.atMost, f.AtMost(c.target), 1e-10)
		for p, want := range map[float64]int{0.05: c.q05, 0.5: c.q50, 0.95: c.q95} {
			got, err := f.Quantile(p)
			require.NoError(t, err)
			require.Equal(t, want, got, "quantile %g of %+v", p, c)
		}
	}
}

// The forecast is an average of Poisson forecasts over the rates that the past
// leaves possible; here the average is taken by plain simulation.
func TestNext_isAPoissonOfAnUncertainRate(t *testing.T) {
	t.Parallel()
	f, err := Next(Jeffreys(), 3, 2, 1)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(15, 1))
	const draws = 200_000
	at := 0
	for range draws {
		// Gamma(3.5, 2) as half a chi-square with seven degrees of freedom.
		rate := 0.0
		for range 7 {
			z := r.NormFloat64()
			rate += z * z
		}
		rate /= 4
		n, sum := 0, r.ExpFloat64()
		for sum <= rate {
			n++
			sum += r.ExpFloat64()
		}
		if n <= 1 {
			at++
		}
	}
	got := f.AtMost(1)
	se := math.Sqrt(got * (1 - got) / draws)
	require.InDelta(t, float64(at)/draws, got, 4*se)
}

// What is called an 80 % range holds the next count at least that often when
// the rate was itself drawn from the prior, which is what a forecast promises.
func TestRange_coverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(15, 2))
	prior := Prior{Shape: 2, Rate: 1}
	const trials = 4000
	in := 0
	for range trials {
		rate := r.ExpFloat64() + r.ExpFloat64() // gamma with shape 2, rate 1
		past, next := draw(r, rate*3), draw(r, rate*2)
		f, err := Next(prior, past, 3, 2)
		require.NoError(t, err)
		lo, hi, err := f.Range(0.8)
		require.NoError(t, err)
		if next >= lo && next <= hi {
			in++
		}
	}
	share := float64(in) / trials
	t.Logf("80 %% range held %.1f %% of %d counts", 100*share, trials)
	require.Greater(t, share, 0.8-4*math.Sqrt(0.8*0.2/trials))
	require.Less(t, share, 0.93) // whole counts make it hold a little more, not everything
}

func draw(r *rand.Rand, mean float64) int {
	n := 0
	for sum := r.ExpFloat64(); sum <= mean; sum += r.ExpFloat64() {
		n++
	}
	return n
}

func TestForecast_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.IntRange(0, 100_000).Draw(t, "count")
		exposure := math.Exp(rapid.Float64Range(-5, 20).Draw(t, "log exposure"))
		share := math.Exp(rapid.Float64Range(-5, 3).Draw(t, "log share"))
		f, err := Next(Jeffreys(), count, exposure, exposure*share)
		require.NoError(t, err)
		// Only the ratio of the exposures matters: the unit does not.
		g, err := Next(Jeffreys(), count, exposure*7, exposure*share*7)
		require.NoError(t, err)
		k := rapid.IntRange(0, 2*count+10).Draw(t, "k")
		require.InDelta(t, f.AtMost(k), g.AtMost(k), 1e-9)
		require.InDelta(t, 1, f.AtMost(k)+f.MoreThan(k), 1e-9)
		require.InDelta(t, f.AtMost(k), f.Below(k)+f.Exactly(k), 1e-9)
		require.LessOrEqual(t, f.AtMost(k), f.AtMost(k+1))
		p := rapid.Float64Range(0, 0.999).Draw(t, "p")
		q, err := f.Quantile(p)
		require.NoError(t, err)
		require.GreaterOrEqual(t, f.AtMost(q), p-1e-12)
		require.Less(t, f.Below(q), p+1e-12)
	})
}

// More past with the same rate brings the forecast closer to the one that
// takes the rate as known.
func TestNext_tendsToKnownRate(t *testing.T) {
	t.Parallel()
	known, err := KnownRate(4.5)
	require.NoError(t, err)
	require.InEpsilon(t, 0.532103576374716, known.AtMost(4), 1e-12) // R stats::ppois(4, 4.5); fixture 15
	last := math.Inf(1)
	for _, years := range []float64{1, 10, 100, 1000, 100_000} {
		f, err := Next(Jeffreys(), int(4.5*years), years, 1)
		require.NoError(t, err)
		gap := math.Abs(f.AtMost(4) - known.AtMost(4))
		require.Less(t, gap, last)
		last = gap
	}
	require.Less(t, last, 1e-4)
}

func TestNext_undefined(t *testing.T) {
	t.Parallel()
	for name, f := range map[string]func() (Forecast, error){
		"no hours so far":   func() (Forecast, error) { return Next(Jeffreys(), 0, 0, 12) },
		"coming period has": func() (Forecast, error) { return Next(Jeffreys(), 3, 24, 0) },
	} {
		got, err := f()
		require.NoError(t, err)
		require.False(t, got.Defined)
		require.Contains(t, got.Reason, name)
		require.Zero(t, got.AtMost(1)+got.MoreThan(1)+got.Exactly(0)+got.Below(1))
		_, err = got.Quantile(0.5)
		require.ErrorIs(t, err, dist.ErrDomain)
	}
	// No case in some hours is no reason to be undefined.
	f, err := Next(Jeffreys(), 0, 36, 12)
	require.NoError(t, err)
	require.True(t, f.Defined)
	require.Less(t, f.Exactly(0), 1.0)
}

func TestNext_namesTheArgument(t *testing.T) {
	t.Parallel()
	ok := Jeffreys()
	for _, c := range []struct {
		name string
		err  error
	}{
		{"count", second(Next(ok, -1, 1, 1))},
		{"exposure", second(Next(ok, 1, math.NaN(), 1))},
		{"exposure", second(Next(ok, 1, 1e-12, 1))},
		{"next exposure", second(Next(ok, 1, 1, math.Inf(1)))},
		{"next exposure", second(Next(ok, 1e8, 1e-9, 1e9))},
		{"prior shape", second(Next(Prior{}, 1, 1, 1))},
		{"prior rate", second(Next(Prior{1, -1}, 1, 1, 1))},
		{"mean", second(KnownRate(-1))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain)
		var d *dist.DomainError
		require.True(t, errors.As(c.err, &d))
		require.Equal(t, c.name, d.Arg)
	}
	f, err := KnownRate(2)
	require.NoError(t, err)
	_, err = f.Quantile(1)
	require.ErrorContains(t, err, "p = 1")
	_, _, err = f.Range(0.2)
	require.ErrorContains(t, err, "level = 0.2")
}

func second[T any](_ T, err error) error { return err }

func FuzzNext(f *testing.F) {
	f.Add(0.5, 0.0, 9, 24.0, 12.0, 4, 0.95)
	f.Add(1e-300, 1e15, 100_000_000, 1e-9, 1e15, math.MaxInt, 1.0)
	f.Add(1e-12, 1e-9, 0, 0.0, 1e15, math.MinInt, 0.0)
	f.Fuzz(func(t *testing.T, shape, rate float64, count int, exposure, next float64, k int, p float64) {
		got, err := Next(Prior{shape, rate}, count, exposure, next)
		if err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
			return
		}
		for _, x := range []float64{got.Mean, got.Variance, got.PostShape, got.PostRate} {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", got)
		}
		for _, x := range []float64{got.AtMost(k), got.Below(k), got.MoreThan(k), got.Exactly(k)} {
			require.True(t, x >= 0 && x <= 1, "%v at %d of %+v", x, k, got)
		}
		if q, err := got.Quantile(p); err == nil {
			require.GreaterOrEqual(t, q, 0)
		}
	})
}

// Nine lost-time injuries in two years: a target of "at most four" next year is
// met by luck alone in about half of all years in which nothing changes.
func ExampleNext() {
	f, err := Next(Jeffreys(), 9, 24, 12) // months
	if err != nil {
		fmt.Println(err)
		return
	}
	lo, hi, err := f.Range(0.9)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("at most 4: %.0f %%; expect %.1f, and anything from %d to %d would fit\n", 100*f.AtMost(4), f.Mean, lo, hi)
	// Output: at most 4: 51 %; expect 4.8, and anything from 1 to 10 would fit
}
