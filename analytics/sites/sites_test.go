package sites

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Pump failures, thousand hours: Gaver and O'Muircheartaigh (1987),
// Technometrics 29:1-15 (data from memory, as in fixture 11). The fit was
// computed in R 4.2.2 and again by a separate maximisation in scipy.
func TestShrink_published(t *testing.T) {
	t.Parallel()
	failures := []int{5, 1, 5, 14, 3, 19, 1, 1, 4, 22}
	hours := []float64{94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5}
	s, err := Shrink(failures, hours, 0)
	require.NoError(t, err)
	require.True(t, s.Defined && !s.NoSpread)
	require.InEpsilon(t, 0.822965078637097, s.Alpha, 1e-9)
	require.InEpsilon(t, 1.26165328030583, s.Beta, 1e-9)
	require.InEpsilon(t, -32.2578363033272, s.LogLik, 1e-11)
	require.InEpsilon(t, 0.0609341182237284, s.Sites[0].Mean, 1e-9)
	require.InEpsilon(t, 1.22766318533844, s.Sites[9].Lo, 1e-8)
	require.Less(t, s.SpreadP, 1e-10)
	// The rates by moments lie near those by likelihood.
	m, err := ShrinkByMoments(failures, hours)
	require.NoError(t, err)
	require.InEpsilon(t, 0.0554081279127707, m.Rates[0], 1e-10)
}

// Of twenty equal places one is expected beyond the inner limits and one in 25
// such funnels has one beyond the outer ones: not more, small places included.
func TestFunnelOf_equalRisk(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 10))
	const trials, places = 1000, 20
	outer, inner, spread := 0, 0, 0
	for range trials {
		s := make([]Site, places)
		for i := range s {
			s[i].Exposure = math.Exp(2*r.Float64()) * 0.5
			s[i].Count = poissonDraw(r, 6*s[i].Exposure)
		}
		f, err := FunnelOf(s, 0)
		require.NoError(t, err)
		require.True(t, f.Defined)
		for _, p := range f.Sites {
			if p.Standing != Inside {
				inner++
			}
			if p.Standing == FarAbove || p.Standing == FarBelow {
				outer++
			}
		}
		if f.Note != "" {
			spread++
		}
	}
	n := trials * places
	t.Logf("equal places beyond the 95 %% limits %.2f %%, beyond the 99.8 %% limits %.2f %%; called different among themselves in %.1f %% of funnels", pct(inner, n), pct(outer, n), pct(spread, trials))
	require.Less(t, pct(inner, n), 5.5)
	require.Greater(t, pct(inner, n), 3.0)
	require.Less(t, pct(outer, n), 0.4)
	require.Less(t, pct(spread, trials), 2.5)
}

// Places that differ among themselves flood the plain limits but not those that
// allow for it.
func TestFunnelOf_spread(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 11))
	plain, allowed, n := 0, 0, 0
	for range 300 {
		s := make([]Site, 25)
		for i := range s {
			s[i].Exposure = 1 + 4*r.Float64()
			s[i].Count = poissonDraw(r, 20*gammaDraw(r, 10)*s[i].Exposure)
		}
		f, err := FunnelOf(s, 0)
		require.NoError(t, err)
		for _, p := range f.Sites {
			n++
			if p.Standing != Inside {
				plain++
			}
			if p.SpreadStanding != Inside {
				allowed++
			}
		}
	}
	t.Logf("beyond the plain limits %.1f %%, beyond those that allow for the spread %.1f %%", pct(plain, n), pct(allowed, n))
	require.Greater(t, pct(plain, n), 20.0)
	require.Less(t, pct(allowed, n), 12.0)
}

