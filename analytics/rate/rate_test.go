package rate

import (
	"math"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Zero and missing hours never become a rate of zero, and zero cases with
// hours never become a silence.
func TestOf_undefined(t *testing.T) {
	t.Parallel()
	r, err := Of(0, 0, PerMillion, Options{})
	require.NoError(t, err)
	require.False(t, r.Defined)
	require.Equal(t, "the hours for this period are zero: a rate needs hours worked", r.Reason)

	r, err = Of(2, 0, PerMillion, Options{})
	require.NoError(t, err)
	require.False(t, r.Defined)
	require.Contains(t, r.Reason, "check the hours")

	r, err = Missing(2, PerMillion, Options{})
	require.NoError(t, err)
	require.False(t, r.Defined)
	require.Equal(t, 2, r.Count)

	// 0 in 90,000 hours: fixture 01 ltifr-0-of-90000h, R 4.2.2.
	r, err = Of(0, 90_000, PerMillion, Options{})
	require.NoError(t, err)
	require.True(t, r.Defined)
	require.Zero(t, r.Value)
	require.Zero(t, r.Lo)
	require.InDelta(t, 40.98754949, r.Hi, 1e-7)
}

func TestOf_namesTheArgument(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		err  error
	}{
		{"count", second(Of(-1, 1, 1, Options{}))},
		{"exposure", second(Of(1, -1, 1, Options{}))},
		{"exposure", second(Of(1, math.NaN(), 1, Options{}))},
		{"exposure", second(Of(1, 5e-324, 1e15, Options{}))},
		{"base", second(Of(1, 1, 0, Options{}))},
		{"level", second(Of(1, 1, 1, Options{Level: 1}))},
		{"method", second(Of(1, 1, 1, Options{Method: "guess"}))},
		{"trials", second(Of(3, 2, 1, Options{Method: Wilson}))},
		{"parts[1] exposure", second(Pool([]Part{{}, {Exposure: math.Inf(1)}}, 1, Options{}))},
		{"denominator (hours worked)", second(SeverityRate(1, -1, 1))},
		{"count", second(ShareOf(3, 2, 0.95))},
		{"decimals", second(Decimal(1, 1, 1, 16))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain)
		require.ErrorContains(t, c.err, c.name+" =")
	}
}

func second[T any](_ T, err error) error { return err }

func TestPool(t *testing.T) {
	t.Parallel()
	parts := []Part{{Label: "2023", Count: 2, Exposure: 200_000}, {Label: "2024", Exposure: 180_000}, {Label: "2025", Count: 7, Exposure: 420_000}}
	// Ratio of sums, 11.25, not the mean of rates, 8.89: the WorkSafe WA
	// benchmark page averages numerators and denominators first.
	r, err := Pool(parts, PerMillion, Options{})
	require.NoError(t, err)
	require.InDelta(t, 11.25, r.Value, 1e-12)

	parts[1].Missing = true
	r, err = Pool(parts, PerMillion, Options{})
	require.NoError(t, err)
	require.False(t, r.Defined)
	require.Equal(t, "hours are missing for 1 of 3 parts (2024): a rate over all of them needs both series complete", r.Reason)

	r, err = Pool(nil, PerMillion, Options{})
	require.NoError(t, err)
	require.False(t, r.Defined)
}

func TestDecimal_roundsOnceHalfUp(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		num, base, den float64
		decimals       int
		want           string
	}{
		{201, 1, 200, 2, "1.01"}, // float64 prints 1.00
		{5, 1e6, 450_000, 2, "11.11"},
		{1, 1, 8, 2, "0.13"},
		{0, 1, 3, 2, "0.00"},
		{-0.001, 1, 1, 2, "0.00"},
		{0.1, 3, 1, 1, "0.3"},
	} {
		got, err := Decimal(c.num, c.base, c.den, c.decimals)
		require.NoError(t, err)
		require.Equal(t, c.want, got)
	}
}

// Scaling exposure and base together changes nothing; scaling the base alone
// scales the rate and its limits.
func TestOf_scales(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(0, 500).Draw(t, "count")
		hours := rapid.Float64Range(1, 1e7).Draw(t, "hours")
		f := rapid.Float64Range(1e-3, 1e3).Draw(t, "factor")
		m := rapid.SampledFrom([]Method{Garwood, MidP, Byar}).Draw(t, "method")
		a, err := Of(k, hours, PerMillion, Options{Method: m})
		require.NoError(t, err)
		b, err := Of(k, hours*f, PerMillion*f, Options{Method: m})
		require.NoError(t, err)
		c, err := a.Rebase(PerMillion * f)
		require.NoError(t, err)
		for _, p := range [][2]float64{{a.Value, b.Value}, {a.Lo, b.Lo}, {a.Hi, b.Hi}, {a.Value * f, c.Value}, {a.Lo * f, c.Lo}, {a.Hi * f, c.Hi}} {
			require.InDelta(t, p[0], p[1], 1e-9*(1+p[0]))
		}
	})
}

func TestMeanBetween(t *testing.T) {
	t.Parallel()
	s, err := MeanBetween(0, 90_000, 0.95)
	require.NoError(t, err)
	require.False(t, s.Defined)
	require.True(t, s.HiOpen)
	require.InDelta(t, 90_000/3.688879454, s.Lo, 1e-4)
	s, err = MeanBetween(4, 100_000, 0.95)
	require.NoError(t, err)
	require.True(t, s.Defined)
	require.Equal(t, 25_000.0, s.Value)
	require.Less(t, s.Lo, s.Value)
	require.Greater(t, s.Hi, s.Value)
}
