package change

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Twenty periods of four crews, made up for these tests.
var (
	crewCases = []int{4, 9, 2, 7, 12, 3, 8, 15, 5, 6, 20, 4, 9, 11, 1, 7, 18, 2, 6, 13}
	crewHours = []float64{21, 30, 18, 25, 33, 20, 24, 35, 22, 21, 40, 19, 25, 28, 15, 22, 36, 14, 20, 30} // thousands
	spread    = []int{4, 29, 2, 7, 32, 3, 8, 5, 15, 6, 50, 4, 9, 31, 1, 7, 48, 2, 16, 3}
)

func crewTerms() (crew, month Term, exposure []float64) {
	names := []string{"mowing", "trees", "waste", "roads"}
	labels, since := make([]string, 20), make([]float64, 20)
	exposure = make([]float64, 20)
	for i := range labels {
		labels[i], since[i], exposure[i] = names[i%4], float64(i), crewHours[i]/1000 // million hours
	}
	return Factor("crew", labels, "trees", "mowing", "roads", "waste"), Numeric("month", since), exposure
}

// R 4.2.2, stats::glm(cases ~ crew + month + offset(log(hours/1e6)), poisson)
// with epsilon 1e-14, on the data above.
func TestPoisson_R(t *testing.T) {
	t.Parallel()
	crew, month, exposure := crewTerms()
	f, err := Poisson(crewCases, exposure, crew, month)
	require.NoError(t, err)
	require.True(t, f.Defined, f.Reason)
	for i, want := range []struct {
		name            string
		value, se, z, p float64
	}{
		{"(Intercept)", 5.4438998846938480, 0.2179400230647182, 24.978890100774468, 1.03692919479257e-137},
		{"crewmowing", 0.2343419349988337, 0.2305349726799375, 1.016513599974185, 3.09384874544300e-01},
		{"crewroads", 0.1907096255847672, 0.2357271004386487, 0.809027155680821, 4.18499526409197e-01},
		{"crewwaste", 0.1093178366422835, 0.2445000677747188, 0.447107592391379, 6.54797377392125e-01},
		{"month", 0.0201413279516375, 0.0140677624838052, 1.431736423956841, 1.52219268079896e-01},
	} {
		c := f.Coefficients[i]
		require.Equal(t, want.name, c.Name)
		require.InEpsilon(t, want.value, c.Value, 1e-10)
		require.InEpsilon(t, want.se, c.SE, 1e-9)
		require.InEpsilon(t, want.z, c.Z, 1e-9)
		// R's standard errors use the weights of the round before the last; far out
		// in the tail that shows in the eighth digit.
		require.InEpsilon(t, want.p, c.PValue, 1e-7)
	}
	require.InEpsilon(t, 20.7299621252349, f.Deviance, 1e-11)
	require.InEpsilon(t, 24.2878003435942, f.NullDeviance, 1e-11)
	require.InEpsilon(t, -47.5381764954317, f.LogLik, 1e-11)
	require.InEpsilon(t, 105.0763529908635, f.AIC, 1e-11)
	require.InEpsilon(t, 18.5740189611011, f.Pearson, 1e-11)
	require.Empty(t, f.Note)
}

// R 4.2.2, MASS::glm.nb(spread ~ month + offset(log(hours/1e6))), epsilon 1e-14.
func TestNegativeBinomial_R(t *testing.T) {
	t.Parallel()
	_, month, exposure := crewTerms()
	f, err := NegativeBinomial(spread, exposure, month)
	require.NoError(t, err)
	require.True(t, f.Defined, f.Reason)
	require.InEpsilon(t, 6.0877203937914706, f.Coefficients[0].Value, 1e-7)
	require.InEpsilon(t, 0.0128672213799035, f.Coefficients[1].Value, 1e-7)
	require.InEpsilon(t, 0.0324147115124007, f.Coefficients[1].SE, 1e-7)
	require.InEpsilon(t, 1.639572422295565, f.Theta, 1e-7)
	require.InEpsilon(t, 0.564252154232751, f.ThetaSE, 1e-6)
	require.InEpsilon(t, -138.383564872425922, 2*f.LogLik, 1e-10)
	require.InEpsilon(t, 20.871719628225581, f.Deviance, 1e-7)
	p, err := Poisson(spread, exposure, month)
	require.NoError(t, err)
	require.Contains(t, p.Note, "wider standard errors")
	s, err := f.SpreadTest(p)
	require.NoError(t, err)
	require.Less(t, s.PValue, 1e-10)
}

