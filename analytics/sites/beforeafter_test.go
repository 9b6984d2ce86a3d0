package sites

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// district makes places whose true rates spread with the given gamma shape (0:
// all alike) about mean cases a year, some of which change: those with the worst
// record before when picked is true, the first ones otherwise. Between the years
// every place's rate goes by trend, and each by itself by the given wobble.
func district(r *rand.Rand, places, treated, shape int, mean, effect, trend, wobble float64, picked bool) (changed, others []Place) {
	all := make([]Place, places)
	rates := make([]float64, places)
	for i := range all {
		hours := 0.5 + r.Float64()
		rates[i] = mean
		if shape > 0 {
			rates[i] *= gammaDraw(r, shape)
		}
		all[i] = Place{BeforeExposure: hours, AfterExposure: hours, Before: poissonDraw(r, rates[i]*hours)}
	}
	order := make([]int, places)
	for i := range order {
		order[i] = i
	}
	if picked {
		slices.SortFunc(order, func(a, b int) int {
			return cmp.Compare(float64(all[b].Before)/all[b].BeforeExposure, float64(all[a].Before)/all[a].BeforeExposure)
		})
	}
	for rank, i := range order {
		m := rates[i] * all[i].AfterExposure * trend * math.Exp(wobble*r.NormFloat64())
		if rank < treated {
			all[i].After = poissonDraw(r, m*effect)
			changed = append(changed, all[i])
		} else {
			all[i].After = poissonDraw(r, m)
			others = append(others, all[i])
		}
	}
	return changed, others
}

// With nothing planted the verdict is "cannot tell yet" in at least 95 of 100,
// also where the places that changed were picked for a bad year, which fools the
// plain ratio, and where every place goes its own way. A planted halving is
// inside the limits as often as they say.
func TestBeforeAfter_simulated(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 2))
	const trials = 200
	for _, c := range []struct {
		name            string
		places, treated int
		shape           int
		mean, wobble    float64
		picked          bool
	}{
		{"places alike", 20, 5, 0, 8, 0, false},
		{"places alike, picked", 20, 5, 0, 8, 0, true},
		{"places differ", 20, 5, 4, 8, 0, false},
		{"places differ, picked", 20, 5, 4, 8, 0, true},
		{"one of twelve, picked", 12, 1, 4, 12, 0, true},
		{"each goes its own way", 20, 5, 4, 12, 0.25, true},
		{"few places", 6, 2, 4, 20, 0, false},
	} {
		alarms, naive, hold, seen := 0, 0, 0, 0
		for range trials {
			changed, others := district(r, c.places, c.treated, c.shape, c.mean, 1, 1.2, c.wobble, c.picked)
			e, err := BeforeAfter(changed, others, EffectOptions{})
			require.NoError(t, err)
			require.True(t, e.Defined, e.Reason)
			if e.Verdict != CannotSay {
				alarms++
			}
			require.Equal(t, e.Verdict != CannotSay, e.Lo > 1 || e.Hi < 1, "verdict and limits agree")
			if e.Naive/1.2 < 0.75 {
				naive++
			}
			changed, others = district(r, c.places, c.treated, c.shape, c.mean, 0.5, 1.2, c.wobble, c.picked)
			if e, err = BeforeAfter(changed, others, EffectOptions{}); err == nil && e.Lo <= 0.5 && 0.5 <= e.Hi {
				hold++
			}
			if e.Verdict == Fewer {
				seen++
			}
		}
		t.Logf("%-22s nothing planted: other than 'cannot tell yet' %.1f %% (plain ratio below 0.75 of the trend in %.0f %%); halving: held %.1f %%, seen %.0f %%", c.name, pct(alarms, trials), pct(naive, trials), pct(hold, trials), pct(seen, trials))
		require.Less(t, pct(alarms, trials), 5+3*100*math.Sqrt(0.05*0.95/trials))
		require.Greater(t, pct(hold, trials), 95-3*100*math.Sqrt(0.05*0.95/trials))
	}
}

// Where the record is too short, the answer says how long it would take: after
// waiting that long a real halving shows about as often as it says.
func TestBeforeAfter_wait(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 3))
	const trials, places, treated = 250, 24, 6
	shown, asked, never, times := 0, 0, 0, 0.0
	for range trials {
		rates, before := make([]float64, places), make([]int, places)
		for i := range rates {
			rates[i] = 8 * gammaDraw(r, 6)
			before[i] = poissonDraw(r, 4*rates[i]) // four years
		}
		record := func(years float64) (changed, others []Place) {
			for i, rate := range rates {
				p := Place{Before: before[i], BeforeExposure: 4, AfterExposure: years}
				if i < treated {
					p.After = poissonDraw(r, 0.5*rate*years)
					changed = append(changed, p)
				} else {
					p.After = poissonDraw(r, rate*years)
					others = append(others, p)
				}
			}
			return changed, others
		}
		changed, others := record(0.1)
		e, err := BeforeAfter(changed, others, EffectOptions{})
		require.NoError(t, err)
		if !e.Defined || e.Wait.Times <= 1 {
			continue
		}
		if e.Wait.Never {
			never++
			continue
		}
		asked++
		times += e.Wait.Times
		require.InDelta(t, (e.Wait.Times-1)*0.1*treated, e.Wait.More, 1e-6)
		require.GreaterOrEqual(t, e.Wait.Power, 0.8)
		changed, others = record(0.1 * e.Wait.Times)
		if e, err = BeforeAfter(changed, others, EffectOptions{}); err == nil && e.Verdict == Fewer {
			shown++
		}
	}
	t.Logf("asked to wait %.1f times as long on average (%d times: no length would do); then a halving shows in %.0f %% of %d", times/float64(asked), never, pct(shown, asked), asked)
	require.Greater(t, asked, trials/2)
	require.InDelta(t, 80, pct(shown, asked), 12)
}
