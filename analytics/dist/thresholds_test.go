package dist

import (
	"math"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The memo gives what the distribution itself gives, on the steps, beside them
// and far out.
func TestThresholds_areTheDirectOnes(t *testing.T) {
	t.Parallel()
	for _, tail := range []float64{0.00135, 0.025, 1e-6, 0.5} {
		m, err := NewThresholds(tail)
		require.NoError(t, err)
		require.Equal(t, tail, m.Tail())
		same := func(t require.TestingT, mean float64) {
			d, err := NewPoisson(mean)
			require.NoError(t, err)
			lower, err := d.LowerLimit(tail)
			require.NoError(t, err)
			upper, err := d.UpperQuantile(tail)
			require.NoError(t, err)
			l, u, err := m.Limits(mean)
			require.NoError(t, err)
			require.Equal(t, [2]int{lower, upper}, [2]int{l, u}, "mean %g, tail %g", mean, tail)
		}
		for _, mean := range []float64{0, 1e-300, 1e-9, 0.5, 6.6076506865318, 9, 62, 64, 65, 500, 3800, 4000, 4096, 5000, 1e6, 1e9} {
			same(t, mean)
		}
		for n := range 400 {
			for _, step := range []float64{gammaLower(float64(n)+1, tail), gammaUpper(float64(n)+1, tail)} {
				for _, mean := range []float64{step, math.Nextafter(step, 0), math.Nextafter(step, 1e9), step * (1 - 1e-8), step * (1 + 1e-8)} {
					same(t, mean)
				}
			}
		}
		rapid.Check(t, func(t *rapid.T) { same(t, rapid.Float64Range(0, 5000).Draw(t, "mean")) })
	}
	m, err := NewThresholds(0.00135)
	require.NoError(t, err)
	for _, mean := range []float64{-1, math.NaN(), math.Inf(1)} {
		_, _, err := m.Limits(mean)
		require.ErrorIs(t, err, ErrDomain)
	}
	_, err = NewThresholds(0.6)
	require.ErrorIs(t, err, ErrDomain)
}

// Several goroutines grow it at once; -race watches.
func TestThresholds_concurrent(t *testing.T) {
	t.Parallel()
	m, err := NewThresholds(0.00135)
	require.NoError(t, err)
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for n := g; n < 3000; n += 7 {
				if l, u, err := m.Limits(float64(n)); err != nil || l > n || u < n {
					t.Errorf("%d: %d to %d, %v", n, l, u, err)
				}
			}
		})
	}
	wg.Wait()
}