// The two planted trends are recovered, and their intervals hold the truth as
// often as they say: in counts that spread no more than chance and in counts
// that spread three times as much, where the plain interval fails and the
// widened one does not.
func TestFit_coverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(10, 1))
	const trials = 500
	plain, naive, quasi, nb := 0, 0, 0, 0
	since, hours := make([]float64, 36), make([]float64, 36)
	for i := range since {
		since[i], hours[i] = float64(i), 0.25+0.05*math.Sin(float64(i))
	}
	covers := func(f Fit, wide bool) int {
		e, err := f.Effect("month", 12, 0.95, wide)
		require.NoError(t, err)
		if e.Lo <= math.Exp(-0.24) && math.Exp(-0.24) <= e.Hi {
			return 1
		}
		return 0
	}
	for range trials {
		steady, wild := make([]int, 36), make([]int, 36)
		for i := range steady {
			mean := hours[i] * math.Exp(3.5-0.02*since[i])
			steady[i] = poissonDraw(r, mean)
			// Gamma with shape 4 as a sum of four exponentials: theta is 4.
			g := (r.ExpFloat64() + r.ExpFloat64() + r.ExpFloat64() + r.ExpFloat64()) / 4
			wild[i] = poissonDraw(r, mean*g)
		}
		a, err := Poisson(steady, hours, Numeric("month", since))
		require.NoError(t, err)
		plain += covers(a, false)
		b, err := Poisson(wild, hours, Numeric("month", since))
		require.NoError(t, err)
		naive += covers(b, false)
		quasi += covers(b, true)
		c, err := NegativeBinomial(wild, hours, Numeric("month", since))
		require.NoError(t, err)
		if !c.Defined {
			c = a
		}
		nb += covers(c, false)
	}
	share := func(n int) float64 { return float64(n) / trials }
	t.Logf("95 %% intervals hold the trend: Poisson on Poisson %.3f, Poisson on spread %.3f, widened %.3f, negative binomial %.3f", share(plain), share(naive), share(quasi), share(nb))
	require.InDelta(t, 0.95, share(plain), 0.03)
	require.Less(t, share(naive), 0.85)
	require.InDelta(t, 0.94, share(quasi), 0.04)
	require.InDelta(t, 0.93, share(nb), 0.04)
}

func TestPoisson_obstacles(t *testing.T) {
	t.Parallel()
	level := Factor("crew", []string{"a", "a", "b", "b", "a"})
	month := Numeric("month", []float64{0, 1, 2, 3, 4})
	for name, c := range map[string]struct {
		counts   []int
		exposure []float64
		terms    []Term
		want     string
	}{
		"no case":            {[]int{0, 0, 0, 0, 0}, nil, []Term{month}, "no case"},
		"no hours":           {[]int{0, 0, 0, 0, 0}, make([]float64, 5), []Term{month}, "no row has hours"},
		"a level without":    {[]int{3, 4, 0, 0, 5}, nil, []Term{level}, "no case at all"},
		"twice the same":     {[]int{3, 4, 2, 1, 5}, nil, []Term{month, Numeric("again", []float64{1, 3, 5, 7, 9})}, "again tells nothing"},
		"constant":           {[]int{3, 4, 2, 1, 5}, nil, []Term{Numeric("flat", []float64{2, 2, 2, 2, 2})}, "flat tells nothing"},
		"zero":               {[]int{3, 4, 2, 1, 5}, nil, []Term{Step("later", 5, 9)}, "later is zero in every row"},
		"more than the data": {[]int{3, 4, 2, 1, 5}, []float64{1, 0, 0, 1, 0}, []Term{month, level}, "rows cannot tell"},
	} {
		if name == "more than the data" {
			c.counts = []int{3, 0, 0, 1, 0}
		}
		for _, fit := range []func([]int, []float64, ...Term) (Fit, error){Poisson, NegativeBinomial} {
			f, err := fit(c.counts, c.exposure, c.terms...)
			require.NoError(t, err, name)
			require.False(t, f.Defined, name)
			require.Contains(t, f.Reason, c.want, name)
		}
	}
	// Counts that spread less than chance have no theta.
	f, err := NegativeBinomial([]int{5, 5, 5, 5, 6, 5}, nil)
	require.NoError(t, err)
	require.False(t, f.Defined)
	require.Contains(t, f.Reason, "use the Poisson regression")
	// Rows without hours are left out and say so.
	f, err = Poisson([]int{3, 4, 0, 1, 5}, []float64{1, 1, 0, 1, 1}, month)
	require.NoError(t, err)
	require.True(t, f.Defined)
	require.Equal(t, 1, f.Left)
	require.Equal(t, 4, f.Rows)
	require.Zero(t, f.Fitted[2])
	require.Positive(t, f.Fitted[3])
}

