package survive

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Three crews' actions: days, and whether closed. Made up for these tests;
// the expected values were computed from them in R 4.2.2, package survival
// 3.5-3.
var (
	days   = []float64{3, 5, 5, 8, 12, 12, 20, 2, 4, 4, 9, 15, 21, 21, 30, 1, 1, 6, 7, 7, 10}
	closed = []int{1, 1, 0, 1, 1, 0, 0, 1, 0, 1, 1, 1, 1, 0, 0, 1, 1, 1, 0, 1, 1}
	crews  = []int{7, 8, 6}
)

func items() []Observation {
	out := make([]Observation, len(days))
	for i := range days {
		out[i] = Observation{days[i], closed[i] == 1}
	}
	return out
}

func byCrew() [][]Observation {
	var out [][]Observation
	all := items()
	for _, n := range crews {
		out, all = append(out, all[:n]), all[n:]
	}
	return out
}

// survfit(Surv(t, d) ~ 1, conf.type = "log-log", conf.int = 0.9), its
// quantile(), and summary(rmean = 10).
func TestKaplanMeier_R(t *testing.T) {
	t.Parallel()
	c, err := KaplanMeier(items(), Options{Level: 0.9})
	require.NoError(t, err)
	require.Equal(t, LogLog, c.Interval)
	require.Equal(t, 21, c.Items)
	require.Equal(t, 14, c.Done)
	require.Len(t, c.Steps, 13)
	for i, want := range map[int][2]float64{0: {0.725857042084823, 0.969220740868044}, 5: {0.453413256247059, 0.799272635837159}, 12: {0.055565048987551, 0.391008187584294}} {
		require.InEpsilon(t, want[0], c.Steps[i].Lo, 1e-12)
		require.InEpsilon(t, want[1], c.Steps[i].Hi, 1e-12)
	}
	for share, want := range map[float64][3]float64{0.25: {5, 1, 8}, 0.5: {9, 6, 15}, 0.75: {21, 10, 0}} {
		q, err := c.Quantile(share)
		require.NoError(t, err)
		require.Equal(t, want, [3]float64{q.Time, q.Lo, q.Hi})
		require.Equal(t, want[2] != 0, q.HasHi)
	}
	m, err := c.RestrictedMean(10)
	require.NoError(t, err)
	require.InEpsilon(t, 7.325470085470085, m, 1e-12)
}

// survdiff(Surv(t, d) ~ g) and survdiff(..., rho = 1), three groups.
func TestCompare_R(t *testing.T) {
	t.Parallel()
	c, err := Compare(byCrew(), "")
	require.NoError(t, err)
	require.True(t, c.Defined)
	require.Equal(t, 2, c.DF)
	require.InEpsilon(t, 3.92366062300225, c.Statistic, 1e-10)
	require.InEpsilon(t, 0.140600841930006, c.PValue, 1e-9)
	require.Equal(t, []float64{4, 5, 5}, c.Observed)
	require.InDeltaSlice(t, []float64{4.55484818758813, 7.04521049985446, 2.39994131255741}, c.Expected, 1e-12)

	c, err = Compare(byCrew(), PetoPrentice)
	require.NoError(t, err)
	require.InEpsilon(t, 3.33747241602435, c.Statistic, 1e-10)
	require.InDeltaSlice(t, []float64{2.64195360195360, 2.90567032967033, 3.84888888888889}, c.Observed, 1e-12)
	require.InDeltaSlice(t, []float64{3.21584371184371, 4.27121855921856, 1.90945054945055}, c.Expected, 1e-12)
}

// Leaving out open actions, as registers that average closed ones do, makes
// the work look faster than it is. Here the truth is a median of 30 days.
func TestKaplanMeier_openActionsAreNotFast(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(14, 1))
	const n = 4000
	var all []Observation
	var done []float64
	for range n {
		took := r.ExpFloat64() * 30 / math.Ln2
		open := r.Float64() * 60 // raised at some time in the last 60 days
		all = append(all, Observation{min(took, open), took <= open})
		if took <= open {
			done = append(done, took)
		}
	}
	c, err := KaplanMeier(all, Options{})
	require.NoError(t, err)
	q := c.Median()
	require.True(t, q.HasTime)
	require.InDelta(t, 30, q.Time, 3)
	require.True(t, q.Lo <= 30 && 30 <= q.Hi)
	slices.Sort(done)
	require.Less(t, done[len(done)/2], 20.0)
}

