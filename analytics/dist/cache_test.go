package dist

import (
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCountLimits_areTheDirectOnes(t *testing.T) {
	t.Parallel()
	c, err := NewCountLimits(0.95)
	require.NoError(t, err)
	require.Equal(t, 0.95, c.Level())
	tail := (1 - c.Level()) / 2
	// Several goroutines ask for overlapping pages; -race watches.
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for n := 0; n < 3000; n += 7 {
				lo, hi, err := c.Interval(n)
				if err != nil || lo < 0 || hi <= lo {
					t.Errorf("%d: %g to %g, %v", n, lo, hi, err)
				}
			}
		})
	}
	wg.Wait()
	for _, n := range []int{0, 1, 63, 64, 1000, pageCounts*pageNumber - 1, pageCounts * pageNumber, 500_000_000} {
		lo, hi, err := c.Interval(n)
		require.NoError(t, err)
		wantLo, err := GarwoodLower(n, tail)
		require.NoError(t, err)
		wantHi, err := GarwoodUpper(n, tail)
		require.NoError(t, err)
		require.Equal(t, wantLo, lo, n)
		require.Equal(t, wantHi, hi, n)
	}
	_, _, err = c.Interval(-1)
	require.ErrorIs(t, err, ErrDomain)
}

// BenchmarkCountLimits_series asks for the limits of 10,000 series of 120
// months; its baseline without the memo is BenchmarkGarwood_series.
func BenchmarkCountLimits_series(b *testing.B) {
	c, err := NewCountLimits(0.95)
	require.NoError(b, err)
	for b.Loop() {
		for i := range 10_000 * 120 {
			lo, hi, _ := c.Interval(i % 97)
			sink += lo + hi
		}
	}
}

func BenchmarkGarwood_series(b *testing.B) {
	for b.Loop() {
		for i := range 10_000 * 120 {
			lo, _ := GarwoodLower(i%97, 0.025)
			hi, _ := GarwoodUpper(i%97, 0.025)
			sink += lo + hi
		}
	}
}

var sink float64
