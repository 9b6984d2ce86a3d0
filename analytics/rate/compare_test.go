package rate

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func compare(t require.TestingT, a, b Sample, null float64, o Options) Comparison {
	c, err := Compare(a, b, null, o)
	require.NoError(t, err)
	return c
}

// R ?poisson.test, Fredericia (eba1977): ratio 1.971488, 0.8584264 to 4.2772659.
// exactci vignette (Fay 2010): 2 in 17,877 v. 10 in 20,000 has a minlike p of
// 0.042 although its interval, 0.024 to 1.05, covers 1; the p-value shown here
// must not do that.
func TestCompare_published(t *testing.T) {
	t.Parallel()
	c := compare(t, Sample{11, 800}, Sample{21, 3011}, 1, Options{})
	require.InDelta(t, 1.971488, c.Ratio, 5e-7)
	require.InDelta(t, 0.8584264, c.Lo, 5e-8)
	require.InDelta(t, 4.2772659, c.Hi, 5e-7)

	c = compare(t, Sample{2, 17877}, Sample{10, 20000}, 1, Options{})
	require.InDelta(t, 0.042, c.P.MinLike, 5e-4)
	require.InDelta(t, 1.05, c.Hi, 5e-3)
	require.Greater(t, c.PValue, 0.05)
}

func TestCompare_undefinedAndOpen(t *testing.T) {
	t.Parallel()
	require.Contains(t, compare(t, Sample{}, Sample{1, 5}, 1, Options{}).Reason, "no hours")
	require.Contains(t, compare(t, Sample{0, 5}, Sample{0, 5}, 1, Options{}).Reason, "no case")
	c := compare(t, Sample{4, 50_000}, Sample{0, 61_000}, 1, Options{Method: MidP})
	require.True(t, c.Defined)
	require.True(t, c.RatioOpen)
	require.True(t, c.HiOpen)
	require.InDelta(t, 1.09442312514385, c.Lo, 1e-12) // R 4.2.2, fixture 02
	for _, k := range []struct {
		name string
		err  error
	}{
		{"first count", second(Compare(Sample{Count: -1}, Sample{}, 1, Options{}))},
		{"second exposure", second(Compare(Sample{}, Sample{Exposure: math.NaN()}, 1, Options{}))},
		{"null ratio", second(Compare(Sample{}, Sample{}, 0, Options{}))},
		{"method", second(Compare(Sample{}, Sample{}, 1, Options{Method: Byar}))},
		{"level", second(Compare(Sample{}, Sample{}, 1, Options{Level: 2}))},
		{"count", second(ETest(Sample{Count: 1e8}, Sample{}, true))},
		{"ratio", second(Detect(Sample{3, 1e6}, 1, DetectOptions{}))},
		{"power", second(Detect(Sample{3, 1e6}, 2, DetectOptions{Power: 1}))},
	} {
		require.ErrorIs(t, k.err, dist.ErrDomain)
		require.ErrorContains(t, k.err, k.name+" = ")
	}
}

// p-value and interval say the same; swapping the sides inverts the ratio;
// scaling both exposures changes nothing.
func TestCompare_identities(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := Sample{rapid.IntRange(0, 200).Draw(t, "x1"), rapid.Float64Range(1, 1e6).Draw(t, "t1")}
		b := Sample{rapid.IntRange(0, 200).Draw(t, "x2"), rapid.Float64Range(1, 1e6).Draw(t, "t2")}
		if a.Count+b.Count == 0 {
			return
		}
		o := Options{Method: rapid.SampledFrom([]Method{Garwood, MidP}).Draw(t, "method"), Level: 0.95}
		null := math.Exp(rapid.Float64Range(-3, 3).Draw(t, "log null"))
		c := compare(t, a, b, null, o)
		if math.Abs(c.PValue-0.05) > 1e-9 {
			out := null < c.Lo || (!c.HiOpen && null > c.Hi)
			require.Equal(t, c.PValue < 0.05, out, "%+v", c)
		}
		swapped := compare(t, b, a, 1/null, o)
		require.InDelta(t, c.PValue, swapped.PValue, 1e-9)
		if !c.HiOpen {
			require.InEpsilon(t, c.Hi*swapped.Lo, 1.0, 1e-9)
		}
		f := rapid.Float64Range(0.01, 100).Draw(t, "scale")
		scaled := compare(t, Sample{a.Count, a.Exposure * f}, Sample{b.Count, b.Exposure * f}, null, o)
		require.InDelta(t, c.Lo, scaled.Lo, 1e-9*(1+c.Lo))
		require.InDelta(t, c.PValue, scaled.PValue, 1e-9)
	})
}