// The 95 % interval of the share open at 30 days and that of the median hold
// the truth about as often as they say, with 40 actions half of them open.
func TestKaplanMeier_coverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(14, 2))
	const trials = 2000
	share, median := 0, 0
	for range trials {
		var all []Observation
		for range 40 {
			took, open := r.ExpFloat64()*30/math.Ln2, 20+r.Float64()*60
			all = append(all, Observation{min(took, open), took <= open})
		}
		c, err := KaplanMeier(all, Options{})
		require.NoError(t, err)
		if s, known := c.At(30); known && s.Lo <= 0.5 && s.Hi >= 0.5 {
			share++
		}
		if q := c.Median(); (!q.HasLo || q.Lo <= 30) && (!q.HasHi || q.Hi >= 30) {
			median++
		}
	}
	t.Logf("share open at 30 days: %.1f %%, median: %.1f %% of %d", 100*float64(share)/trials, 100*float64(median)/trials, trials)
	require.InDelta(t, 0.95, float64(share)/trials, 0.02)
	require.InDelta(t, 0.95, float64(median)/trials, 0.02)
}

// By chance alone the test cries wolf about once in twenty.
func TestCompare_falseAlarms(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(14, 3))
	const trials = 2000
	alarms := 0
	for range trials {
		groups := make([][]Observation, 3)
		for g := range groups {
			for range 15 {
				took, open := r.ExpFloat64()*20, r.Float64()*50
				groups[g] = append(groups[g], Observation{min(took, open), took <= open})
			}
		}
		c, err := Compare(groups, LogRank)
		require.NoError(t, err)
		if c.Defined && c.PValue < 0.05 {
			alarms++
		}
	}
	t.Logf("false alarms: %.1f %%", 100*float64(alarms)/trials)
	require.InDelta(t, 0.05, float64(alarms)/trials, 0.02)
}

func TestCurve_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		all := make([]Observation, n)
		allDone := rapid.Bool().Draw(t, "all done")
		for i := range all {
			all[i] = Observation{float64(rapid.IntRange(0, 20).Draw(t, "time")), allDone || rapid.Bool().Draw(t, "done")}
		}
		o := Options{Interval: rapid.SampledFrom([]Interval{LogLog, Log, Plain}).Draw(t, "interval")}
		c, err := KaplanMeier(all, o)
		require.NoError(t, err)
		last := 1.0
		for _, s := range c.Steps {
			require.Less(t, s.Survival, last)
			last = s.Survival
			if s.Bounded {
				require.True(t, 0 <= s.Lo && s.Lo <= s.Survival && s.Survival <= s.Hi && s.Hi <= 1)
			}
			if allDone {
				// Without censoring the curve is the plain share.
				open := 0
				for _, it := range all {
					if it.Time > s.Time {
						open++
					}
				}
				require.InDelta(t, float64(open)/float64(n), s.Survival, 1e-12)
				require.InDelta(t, math.Sqrt(s.Survival*(1-s.Survival)/float64(n)), s.SE, 1e-12)
			}
		}
		if q := c.Median(); q.HasTime && q.HasLo {
			require.LessOrEqual(t, q.Lo, q.Time)
			if q.HasHi {
				require.LessOrEqual(t, q.Time, q.Hi)
			}
		}
		// The unit of time does not matter, nor the order of the items.
		scaled := slices.Clone(all)
		for i := range scaled {
			scaled[i].Time *= 7
		}
		slices.Reverse(scaled)
		d, err := KaplanMeier(scaled, o)
		require.NoError(t, err)
		require.Equal(t, len(c.Steps), len(d.Steps))
		require.InDelta(t, 7*c.Median().Time, d.Median().Time, 1e-9)
		// Groups that are copies of each other never differ.
		cmp, err := Compare([][]Observation{all, all, nil}, LogRank)
		require.NoError(t, err)
		if cmp.Defined {
			require.InDelta(t, 0, cmp.Statistic, 1e-9)
		}
	})
}