func TestFunnelOf_cases(t *testing.T) {
	t.Parallel()
	f, err := FunnelOf([]Site{{"a", 3, 1, false}, {"b", 0, 0, true}, {"c", 2, 0, false}, {"d", 30, 1, false}}, 0)
	require.NoError(t, err)
	require.True(t, f.Defined)
	require.Equal(t, 2, f.Compared)
	require.False(t, f.Sites[1].Defined || f.Sites[2].Defined)
	require.Contains(t, f.Sites[1].Reason, "no hours recorded")
	require.InDelta(t, 16.5, f.Target, 1e-12) // cases without hours are no part of the rate
	require.Equal(t, FarBelow, f.Sites[0].Standing)
	require.Equal(t, FarAbove, f.Sites[3].Standing)
	require.NotEmpty(t, f.Note)
	require.Equal(t, "above the 99.8 % limits", f.Sites[3].Standing.String())
	require.Equal(t, "no more different than chance", Inside.String())

	f, err = FunnelOf([]Site{{"a", 0, 1, false}, {"b", 0, 4, false}}, 0)
	require.NoError(t, err)
	require.False(t, f.Defined)
	require.Contains(t, f.Reason, "no case")
	f, err = FunnelOf([]Site{{"a", 0, 1, false}, {"b", 0, 4, false}}, 2)
	require.NoError(t, err)
	require.True(t, f.Defined && f.Given)
	require.Equal(t, Inside, f.Sites[0].Standing)   // none where 2 are expected: p = 0.14
	require.Equal(t, FarBelow, f.Sites[1].Standing) // none where 8 are expected: p = 0.0003
	f, err = FunnelOf([]Site{{"a", 3, 1, false}}, 0)
	require.NoError(t, err)
	require.False(t, f.Defined)
}

// The interpolated limit lies between the counts around the quantile, rises with
// p, and at the tail probability of a whole count is that count.
func TestFunnelLimit_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		target, exposure := rapid.Float64Range(0.1, 20).Draw(t, "target"), rapid.Float64Range(0.1, 50).Draw(t, "exposure")
		p := rapid.Float64Range(0.0005, 0.9995).Draw(t, "p")
		l, err := FunnelLimit(target, exposure, p)
		require.NoError(t, err)
		d, err := dist.NewPoisson(target * exposure)
		require.NoError(t, err)
		k, err := d.Quantile(p)
		require.NoError(t, err)
		require.True(t, l*exposure >= float64(k-1)-1e-9 && l*exposure <= float64(k)+1e-9, "%g of %d", l*exposure, k)
		higher, err := FunnelLimit(target, exposure, p+0.0004)
		require.NoError(t, err)
		require.Greater(t, higher, l)
		if c := d.CDF(k); c < 0.9999 {
			whole, err := FunnelLimit(target, exposure, c)
			require.NoError(t, err)
			require.InDelta(t, float64(k)/exposure, whole, 1e-6)
		}
		// The unit of exposure does not matter.
		scaled, err := FunnelLimit(target/1000, exposure*1000, p)
		require.NoError(t, err)
		require.InDelta(t, l, scaled*1000, 1e-6*math.Abs(l)+1e-9)
	})
}

// How often the intervals hold each place's true rate: the plain ones less than
// they say with ten places, because they take the group's distribution as known;
// the full ones as often as they say. The mean squared error is below that of the
// raw rates.
func TestShrink_coverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 12))
	for _, c := range []struct {
		places, shape int
		least         float64
	}{{10, 4, 80}, {10, 20, 60}, {60, 4, 92}} {
		hold, n, none, full := 0, 0, 0, 0
		raw, drawn := 0.0, 0.0
		for range 1200 / c.places {
			counts, exposures, rates := make([]int, c.places), make([]float64, c.places), make([]float64, c.places)
			for i := range counts {
				rates[i], exposures[i] = 5*gammaDraw(r, c.shape), 0.3+2*r.Float64()
				counts[i] = poissonDraw(r, rates[i]*exposures[i])
			}
			s, err := Shrink(counts, exposures, 0)
			require.NoError(t, err)
			if s.NoSpread {
				none++
			}
			for i, p := range s.Sites {
				n++
				if p.Lo <= rates[i] && rates[i] <= p.Hi {
					hold++
				}
				if p.Full.Lo <= rates[i] && rates[i] <= p.Full.Hi {
					full++
				}
				raw += (p.Raw - rates[i]) * (p.Raw - rates[i])
				drawn += (p.Mean - rates[i]) * (p.Mean - rates[i])
			}
		}
		t.Logf("%d places, shape %d: 95 %% intervals hold %.1f %% (full: %.1f %%) of %d true rates; squared error %.0f %% of that of raw rates; no spread found in %d groups", c.places, c.shape, pct(hold, n), pct(full, n), n, 100*drawn/raw, none)
		require.InDelta(t, 95, pct(full, n), 3)
		require.Greater(t, pct(hold, n), c.least)
		require.Less(t, drawn, raw)
	}
}

