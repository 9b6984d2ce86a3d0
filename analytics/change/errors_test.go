package change

import (
	"errors"
	"math"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
)

func TestChange_namesTheArgument(t *testing.T) {
	t.Parallel()
	two := []int{1, 2}
	one, err := Poisson(two, nil)
	require.NoError(t, err)
	for _, c := range []struct {
		name string
		err  error
	}{
		{"counts[1]", second(Find([]int{1, -1}, nil, Options{}))},
		{"counts[0]", second(Find(two, []float64{0, 1}, Options{}))},
		{"exposures", second(Find(two, []float64{1}, Options{}))},
		{"exposures[1]", second(Find(two, []float64{1, math.NaN()}, Options{}))},
		{"draws", second(Find(two, nil, Options{Draws: 3}))},
		{"least segment", second(Find(two, nil, Options{MinSegment: -1}))},
		{"times[1]", second(FindInTime([]float64{1, 5}, 0, 4, Options{}))},
		{"end", second(FindInTime(nil, 4, 4, Options{}))},
		{"start", second(FindInTime(nil, math.Inf(-1), 4, Options{}))},
		{"times", second(FindInTime(make([]float64, 20_001), 0, 4, Options{}))},
		{"draws", second(FindInTime(nil, 0, 4, Options{Draws: -1}))},
		{"term x", second(Poisson(two, nil, Numeric("x", []float64{1})))},
		{"x[1]", second(Poisson(two, nil, Numeric("x", []float64{1, math.Inf(1)})))},
		{"crew[1]", second(Poisson(two, nil, Factor("crew", []string{"a", "b"}, "a", "c")))},
		{"crew levels", second(Poisson(two, nil, Factor("crew", []string{"a", "b"}, "a", "a", "b")))},
		{"month[1]", second(Poisson(two, nil, Months("month", []int{1, 13})))},
		{"harmonics", second(Poisson(two, nil, Waves("w", two, 12, 7)))},
		{"period", second(NegativeBinomial(two, nil, Waves("w", two, 1, 1)))},
		{"level", second(one.Effect("(Intercept)", 1, 0, false))},
		{"name", second(one.Effect("nobody", 1, 0.95, false))},
		{"steps", second(one.Effect("(Intercept)", math.NaN(), 0.95, false))},
		{"fit", second(one.Against(Fit{}))},
		{"smaller fit", second(one.Against(one))},
		{"fits", second(one.SpreadTest(one))},
		{"at", second(Interrupted(two, nil, Interruption{At: 2}))},
		{"slope", second(Interrupted(two, nil, Interruption{At: 1, Slope: true}))},
		{"position", second(Interrupted(two, nil, Interruption{At: 1, Position: []int{1}}))},
		{"level", second(Interrupted(two, nil, Interruption{At: 1, Level: 7}))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain, c.name)
		var d *dist.DomainError
		require.True(t, errors.As(c.err, &d))
		require.Equal(t, c.name, d.Arg)
	}
	_, _, err = Point{}.Span(0.9)
	require.ErrorIs(t, err, dist.ErrDomain)
	_, _, err = Point{}.Span(2)
	require.ErrorIs(t, err, dist.ErrDomain)

	for name, get := range map[string]func() (Point, error){
		"no case":         func() (Point, error) { return Find([]int{0, 0}, nil, Options{}) },
		"too few periods": func() (Point, error) { return Find([]int{4}, nil, Options{}) },
		"with hours":      func() (Point, error) { return Find([]int{4, 0, 0}, []float64{1, 0, 0}, Options{}) },
	} {
		p, err := get()
		require.NoError(t, err)
		require.False(t, p.Defined)
		require.Contains(t, p.Reason, name)
	}
	m, err := FindInTime([]float64{1}, 0, 4, Options{})
	require.NoError(t, err)
	require.False(t, m.Defined)
	m, err = FindInTime([]float64{0, 4}, 0, 4, Options{})
	require.NoError(t, err)
	require.False(t, m.Defined)
}

