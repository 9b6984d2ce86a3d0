package spc

import (
	"math"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Montgomery, valve failures (hours between): the transformed chart has centre
// 430.041, upper limit 6937.933 and no lower limit (qicharts2 reference
// ex_7.6_1; data in its table 07.14).
var valves = []float64{286, 948, 536, 124, 816, 729, 4, 143, 431, 8, 2837, 596, 81, 227, 603, 492, 1199, 1214, 2831, 96}

func gapsOf(lengths []float64) []Gap {
	g := make([]Gap, len(lengths))
	for i, l := range lengths {
		g[i] = Gap{Label: "failure", Length: l}
	}
	return g
}

func TestNewT_published(t *testing.T) {
	t.Parallel()
	c, err := NewT(gapsOf(valves), GapOptions{Limits: Sigma})
	require.NoError(t, err)
	require.InDelta(t, 430.041, c.Center, 5e-4)
	require.InDelta(t, 6937.933, c.Points[0].UCL, 5e-4)
	require.False(t, c.Points[0].HasLCL)
	require.Empty(t, c.Signals)
	require.Equal(t, "20 gaps between failures around 430 hours. No more than chance.", c.Verdict(Words{One: "a failure", Many: "failures"}).Sentence)
}

// Long gaps are signals above, and the chart of a constant series has none.
func TestNewT_longGap(t *testing.T) {
	t.Parallel()
	c, err := NewT(gapsOf(append(append([]float64{}, valves...), 9000)), GapOptions{Baseline: 20})
	require.NoError(t, err)
	require.Equal(t, []Signal{{Rule: BeyondLimits, Side: Above, Points: []int{20}, At: 20}}, c.Signals)
	v := c.Verdict(Words{One: "a failure", Many: "failures", Exposure: "hours"})
	require.Equal(t, MoreThanChance, v.Finding)
	require.Equal(t, "9,000 hours without a failure up to failure, longer than the upper limit of 4,692. More than chance.", v.Sentence)
	c, err = NewT(gapsOf(valves), GapOptions{})
	require.NoError(t, err)
	require.Equal(t, "20 gaps between failures, half of them shorter than 492 hours. No more than chance.", c.Verdict(Words{One: "a failure", Many: "failures"}).Sentence)
	c, err = NewT(gapsOf(valves[:4]), GapOptions{})
	require.NoError(t, err)
	require.Equal(t, "4 gaps between failures. Too few to say.", c.Verdict(Words{One: "a failure", Many: "failures"}).Sentence)
	c, err = NewT(nil, GapOptions{})
	require.NoError(t, err)
	require.Empty(t, c.Points)
}

// Exact limits of gaps keep their tails: checked against the distributions'
// own functions. On the median half lie on either side.
func TestGapLimits_tails(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		mean := math.Exp(rapid.Float64Range(0.1, 9).Draw(t, "log mean"))
		tail := rapid.Float64Range(1e-5, 0.2).Draw(t, "tail")
		e, err := ExponentialLimits(mean, tail)
		require.NoError(t, err)
		require.InEpsilon(t, tail, math.Exp(-e.Upper/mean), 1e-9)
		require.InEpsilon(t, tail, 1-math.Exp(-e.Lower/mean), 1e-6)
		require.InEpsilon(t, 0.5, math.Exp(-e.Center/mean), 1e-12)
		a := rapid.IntRange(0, 1).Draw(t, "least")
		g, err := GeometricLimits(mean, a, 3, tail)
		require.NoError(t, err)
		d, err := dist.NewGeometric(g.P)
		require.NoError(t, err)
		require.InDelta(t, mean, d.Mean()+float64(a), 1e-6*mean)
		require.LessOrEqual(t, d.Survival(g.Upper-a+1), tail+1e-12)
		require.Greater(t, d.Survival(g.Upper-a), tail-1e-12)
		require.Less(t, d.CDF(g.Lower-a-1), tail+1e-12)
		require.GreaterOrEqual(t, d.CDF(g.Lower-a), tail-1e-12)
	})
}