func TestShrink_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 15).Draw(t, "n")
		counts, exposures, scaled := make([]int, n), make([]float64, n), make([]float64, n)
		for i := range counts {
			counts[i] = rapid.IntRange(0, 40).Draw(t, "count")
			exposures[i] = rapid.Float64Range(0.05, 20).Draw(t, "exposure")
			scaled[i] = exposures[i] * 2e5
		}
		s, err := Shrink(counts, exposures, 0)
		require.NoError(t, err)
		u, err := Shrink(counts, scaled, 0)
		require.NoError(t, err)
		require.Equal(t, s.Defined, u.Defined)
		if !s.Defined {
			return
		}
		require.Equal(t, s.NoSpread, u.NoSpread)
		for i, p := range s.Sites {
			require.InEpsilon(t, p.Mean, u.Sites[i].Mean*2e5, 1e-5)
			require.True(t, p.Full.Lo <= p.Full.Mean && p.Full.Mean <= p.Full.Hi)
			require.True(t, p.Lo <= p.Mean && p.Mean <= p.Hi && p.Weight >= 0 && p.Weight <= 1)
			// Between the place's own rate and the group's.
			if !s.NoSpread {
				group := s.Alpha / s.Beta
				require.True(t, p.Mean >= min(p.Raw, group)-1e-9 && p.Mean <= max(p.Raw, group)+1e-9)
			}
		}
		if !s.NoSpread {
			// A maximum: no neighbour is better, nor one rate for all.
			g := newGroup(counts, exposures)
			for _, f := range []float64{0.98, 1.02} {
				require.LessOrEqual(t, g.logLik(s.Alpha*f, s.Beta), s.LogLik+1e-9)
				require.LessOrEqual(t, g.logLik(s.Alpha, s.Beta*f), s.LogLik+1e-9)
			}
			require.Greater(t, s.LogLik, s.PoissonLogLik)
		}
	})
}

// Places that differ less than chance makes them have no finite fit: the case is
// fixture 11, sites-no-heterogeneity.
func TestShrink_noSpread(t *testing.T) {
	t.Parallel()
	s, err := Shrink([]int{4, 0, 11, 2, 7, 23, 1, 5, 9, 3, 0, 16}, []float64{1.55, 0.21, 2.6, 0.475, 3.05, 4.4, 0.6, 1.025, 2.275, 1.35, 0.15, 3.5}, 0)
	require.NoError(t, err)
	require.True(t, s.Defined && s.NoSpread)
	require.InEpsilon(t, 3.82345999527968, s.PooledRate, 1e-12)
	require.InEpsilon(t, -23.312027736864, s.PoissonLogLik, 1e-11)
	for _, p := range s.Sites {
		require.Equal(t, s.PooledRate, p.Mean)
	}
	for _, c := range []struct {
		counts    []int
		exposures []float64
	}{{nil, nil}, {[]int{3}, []float64{1}}, {[]int{3, 0}, []float64{1, 0}}, {[]int{0, 0}, []float64{1, 1}}} {
		s, err := Shrink(c.counts, c.exposures, 0)
		require.NoError(t, err)
		require.False(t, s.Defined)
		require.NotEmpty(t, s.Reason)
	}
	// A place without hours is known by its group alone.
	s, err = Shrink([]int{3, 0, 40}, []float64{1, 0, 1}, 0)
	require.NoError(t, err)
	require.False(t, s.Sites[1].HasRaw)
	require.Zero(t, s.Sites[1].Weight)
	require.InEpsilon(t, s.Alpha/s.Beta, s.Sites[1].Mean, 1e-12)
	m, err := ShrinkByMoments([]int{0}, []float64{0})
	require.NoError(t, err)
	require.False(t, m.Defined)
}

func TestSilent_cases(t *testing.T) {
	t.Parallel()
	crews := []Site{{"trees", 31, 20_000, false}, {"roads", 28, 19_000, false}, {"mowing", 0, 21_000, false}, {"waste", 25, 16_000, false}, {"drainage", 30, 20_000, false}, {"casuals", 1, 900, false}, {"new", 0, 0, false}, {"contractor", 4, 0, true}}
	s, err := Silent(crews, SilenceOptions{})
	require.NoError(t, err)
	require.True(t, s.Defined)
	require.Equal(t, 6, s.Looked)
	require.Equal(t, 1, s.Flagged)
	q := s.Crews[2]
	require.True(t, q.Silent && q.CanTell)
	require.InDelta(t, 30, q.Expected, 6)
	require.LessOrEqual(t, q.Adjusted, 0.05)
	require.False(t, s.Crews[5].CanTell, "900 hours are too few to tell")
	require.False(t, s.Crews[5].Silent)
	require.False(t, s.Crews[6].Defined || s.Crews[7].Defined)
	for _, c := range [][]Site{nil, crews[:2], {{"a", 0, 1, false}, {"b", 0, 1, false}, {"c", 0, 1, false}}} {
		s, err := Silent(c, SilenceOptions{})
		require.NoError(t, err)
		require.False(t, s.Defined)
		require.NotEmpty(t, s.Reason)
	}
	// Large counts are added up without overflow.
	s, err = Silent([]Site{{"a", 900_000, 1, false}, {"b", 1_000_000, 1, false}, {"c", 950_000, 1, false}, {"d", 500, 1, false}}, SilenceOptions{})
	require.NoError(t, err)
	require.True(t, s.Crews[3].Silent || s.Crews[3].Adjusted > 0)
}