// The exact interval never covers less than its level: enumerated over both
// counts at several pairs of means and a true ratio of their own.
func TestCompare_coverage(t *testing.T) {
	t.Parallel()
	for _, m := range []struct{ a, b, t1, t2 float64 }{{2, 3, 1, 1}, {8, 4, 2, 1}, {0.7, 6, 1, 5}, {15, 12, 3, 2}} {
		d1, err := dist.NewPoisson(m.a)
		require.NoError(t, err)
		d2, err := dist.NewPoisson(m.b)
		require.NoError(t, err)
		truth := (m.a / m.t1) / (m.b / m.t2)
		var covered float64
		for x := range 60 {
			for y := range 60 {
				p := d1.PMF(x) * d2.PMF(y)
				if p < 1e-13 {
					continue
				}
				c := compare(t, Sample{x, m.t1}, Sample{y, m.t2}, 1, Options{})
				if !c.Defined || (c.Lo <= truth && (c.HiOpen || truth <= c.Hi)) {
					covered += p
				}
			}
		}
		require.GreaterOrEqual(t, covered, 0.95)
	}
}

// In control, the E-test rejects about as often as it says: 4,000 seeded pairs,
// four standard errors, and its known slight excess left out by testing at
// means of 8 and more.
func TestETest_falseAlarms(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(8, 8))
	draw := func(mean float64) int {
		limit, k := math.Exp(-mean), 0
		for p := rng.Float64(); p > limit; p *= rng.Float64() {
			k++
		}
		return k
	}
	const n = 4000
	rejected := 0
	for range n {
		r, err := ETest(Sample{draw(8), 2}, Sample{draw(12), 3}, true)
		require.NoError(t, err)
		if r.PTwoSided <= 0.05 {
			rejected++
		}
	}
	require.InDelta(t, 0.05, float64(rejected)/n, 4*math.Sqrt(0.05*0.95/n))
}

// Powers summed by brute force in Python with mpmath 1.3.0 at 30 digits, from
// the definition: chance of a future count whose one-sided exact p against the
// past is at most (1-level)/2.
// Exposures that differ by twenty-four powers of ten leave no whole number at
// which the statistic turns: the search for it must end all the same.
func TestETest_extremeExposures(t *testing.T) {
	t.Parallel()
	for _, pooled := range []bool{false, true} {
		for _, s := range [][2]Sample{{{Count: 3, Exposure: 1e-9}, {Count: 0, Exposure: 1e15}}, {{Count: 0, Exposure: 1e15}, {Count: 3, Exposure: 1e-9}}} {
			r, err := ETest(s[0], s[1], pooled)
			require.NoError(t, err)
			require.True(t, r.Defined)
			require.True(t, r.PTwoSided >= 0 && r.PTwoSided <= 1)
		}
	}
}

func TestDetectPower_bruteForce(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		past                Sample
		ratio, exposure, lv float64
		known               bool
		want                float64
	}{
		{Sample{17, 910_000}, 0.5, 1_500_000, 0.95, false, 0.357377744854},
		{Sample{17, 910_000}, 0.3, 900_000, 0.95, false, 0.755728249422},
		{Sample{17, 910_000}, 2, 700_000, 0.95, false, 0.538045955353},
		{Sample{9, 840_000}, 0.5, 2_500_000, 0.9, true, 0.913376805645},
		{Sample{40, 1_000_000}, 1.5, 800_000, 0.95, true, 0.686907498083},
	} {
		rate := float64(c.past.Count) / c.past.Exposure
		got, err := detectPower(c.past, rate*c.ratio*c.exposure, c.exposure, DetectOptions{Level: c.lv, KnownPast: c.known})
		require.NoError(t, err)
		require.InDelta(t, c.want, got, 1e-9, "%+v", c)
	}
}

func TestDetect(t *testing.T) {
	t.Parallel()
	d, err := Detect(Sample{40, 2_000_000}, 0.5, DetectOptions{})
	require.NoError(t, err)
	require.True(t, d.Defined, d.Reason)
	require.GreaterOrEqual(t, d.Power, 0.8)
	before, err := detectPower(Sample{40, 2_000_000}, d.Expected*0.999, d.Exposure*0.999, DetectOptions{Level: 0.95})
	require.NoError(t, err)
	require.Less(t, before, 0.8)
	// A past of four cases cannot show a halving, however long one waits.
	d, err = Detect(Sample{4, 2_000_000}, 0.5, DetectOptions{})
	require.NoError(t, err)
	require.False(t, d.Defined)
	require.Contains(t, d.Reason, "rests on 4 cases")
	d, err = Detect(Sample{0, 2_000_000}, 0.5, DetectOptions{})
	require.NoError(t, err)
	require.False(t, d.Defined)
	// A known past asks for less, and a stop to all cases is soonest seen.
	some, err := Detect(Sample{40, 2_000_000}, 0.5, DetectOptions{KnownPast: true})
	require.NoError(t, err)
	none, err := Detect(Sample{40, 2_000_000}, 0, DetectOptions{KnownPast: true})
	require.NoError(t, err)
	require.Less(t, none.Exposure, some.Exposure)
	// exp(-m) <= 0.025 first at m = 3.6889, that is 184,444 hours at 20 per million.
	require.InDelta(t, 184_444, none.Exposure, 1)
}