func TestKaplanMeier_degenerate(t *testing.T) {
	t.Parallel()
	c, err := KaplanMeier(nil, Options{})
	require.NoError(t, err)
	require.False(t, c.Defined)
	require.Contains(t, c.Reason, "no items")
	_, known := c.At(3)
	require.False(t, known)

	// Nothing closed yet: there is no median, and beyond the last look nothing
	// is known.
	c, err = KaplanMeier([]Observation{{5, false}, {9, false}}, Options{})
	require.NoError(t, err)
	require.True(t, c.Defined)
	require.Empty(t, c.Steps)
	q := c.Median()
	require.False(t, q.HasTime || q.HasLo || q.HasHi)
	s, known := c.At(7)
	require.True(t, known)
	require.Equal(t, 1.0, s.Survival)
	_, known = c.At(10)
	require.False(t, known)

	// All closed: the curve is zero ever after.
	c, err = KaplanMeier([]Observation{{0, true}, {9, true}}, Options{})
	require.NoError(t, err)
	s, known = c.At(100)
	require.True(t, known)
	require.Zero(t, s.Survival)
	require.False(t, s.Bounded)
	_, err = c.RestrictedMean(10)
	require.ErrorContains(t, err, "limit = 10")

	cmp, err := Compare([][]Observation{{{5, true}}, nil}, LogRank)
	require.NoError(t, err)
	require.False(t, cmp.Defined)
	cmp, err = Compare([][]Observation{{{5, false}}, {{7, false}}}, LogRank)
	require.NoError(t, err)
	require.False(t, cmp.Defined)
	// One group is gone before the other closes anything.
	cmp, err = Compare([][]Observation{{{1, false}}, {{7, true}, {8, true}}}, LogRank)
	require.NoError(t, err)
	require.False(t, cmp.Defined)
	require.Contains(t, cmp.Reason, "nothing to compare")
}

func TestSurvive_namesTheArgument(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		err  error
	}{
		{"items[1] time", second(KaplanMeier([]Observation{{1, true}, {-1, true}}, Options{}))},
		{"items[0] time", second(KaplanMeier([]Observation{{math.NaN(), true}}, Options{}))},
		{"level", second(KaplanMeier(nil, Options{Level: 2}))},
		{"interval", second(KaplanMeier(nil, Options{Interval: "wide"}))},
		{"share", second(Curve{}.Quantile(1))},
		{"curve", second(Curve{Reason: "x"}.RestrictedMean(1))},
		{"weight", second(Compare(nil, "heavy"))},
		{"items[0] time", second(Compare([][]Observation{{{math.Inf(1), true}}}, LogRank))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain)
		var d *dist.DomainError
		require.True(t, errors.As(c.err, &d))
		require.Equal(t, c.name, d.Arg)
	}
}

func second[T any](_ T, err error) error { return err }

func FuzzKaplanMeier(f *testing.F) {
	f.Add([]byte{1, 3, 5, 9, 0, 255, 2, 2}, 0.95, 1.0, "log")
	f.Add([]byte{}, 0.0, -1.0, "")
	f.Fuzz(func(t *testing.T, b []byte, level, unit float64, interval string) {
		var groups [][]Observation
		var all []Observation
		for i, x := range b {
			if i%7 == 0 {
				groups = append(groups, nil)
			}
			it := Observation{float64(x>>1) * unit, x&1 == 1}
			all = append(all, it)
			groups[len(groups)-1] = append(groups[len(groups)-1], it)
		}
		if c, err := KaplanMeier(all, Options{level, Interval(interval)}); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			for _, s := range c.Steps {
				for _, x := range []float64{s.Survival, s.SE, s.Lo, s.Hi} {
					require.True(t, x >= 0 && x <= 1, "%+v", s)
				}
			}
			q := c.Median()
			require.True(t, q.Time >= 0 && q.Lo >= 0 && q.Hi >= 0 && q.Time <= c.Last)
		}
		if c, err := Compare(groups, LogRank); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			require.True(t, c.Statistic >= 0 && !math.IsInf(c.Statistic, 0) && c.PValue >= 0 && c.PValue <= 1, "%+v", c)
		}
	})
}