func TestBeforeAfter_cases(t *testing.T) {
	t.Parallel()
	changed := []Place{{"a", 20, 3, 1, 1}}
	others := []Place{{"b", 18, 17, 1, 1}, {"c", 22, 20, 1, 1}}
	e, err := BeforeAfter(changed, others, EffectOptions{})
	require.NoError(t, err)
	require.True(t, e.Defined)
	require.Contains(t, e.Note, "too few to tell luck from risk")
	require.Equal(t, Fewer, e.Verdict)
	require.InDelta(t, 20*37.0/40, e.Expected, 1e-9)
	require.InDelta(t, 0.15, e.Naive, 1e-12)
	require.InDelta(t, 37.0/40, e.Trend, 1e-12)
	// Little happened yet: the verdict is not "no effect".
	changed[0].After, changed[0].AfterExposure, others[0].After, others[0].AfterExposure, others[1].After, others[1].AfterExposure = 1, 0.1, 2, 0.1, 2, 0.1
	e, err = BeforeAfter(changed, others, EffectOptions{})
	require.NoError(t, err)
	require.Equal(t, CannotSay, e.Verdict)
	require.True(t, e.Wait.Never || e.Wait.Times > 1)
	for name, f := range map[string]func() ([]Place, []Place){
		"places that changed have no hours": func() ([]Place, []Place) { return nil, others },
		"other places have no hours":        func() ([]Place, []Place) { return changed, nil },
		"other places have no case":         func() ([]Place, []Place) { return changed, []Place{{"b", 0, 3, 1, 1}} },
	} {
		c, o := f()
		e, err := BeforeAfter(c, o, EffectOptions{})
		require.NoError(t, err)
		require.False(t, e.Defined)
		require.Contains(t, e.Reason, name)
	}
	// A rise that was feared is judged the same way.
	e, err = BeforeAfter([]Place{{"a", 20, 90, 1, 1}}, []Place{{"b", 40, 40, 1, 1}}, EffectOptions{Hoped: 2})
	require.NoError(t, err)
	require.Equal(t, More, e.Verdict)
}

func TestSites_namesTheArgument(t *testing.T) {
	t.Parallel()
	one, hours := []int{1, 2}, []float64{1, 2}
	ok := []Place{{"a", 1, 1, 1, 1}}
	for _, c := range []struct {
		name string
		err  error
	}{
		{"target", second(FunnelLimit(0, 1, 0.5))},
		{"exposure", second(FunnelLimit(1, math.NaN(), 0.5))},
		{"exposure", second(FunnelLimit(1e9, 1e9, 0.5))},
		{"p", second(FunnelLimit(1, 1, 1))},
		{"target", second(FunnelOf([]Site{{"", 1, 1, false}, {"", 1, 1, false}}, math.NaN()))},
		{"counts[1]", second(FunnelOf([]Site{{"", 1, 1, false}, {"", -1, 1, false}}, 0))},
		{"counts[0]", second(FunnelOf([]Site{{"", -1, 1, true}}, 0))},
		{"exposures[0]", second(FunnelOf([]Site{{"", 1, -1, false}}, 0))},
		{"exposures", second(Shrink(one, hours[:1], 0))},
		{"counts[0]", second(Shrink([]int{-1, 1}, hours, 0))},
		{"counts[1]", second(Shrink(one, []float64{1, 0}, 0))},
		{"level", second(Shrink(one, hours, 2))},
		{"alpha", second(Posterior(0, 1, one, hours, 0))},
		{"beta", second(Posterior(1, math.Inf(1), one, hours, 0))},
		{"level", second(Posterior(1, 1, one, hours, 2))},
		{"exposures[1]", second(ShrinkByMoments(one, []float64{1, 1e-300}))},
		{"alarm", second(Silent(nil, SilenceOptions{Alarm: 3}))},
		{"crews", second(Silent(make([]Site, 2001), SilenceOptions{}))},
		{"counts[1]", second(Silent([]Site{{}, {Count: -1}}, SilenceOptions{}))},
		{"changed[0] before", second(BeforeAfter([]Place{{"a", -1, 1, 1, 1}}, ok, EffectOptions{}))},
		{"others[0] after exposure", second(BeforeAfter(ok, []Place{{"a", 1, 1, 1, -1}}, EffectOptions{}))},
		{"others[0] after", second(BeforeAfter(ok, []Place{{"a", 1, 1, 1, 0}}, EffectOptions{}))},
		{"hoped", second(BeforeAfter(ok, ok, EffectOptions{Hoped: 1}))},
		{"power", second(BeforeAfter(ok, ok, EffectOptions{Power: 1}))},
		{"level", second(BeforeAfter(ok, ok, EffectOptions{Level: 1}))},
		{"others", second(BeforeAfter(ok, make([]Place, 10_001), EffectOptions{}))},
		{"after exposure", second(BeforeAfter([]Place{{"a", 0, 0, 1e15, 1e-9}}, ok, EffectOptions{}))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain, c.name)
		var d *dist.DomainError
		require.True(t, errors.As(c.err, &d))
		require.Equal(t, c.name, d.Arg, "%v", c.err)
	}
}

