package change

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// coal holds disasters with ten or more deaths in British coal mines, 1851 to
// 1962, by year: Jarrett (1979), Biometrika 66:191-193, as in fixture 09.
var coal = []int{4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 3, 3, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1}

func TestFind_published(t *testing.T) {
	t.Parallel()
	p, err := Find(coal, nil, Options{})
	require.NoError(t, err)
	require.True(t, p.Defined)
	// After year 41, 1891: rates of 3.1 and 0.9 a year, as Carlin, Gelfand and
	// Smith (1992) report them (from memory); the rest is fixture 09, R 4.2.2.
	require.Equal(t, 41, p.After)
	require.InDelta(t, 3.1, p.RateBefore, 0.05)
	require.InDelta(t, 0.9, p.RateAfter, 0.05)
	require.InEpsilon(t, 69.9883447472511, p.LR, 1e-12)
	require.Equal(t, 41, p.Mode)
	require.InEpsilon(t, 40.0710101812018, p.MeanDate(), 1e-10)
	require.InEpsilon(t, 0.71286347937541, p.Within(2), 1e-10)
	require.Less(t, p.PValue, 1e-10)
	first, last, err := p.Span(0.9)
	require.NoError(t, err)
	require.True(t, first <= 41 && 41 <= last && last-first < 12, "%d to %d", first, last)
}

// Fixture 09, case flat-20: R simulates 0.9996 from 20,000 draws.
func TestFind_flat(t *testing.T) {
	t.Parallel()
	flat := []int{3, 2, 4, 3, 1, 5, 2, 3, 4, 2, 3, 3, 2, 4, 3, 2, 3, 1, 4, 3}
	p, err := Find(flat, nil, Options{})
	require.NoError(t, err)
	require.InDelta(t, 0.9996, p.PValue, 4*math.Sqrt(0.9996*0.0004/20000))
	require.Contains(t, p.Method, "exact")
}

// The recursion and plain simulation are two ways to the same chance.
func TestFind_exactEqualsSimulated(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 15).Draw(t, "n")
		counts, exposures := make([]int, n), make([]float64, n)
		for i := range counts {
			exposures[i] = float64(rapid.IntRange(0, 4).Draw(t, "exposure"))
			if exposures[i] > 0 {
				counts[i] = rapid.IntRange(0, 9).Draw(t, "count")
			}
		}
		o := Options{MinSegment: rapid.IntRange(1, 3).Draw(t, "least")}
		a, err := Find(counts, exposures, o)
		require.NoError(t, err)
		o.Draws, o.Seed = 2000, rapid.Uint64().Draw(t, "seed")
		b, err := Find(counts, exposures, o)
		require.NoError(t, err)
		require.Equal(t, a.Defined, b.Defined)
		if a.Defined {
			require.InDelta(t, a.PValue, b.PValue, 5*math.Sqrt(a.PValue*(1-a.PValue)/2000)+2.0/2000)
		}
	})
}

// Many cases are spread over the periods by another sampler; it must give the
// same chance too.
func TestFind_manyCases(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(9, 1))
	counts, exposures := make([]int, 24), make([]float64, 24)
	for i := range counts {
		exposures[i] = 50_000 + 20_000*r.Float64()
		counts[i] = int(exposures[i]/1000 + 7*r.NormFloat64())
	}
	a, err := Find(counts, exposures, Options{})
	require.NoError(t, err)
	b, err := Find(counts, exposures, Options{Draws: 5000, Seed: 3})
	require.NoError(t, err)
	require.InDelta(t, a.PValue, b.PValue, 4*math.Sqrt(a.PValue*(1-a.PValue)/5000)+1.0/5000)
	require.Contains(t, b.Method, "5000 series, seed 3")
	c, err := Find(counts, exposures, Options{Draws: 5000, Seed: 3})
	require.NoError(t, err)
	require.Equal(t, b, c, "the same seed gives the same p-value")
}