// A saturated fit reproduces its data, and the likelihood equations hold: fitted
// and counted cases add up to the same in every level.
func TestPoisson_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(6, 40).Draw(t, "n")
		counts, exposure, position := make([]int, n), make([]float64, n), make([]int, n)
		labels := make([]string, n)
		for i := range counts {
			counts[i] = rapid.IntRange(1, 30).Draw(t, "count")
			exposure[i] = rapid.Float64Range(0.1, 5).Draw(t, "exposure")
			position[i], labels[i] = i, []string{"x", "y", "z"}[i%3]
		}
		f, err := Poisson(counts, exposure, Factor("f", labels))
		require.NoError(t, err)
		require.True(t, f.Defined, f.Reason)
		for _, l := range []string{"x", "y", "z"} {
			seen, fitted := 0.0, 0.0
			for i := range counts {
				if labels[i] == l {
					seen += float64(counts[i])
					fitted += f.Fitted[i]
				}
			}
			require.InEpsilon(t, seen, fitted, 1e-9)
		}
		// The unit of exposure moves the intercept alone.
		scaled := make([]float64, n)
		for i := range scaled {
			scaled[i] = exposure[i] * 1000
		}
		g, err := Poisson(counts, scaled, Factor("f", labels))
		require.NoError(t, err)
		require.InDelta(t, f.Coefficients[0].Value-math.Log(1000), g.Coefficients[0].Value, 1e-9)
		require.InDelta(t, f.Coefficients[1].Value, g.Coefficients[1].Value, 1e-9)
		// A larger model never fits worse, and its test is a probability.
		one, err := Poisson(counts, exposure)
		require.NoError(t, err)
		test, err := f.Against(one)
		require.NoError(t, err)
		require.Equal(t, 2, test.DF)
		require.InDelta(t, f.NullDeviance-f.Deviance, test.Statistic, 1e-7)
		if n >= 14 {
			w, err := Poisson(counts, exposure, Waves("season", position, 12, 6))
			require.NoError(t, err)
			require.True(t, w.Defined, w.Reason)
			require.LessOrEqual(t, w.Deviance, one.Deviance+1e-9)
		}
	})
}

// Six waves and twelve months are two ways to write the same season.
func TestSeason_wavesEqualMonths(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(10, 2))
	counts, position, month := make([]int, 48), make([]int, 48), make([]int, 48)
	for i := range counts {
		counts[i], position[i], month[i] = poissonDraw(r, 9+4*math.Sin(float64(i)*math.Pi/6)), i, i%12+1
	}
	a, err := Poisson(counts, nil, Waves("season", position, 12, 6))
	require.NoError(t, err)
	b, err := Poisson(counts, nil, Months("month", month))
	require.NoError(t, err)
	require.Len(t, a.Coefficients, 12)
	require.InEpsilon(t, b.Deviance, a.Deviance, 1e-9)
	require.InDeltaSlice(t, b.Fitted, a.Fitted, 1e-7)
}