func second[T any](_ T, err error) error { return err }

func FuzzSites(f *testing.F) {
	f.Add([]byte{4, 1, 9, 2, 0, 3, 7, 1, 12, 4, 3, 3, 8, 8, 2, 6}, 1.0, 0.0, 0.5)
	f.Add([]byte{255, 255, 0, 0, 0, 255, 251, 1}, 1e12, 1e-6, 2.0)
	f.Fuzz(func(t *testing.T, b []byte, unit, target, hoped float64) {
		var places []Site
		var counts []int
		var exposures []float64
		var moves []Place
		for i := 0; i+1 < len(b) && i < 60; i += 2 {
			n := int(b[i])
			if n > 250 {
				n = (n - 250) * 200_000
			}
			e := float64(b[i+1]) * unit
			places = append(places, Site{Count: n, Exposure: e, Missing: b[i]%17 == 3})
			counts, exposures = append(counts, n), append(exposures, e)
			moves = append(moves, Place{Before: n, After: int(b[i+1] & 31), BeforeExposure: e, AfterExposure: float64(b[i]&63) * unit})
		}
		ok := func(what any, xs ...float64) {
			for _, x := range xs {
				require.True(t, finite(x), "%+v", what)
			}
		}
		if g, err := FunnelOf(places, target); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			ok(g, g.Target, g.Phi, g.PhiWinsorised, g.Tau2, g.DispersionP)
			for _, s := range g.Sites {
				ok(s, s.Rate, s.Z, s.ZSpread, s.Exact.Lower998, s.Exact.Upper998, s.Normal.Upper95, s.Spread.Upper998, s.Spread.Lower95)
			}
		}
		if g, err := Shrink(counts, exposures, 0); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			ok(g, g.Alpha, g.Beta, g.LogLik, g.PooledRate, g.PoissonLogLik, g.PearsonChi2, g.SpreadP)
			for _, s := range g.Sites {
				ok(s, s.Mean, s.Lo, s.Hi, s.Weight, s.Raw, s.Full.Mean, s.Full.Lo, s.Full.Hi)
			}
		}
		if g, err := ShrinkByMoments(counts, exposures); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			ok(g, g.Rates...)
			ok(g, g.PooledRate, g.Variance)
		}
		if g, err := Silent(places, SilenceOptions{}); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			for _, c := range g.Crews {
				ok(c, c.Expected, c.Needed)
				require.True(t, c.Chance >= 0 && c.Chance <= 1 && c.Adjusted >= 0 && c.Adjusted <= 1, "%+v", c)
			}
		}
		half := len(moves) / 3
		if g, err := BeforeAfter(moves[:half], moves[half:], EffectOptions{Hoped: hoped}); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			ok(g, g.Expected, g.Uncertainty, g.Ratio, g.Lo, g.Hi, g.Naive, g.Luck, g.Trend, g.Wobble, g.Wait.Power, g.Wait.Times, g.Wait.More)
			require.True(t, g.PValue >= 0 && g.PValue <= 1, "%+v", g)
		}
	})
}