func second[T any](_ T, err error) error { return err }

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// series reads counts and exposures out of bytes, wild ones included.
func fuzzSeries(b []byte, unit float64) (counts []int, exposures []float64) {
	for i := 0; i+1 < len(b) && i < 80; i += 2 {
		n := int(b[i])
		if n > 250 {
			n *= 1_000_000
		}
		counts = append(counts, n)
		exposures = append(exposures, float64(b[i+1])*unit)
	}
	return counts, exposures
}

func FuzzFind(f *testing.F) {
	f.Add([]byte{4, 1, 9, 2, 0, 3, 7, 1}, 1.0, 1, 0)
	f.Add([]byte{0, 0, 255, 255, 251, 1}, 1e12, 2, 100)
	f.Fuzz(func(t *testing.T, b []byte, unit float64, least, draws int) {
		counts, exposures := fuzzSeries(b, unit)
		o := Options{MinSegment: least, Draws: draws % 200, Seed: 7}
		if p, err := Find(counts, exposures, o); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			require.True(t, finite(p.LR, p.RateAfter, p.RateBefore, p.RateOverall, p.MeanDate(), p.Within(2)), "%+v", p)
			require.True(t, finite(p.Posterior...))
			require.True(t, p.PValue >= 0 && p.PValue <= 1)
		}
		times := append([]float64(nil), exposures...)
		if m, err := FindInTime(times, 0, 255*unit, o); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			require.True(t, finite(m.At, m.LR, m.RateAfter, m.RateBefore, m.PValue), "%+v", m)
		}
	})
}

func FuzzFit(f *testing.F) {
	f.Add([]byte{4, 1, 9, 2, 0, 3, 7, 1, 3, 3, 8, 8}, 1.0, 1.0, 3)
	f.Add([]byte{0, 9, 255, 255, 251, 1, 1, 2, 0, 0}, 1e12, 1e9, 2)
	f.Fuzz(func(t *testing.T, b []byte, unit, size float64, at int) {
		counts, exposures := fuzzSeries(b, unit)
		x, labels, position := make([]float64, len(counts)), make([]string, len(counts)), make([]int, len(counts))
		for i := range x {
			x[i] = float64(b[len(b)-1-i]) * size
			labels[i] = string(rune('a' + b[i]%3))
			position[i] = int(b[i]) - 100
		}
		terms := []Term{Numeric("x", x), Factor("l", labels), Waves("w", position, 6, 2)}
		for _, fit := range []func([]int, []float64, ...Term) (Fit, error){Poisson, NegativeBinomial} {
			for n := range terms {
				got, err := fit(counts, exposures, terms[:n+1]...)
				if err != nil {
					require.ErrorIs(t, err, dist.ErrDomain)
					continue
				}
				require.True(t, finite(got.Deviance, got.NullDeviance, got.LogLik, got.AIC, got.Pearson, got.Dispersion, got.Theta, got.ThetaSE), "%+v", got)
				for _, c := range got.Coefficients {
					require.True(t, finite(c.Value, c.SE, c.Z, c.PValue, c.QuasiSE), "%+v", c)
					if e, err := got.Effect(c.Name, 12, 0.95, true); err == nil {
						require.True(t, finite(e.Ratio, e.Lo, e.Hi), "%+v", e)
					}
				}
				require.True(t, finite(got.Fitted...))
			}
		}
		s, err := Interrupted(counts, exposures, Interruption{At: at % 40, Trend: at%2 == 0, Slope: at%4 == 0, Position: position, Period: 6, Harmonics: 1})
		if err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
			return
		}
		require.True(t, finite(s.Ratio, s.Lo, s.Hi, s.PValue, s.Bend, s.BendLo, s.BendHi, s.Expected, s.ExpectedLo, s.ExpectedHi, s.Memory, s.Dispersion), "%+v", s)
	})
}
