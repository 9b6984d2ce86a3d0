package spc

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Champ and Woodall (1987), table 1, as remembered; fixture 07 reproduces them
// exactly in R.
func TestZoneRules_ARL_published(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		r    ZoneRules
		want float64
	}{
		{ZoneRules{Beyond: true}, 370.40},
		{ZoneRules{Beyond: true, Run: 8}, 152.73},
		{ZoneRules{Beyond: true, TwoOfThree: true, FourOfFive: true, Run: 8}, 91.75},
	} {
		got, err := c.r.ARL(0)
		require.NoError(t, err)
		require.InDelta(t, c.want, got, 0.005)
	}
	_, err := ZoneRules{}.ARL(0)
	require.ErrorIs(t, err, dist.ErrDomain)
	_, err = ZoneRules{Run: 8}.ARL(math.NaN())
	require.ErrorContains(t, err, "shift = NaN")
}

// The chain and the detector know nothing of each other; a seeded simulation
// through the detector must meet the chain within four standard errors.
func TestSimulateARL_meetsTheChain(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(19, 87))
	for _, shift := range []float64{0, 0.7} {
		want, err := ZoneRules{Beyond: true, TwoOfThree: true, FourOfFive: true, Run: 8}.ARL(shift)
		require.NoError(t, err)
		got, err := SimulateARL(WesternElectric(), RunLength{}, shift, 4_000, rng)
		require.NoError(t, err)
		require.InDelta(t, want, got.ARL, 4*got.StandardError)
	}
}

// Turning a series upside down moves no signal.
func TestRunRules_mirror(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SliceOfN(rapid.Float64Range(-4, 4), 0, 80).Draw(t, "z")
		up, err := RunRules(z)
		require.NoError(t, err)
		for i := range z {
			z[i] = -z[i]
		}
		down, err := RunRules(z)
		require.NoError(t, err)
		require.Equal(t, up, down)
	})
	_, err := RunRules([]float64{0, math.NaN()})
	require.ErrorContains(t, err, "z = NaN")
}

// Chart signals of the further rules sit where RunRules puts them.
func TestNew_furtherRules(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.IntRange(60, 140), 1, 60).Draw(t, "counts")
		center := 100.0
		c := chart(t, months(counts), Options{Kind: C, Center: &center, Rules: Nelson(), RunLength: RunLength{9, 9}})
		z := make([]float64, len(counts))
		for i, p := range c.Points {
			z[i] = p.Z
		}
		s, err := RunRules(z)
		require.NoError(t, err)
		for rule, want := range map[Rule][]int{TwoOfThree: s.TwoOfThree, FourOfFive: s.FourOfFive, Trend: s.Trend, Alternating: s.Alternating, Hugging: s.Hugging, Mixture: s.Mixture} {
			var got []int
			for _, sig := range c.Signals {
				if sig.Rule != rule {
					continue
				}
				for _, p := range sig.Points {
					if p >= sig.At {
						got = append(got, p)
					}
				}
			}
			require.Equal(t, want, got, string(rule))
		}
	})
}

// A gap and a new phase begin every pattern afresh.
func TestNew_patternsEndAtGaps(t *testing.T) {
	t.Parallel()
	center := 100.0
	rising := months([]int{80, 85, 90, 95, 101, 105})
	o := Options{Kind: C, Center: &center, Rules: []Rule{Trend}}
	require.Len(t, chart(t, rising, o).Signals, 1)
	gap := append([]Period{}, rising...)
	gap[3].Missing = true
	require.Empty(t, chart(t, gap, o).Signals)
	o.Phases = []PhaseStart{{At: 2}}
	require.Empty(t, chart(t, rising, o).Signals)
}

func BenchmarkZoneRules_ARL(b *testing.B) {
	for b.Loop() {
		v, err := ZoneRules{Beyond: true, TwoOfThree: true, FourOfFive: true, Run: 8}.ARL(0)
		require.NoError(b, err)
		require.Greater(b, v, 91.0)
	}
}