// Down's syndrome by birth order, Fleiss (1981) p. 249, as given in the help of
// R's epitools::ageadjust.direct; expected values by mpmath 1.3.0 from Fay and
// Feuer's formulae (they agree with the paper's table 1 to the digits
// remembered). Standard: the mean population over birth orders.
func TestStandardise_fayFeuer(t *testing.T) {
	t.Parallel()
	population := [5][6]float64{
		{230061, 329449, 114920, 39487, 14208, 3052},
		{72202, 326701, 208667, 83228, 28466, 5375},
		{15050, 175702, 207081, 117300, 45026, 8660},
		{2293, 68800, 132424, 98301, 46075, 9834},
		{327, 30666, 123419, 149919, 104088, 34392},
	}
	count := [5][6]int{{107, 141, 60, 40, 39, 25}, {25, 150, 110, 84, 82, 39}, {3, 71, 114, 103, 108, 75}, {1, 26, 64, 89, 137, 96}, {0, 8, 63, 112, 262, 295}}
	want := [5][3]float64{
		{92.3045255331994, 80.4417498507042, 105.763345749261},
		{91.1741168346641, 82.3612116520044, 100.867576317251},
		{85.0692213383019, 77.1834534027216, 94.2235698322065},
		{92.7178650551998, 80.0099927553993, 114.669444822584},
		{75.5290074452568, 67.7021204176466, 188.300172727776},
	}
	for i := range 5 {
		strata := make([]Stratum, 6)
		for j := range 6 {
			var w float64
			for k := range 5 {
				w += population[k][j] / 5
			}
			strata[j] = Stratum{Count: count[i][j], Exposure: population[i][j], Weight: w}
		}
		r, err := Standardise(strata, 1e5, Options{})
		require.NoError(t, err)
		require.InEpsilon(t, want[i][0], r.Value, 1e-12)
		require.InEpsilon(t, want[i][1], r.Lo, 1e-11)
		require.InEpsilon(t, want[i][2], r.Hi, 1e-11)
	}
}

func TestStandardise_oneClassIsGarwood(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k, h := rapid.IntRange(0, 500).Draw(t, "count"), rapid.Float64Range(1, 1e6).Draw(t, "hours")
		plain, err := Of(k, h, PerMillion, Options{})
		require.NoError(t, err)
		std, err := Standardise([]Stratum{{Count: k, Exposure: h, Weight: 3}}, PerMillion, Options{})
		require.NoError(t, err)
		require.InDelta(t, plain.Lo, std.Lo, 1e-9*(1+plain.Lo))
		require.InDelta(t, plain.Hi, std.Hi, 1e-9*plain.Hi)
	})
	r, err := Standardise([]Stratum{{Label: "trees", Count: 1, Exposure: 5, Weight: 1}, {Label: "roads", Missing: true, Weight: 1}}, 1, Options{})
	require.NoError(t, err)
	require.False(t, r.Defined)
	require.Contains(t, r.Reason, "roads")
}

func FuzzCompare(f *testing.F) {
	f.Add(3, 1e5, 9, 2e5, 1.0, 0.95)
	f.Add(0, 1e-9, 499_999_999, 1e15, 1e12, 0.5)
	f.Fuzz(func(t *testing.T, x1 int, t1 float64, x2 int, t2, null, level float64) {
		finite := func(vs ...float64) {
			for _, v := range vs {
				if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
					t.Fatalf("%d in %g v. %d in %g, null %g, level %g: %v", x1, t1, x2, t2, null, level, vs)
				}
			}
		}
		for _, m := range []Method{Garwood, MidP} {
			if c, err := Compare(Sample{x1, t1}, Sample{x2, t2}, null, Options{Level: level, Method: m}); err == nil {
				finite(c.Ratio, c.Lo, c.Hi, c.PValue, c.P.Less, c.P.Greater, c.P.MinLike)
			}
		}
		if x1 < 2000 && x2 < 2000 {
			if r, err := ETest(Sample{x1, t1}, Sample{x2, t2}, x1%2 == 0); err == nil {
				finite(math.Abs(r.Statistic), r.PTwoSided, r.PGreater)
			}
			if d, err := Detect(Sample{x1, t1}, null, DetectOptions{Level: level, KnownPast: x2%2 == 0}); err == nil {
				finite(d.Exposure, d.Expected, d.Power)
			}
		}
		if r, err := Standardise([]Stratum{{Count: x1, Exposure: t1, Weight: t2}, {Count: x2, Exposure: t2, Weight: t1}}, null, Options{Level: level}); err == nil {
			finite(r.Value, r.Lo, r.Hi)
		}
	})
}