func TestOpenGap(t *testing.T) {
	t.Parallel()
	p, err := OpenGap(32.85, 150)
	require.NoError(t, err)
	require.InDelta(t, 0.0103972903956361, p, 1e-15) // fixture 05, R 4.2.2
	// Not knowing the mean makes a long gap less surprising; knowing it from
	// very many gaps makes it the same.
	q, err := OpenGapAfter(10, 328.5, 150)
	require.NoError(t, err)
	require.Greater(t, q, 2*p)
	q, err = OpenGapAfter(1_000_000, 32.85e6, 150)
	require.NoError(t, err)
	require.InEpsilon(t, p, q, 1e-4)
}

func TestNewI(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook 6.3.2.2, flow rate (from memory): mean 50.81,
	// moving range mean 1.8778, limits 55.8041 and 45.8159.
	flow := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	c, err := NewI(gapsOf(flow), GapOptions{})
	require.NoError(t, err)
	require.InDelta(t, 50.81, c.Center, 1e-9)
	require.InDelta(t, 55.8041, c.Points[0].UCL, 5e-4)
	require.InDelta(t, 45.8159, c.Points[0].LCL, 5e-4)
	require.Empty(t, c.Signals)
	require.Equal(t, "10 values around 50.8. No more than chance.", c.Verdict(Words{}).Sentence)
	c, err = NewI(gapsOf(flow[:1]), GapOptions{})
	require.NoError(t, err)
	require.False(t, c.Points[0].HasUCL)
}

func TestGaps_nameTheArgument(t *testing.T) {
	t.Parallel()
	for name, err := range map[string]error{
		"gaps[1]":    second(NewT(gapsOf([]float64{1, -1}), GapOptions{})),
		"gaps[0]":    second(NewG(gapsOf([]float64{0.5}), GapOptions{})),
		"minimum":    second(NewG(nil, GapOptions{Minimum: 2})),
		"power":      second(NewT(nil, GapOptions{Power: 2})),
		"limits":     second(NewI(nil, GapOptions{Limits: Probability})),
		"exclude[0]": second(NewT(nil, GapOptions{Exclude: []int{0}})),
		"tail":       second(NewT(gapsOf([]float64{1}), GapOptions{Tail: 0.6})),
		"mean":       second(OpenGap(0, 1)),
		"values[0]":  second(MovingRangeOf([]float64{math.Inf(1)})),
	} {
		require.ErrorIs(t, err, dist.ErrDomain, name)
		require.ErrorContains(t, err, name+" = ")
	}
}

func second[T any](_ T, err error) error { return err }

func FuzzGaps(f *testing.F) {
	f.Add(1.0, 2.0, 300.0, 0.3, 0, 1)
	f.Add(0.0, 0.0, 1e15, 1e-9, 1, 0)
	f.Fuzz(func(t *testing.T, x, y, z, power float64, minimum, baseline int) {
		gaps := gapsOf([]float64{x, y, z, y, x})
		for _, o := range []GapOptions{{Limits: Sigma, Power: power, Minimum: minimum, Baseline: baseline}, {Minimum: minimum, Baseline: baseline}} {
			for _, f := range []func([]Gap, GapOptions) (Chart, error){NewT, NewG, NewI} {
				c, err := f(gaps, o)
				if err != nil {
					continue
				}
				for _, q := range c.Points {
					for _, v := range []float64{q.Value, q.Center, q.Sigma, q.Z, q.LCL, q.UCL} {
						if math.IsNaN(v) || math.IsInf(v, 0) {
							t.Fatalf("%s %+v: %+v", c.Kind, o, q)
						}
					}
				}
				_ = c.Verdict(Words{})
				if a, err := c.FalseAlarms(); err == nil && (math.IsNaN(a.Every) || math.IsInf(a.Every, 0)) {
					t.Fatalf("%s %+v", c.Kind, a)
				}
			}
		}
	})
}
