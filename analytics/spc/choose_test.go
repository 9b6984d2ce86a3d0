package spc

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// The rows of the table in the design: which chart for which situation.
func TestChoose(t *testing.T) {
	t.Parallel()
	draw := func(n int, mean float64, seed uint64) []int {
		rng := rand.New(rand.NewPCG(seed, 1))
		out := make([]int, n)
		for i := range out {
			out[i] = drawPoisson(rng, mean)
		}
		return out
	}
	waves := make([]int, 30) // alternating slack and busy months: overdispersed
	for i := range waves {
		waves[i] = 20 + 40*(i%2)
	}
	step := append(repeat(20, 15), repeat(45, 15)...) // one step, otherwise quiet
	busy := draw(30, 15, 4)                           // half as many hours in every other month
	for i := range busy {
		if i%2 == 0 {
			busy[i] *= 2
		}
	}
	for _, c := range []struct {
		name   string
		p      []Period
		kind   Kind
		limits LimitKind
		reason string
	}{
		{"no history", nil, NoChart, "", "0 events in 0 periods: too few for any chart"},
		{"few events", months([]int{1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 2, 0}, 1e4), NoChart, "", "4 events in 12 periods"},
		{"rare", months(draw(48, 0.5, 1), 1e4), T, "", "time between events"},
		{"medium, steady hours", months(draw(36, 4, 2), 1e4, 1.1e4), C, Probability, "exact Poisson"},
		{"medium, varying hours", months(draw(36, 4, 2), 1e4, 2e4), U, Probability, "its limits move"},
		{"many, steady hours", months(draw(36, 25, 3), 1e4), C, Sigma, "enough for limits at three sigma"},
		{"many, varying hours", months(busy, 2e4, 1e4), U, Sigma, "per hours worked"},
		{"waves", months(waves, 1e4), LaneyU, Sigma, "Look first for a change in how things are reported"},
		{"a step is no overdispersion", months(step, 1e4), C, Sigma, "three sigma"},
		{"no hours at all", months(draw(36, 25, 3)), C, Sigma, "exposure is not known"},
		{"waves without hours", months(waves), C, Sigma, "Successive periods differ more than chance"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, err := Choose(c.p, 1e6)
			require.NoError(t, err)
			require.Equal(t, c.kind, got.Kind, got.Reason)
			require.Equal(t, c.limits, got.Limits)
			require.Contains(t, got.Reason, c.reason)
			switch got.Kind {
			case C, U, LaneyU:
				_, err := New(c.p, got.Options)
				require.NoError(t, err)
			}
		})
	}
}

// A month without hours keeps the chart on rates even where hours are steady:
// its count cannot be judged.
func TestChoose_gapKeepsRates(t *testing.T) {
	t.Parallel()
	p := months(repeat(12, 24), 1e4)
	p[5].Exposure = 0
	got, err := Choose(p, 1e6)
	require.NoError(t, err)
	require.Equal(t, U, got.Kind)
	require.Equal(t, 23, got.Periods)
}

func TestVerdict(t *testing.T) {
	t.Parallel()
	w := Words{One: "lost-time injury", Many: "lost-time injuries"}
	quiet := []int{3, 4, 2, 5, 3, 4, 3, 2, 4, 3, 5, 3, 4, 2, 3, 4, 3, 5, 2, 3, 4, 3, 3, 4}
	for _, c := range []struct {
		name    string
		c       Chart
		finding Finding
		want    string
	}{
		{"quiet", chart(t, months(quiet), Options{Kind: C}), NoMoreThanChance,
			"40 lost-time injuries in the last 12 months, 41 in the 12 before. No more than chance."},
		{"few", chart(t, months([]int{0, 1, 0}), Options{Kind: C}), TooFewToSay,
			"1 lost-time injury in 3 months. Too few to say."},
		{"none", chart(t, nil, Options{Kind: C}), TooFewToSay, "No months yet. Too few to say."},
		{"high", chart(t, months(append(quiet, 14), 41_200), Options{Kind: U, Base: 1e6, Limits: Probability, Baseline: 24}), MoreThanChance,
			"month 25: 14 lost-time injuries in 41,200 hours (340 per 1,000,000), above the upper limit of 243. More than chance."},
		{"run", chart(t, months(append(append([]int{}, quiet...), repeat(5, 9)...)), Options{Kind: C, Baseline: 24}), MoreThanChance,
			"10 months in a row above the average of 3.38, month 24 to month 33. More than chance."},
		{"two", chart(t, months(append(append([]int{}, quiet...), 14, 3, 13)), Options{Kind: C, Baseline: 24}), MoreThanChance,
			"month 27: 13 lost-time injuries, above the upper limit of 8.89. One other signal is marked. More than chance."},
	} {
		v := c.c.Verdict(w)
		require.Equal(t, c.finding, v.Finding, c.name)
		require.Equal(t, c.want, v.Sentence, c.name)
	}
}

func TestNumber(t *testing.T) {
	t.Parallel()
	for x, want := range map[float64]string{
		0: "0", 1234567: "1,234,567", -1234: "-1,234", 0.03456: "0.0346", 12.345: "12.3", 999.6: "1,000", 1.5e-13: "0", math.Inf(1): "no value", 2.50: "2.5",
	} {
		require.Equal(t, want, Number(x))
	}
}

// Run lengths matched to eight of a symmetric chart: 1/256 on either side. The
// probabilities are Poisson sums worked by hand at mean 1.05: P(X <= 1) is
// e^-1.05 * 2.05 = 0.71737, and ceil(8 log 2 / -log 0.71737) is 17.
func TestMatchedRuns(t *testing.T) {
	t.Parallel()
	require.Equal(t, RunLength{Above: 8, Below: 17}, MatchedRuns(1.05))
	require.Equal(t, RunLength{Above: 8, Below: 8}, MatchedRuns(0))
	require.Equal(t, RunLength{Above: 8, Below: 8}, MatchedRuns(math.NaN()))
	for mean := 0.3; mean < 200; mean *= 1.07 {
		r := MatchedRuns(mean)
		below, above := 0.0, 0.0
		for k, p := 0, math.Exp(-mean); k < 1000; k, p = k+1, p*mean/float64(k+1) {
			if float64(k) < mean {
				below += p
			} else if float64(k) > mean {
				above += p
			}
		}
		require.LessOrEqual(t, math.Pow(below, float64(r.Below)), 1.0/256*(1+1e-9))
		require.LessOrEqual(t, math.Pow(above, float64(r.Above)), 1.0/256*(1+1e-9))
	}
}