// A series that never changed is called changed in one of twenty, with small
// and with moving exposure; a halving half-way is found where it was.
func TestFind_keepsItsLevel(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(9, 2))
	const trials = 1000
	alarms, found, close := 0, 0, 0
	for range trials {
		counts, halved, hours := make([]int, 36), make([]int, 36), make([]float64, 36)
		for i := range counts {
			hours[i] = 0.2 + 0.1*r.Float64()
			counts[i] = poissonDraw(r, 10*hours[i])
			rate := 20.0
			if i >= 18 {
				rate = 10
			}
			halved[i] = poissonDraw(r, rate*hours[i])
		}
		p, err := Find(counts, hours, Options{})
		require.NoError(t, err)
		if p.Defined && p.PValue <= 0.05 {
			alarms++
		}
		if p, err = Find(halved, hours, Options{}); err == nil && p.PValue <= 0.05 {
			found++
			if p.After >= 15 && p.After <= 21 {
				close++
			}
		}
	}
	t.Logf("false alarms %.1f %%; a halving of 5 a month found in %.0f %%, dated within 3 months in %.0f %% of those", 100*float64(alarms)/trials, 100*float64(found)/trials, 100*float64(close)/float64(found))
	require.InDelta(t, 0.05, float64(alarms)/trials, 0.02)
	require.Greater(t, float64(found)/trials, 0.85)
	require.Greater(t, float64(close)/float64(found), 0.7)
}

func poissonDraw(r *rand.Rand, mean float64) int {
	n := 0
	for sum := r.ExpFloat64(); sum <= mean; sum += r.ExpFloat64() {
		n++
	}
	return n
}

func TestFind_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "n")
		counts, exposures, scaled := make([]int, n), make([]float64, n), make([]float64, n)
		back, backE := make([]int, n), make([]float64, n)
		for i := range counts {
			counts[i] = rapid.IntRange(0, 12).Draw(t, "count")
			exposures[i] = rapid.Float64Range(0.1, 9).Draw(t, "exposure")
			scaled[i] = exposures[i] * 1e6
			back[n-1-i], backE[n-1-i] = counts[i], exposures[i]
		}
		p, err := Find(counts, exposures, Options{})
		require.NoError(t, err)
		q, err := Find(counts, scaled, Options{})
		require.NoError(t, err)
		b, err := Find(back, backE, Options{})
		require.NoError(t, err)
		if !p.Defined {
			return
		}
		// Neither the unit of exposure nor the direction of time matters.
		require.InDelta(t, p.LR, q.LR, 1e-8)
		require.InDelta(t, p.PValue, q.PValue, 1e-6)
		require.InDelta(t, p.LR, b.LR, 1e-8)
		require.InDelta(t, p.PValue, b.PValue, 1e-6)
		sum := 0.0
		for _, w := range p.Posterior {
			sum += w
		}
		require.InDelta(t, 1, sum, 1e-9)
		first, last, err := p.Span(0.8)
		require.NoError(t, err)
		inside := 0.0
		for k := first; k <= last; k++ {
			inside += p.Posterior[k]
		}
		require.GreaterOrEqual(t, inside, 0.8-1e-9)
	})
}

// A moment found in time agrees with the point found by year when the events of
// the coal series are spread over their years.
func TestFindInTime_agreesWithFind(t *testing.T) {
	t.Parallel()
	var times []float64
	for y, n := range coal {
		for i := range n {
			times = append(times, 1851+float64(y)+(float64(i)+0.5)/float64(n))
		}
	}
	m, err := FindInTime(times, 1851, 1963, Options{Draws: 999})
	require.NoError(t, err)
	require.True(t, m.Defined)
	require.InDelta(t, 1891, m.At, 2)
	require.InDelta(t, 3.15, m.RateBefore, 0.1)
	require.Equal(t, 0.001, m.PValue) // none of 999 came near
}

func TestFindInTime_keepsItsLevel(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(9, 3))
	const trials = 600
	alarms := 0
	for i := range trials {
		times := make([]float64, 25)
		for j := range times {
			times[j] = 2020 + 6*r.Float64()
		}
		m, err := FindInTime(times, 2020, 2026, Options{Draws: 399, Seed: uint64(i)})
		require.NoError(t, err)
		if m.PValue <= 0.05 {
			alarms++
		}
	}
	t.Logf("false alarms %.1f %%", 100*float64(alarms)/trials)
	require.InDelta(t, 0.05, float64(alarms)/trials, 0.03)
}

func BenchmarkFind(b *testing.B) {
	for b.Loop() {
		if _, err := Find(coal, nil, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
