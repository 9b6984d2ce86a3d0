package cause

import (
	"errors"
	"math"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
)

func TestCause_namesTheArgument(t *testing.T) {
	t.Parallel()
	grid := Grid{Places: 1, Kinds: 1, Periods: 2, Counts: []int{1, 2}}
	with := func(f func(*Grid)) Grid {
		g := grid
		f(&g)
		return g
	}
	for _, c := range []struct {
		name string
		err  error
	}{
		{"both", second(Associate(Fourfold{Both: -1}, 0))},
		{"neither", second(Associate(Fourfold{Neither: 2e9}, 0))},
		{"total", second(Associate(Fourfold{1e9, 1e9, 1, 1}, 0))},
		{"level", second(Associate(Fourfold{}, 1))},
		{"total", second(Fourfold{1e8, 1e8, 1e8, 1e8}.ConditionalAsR(0.95))},
		{"outcome only", second(Fourfold{OutcomeOnly: -1}.ConditionalAsR(0.95))},
		{"level", second(Fourfold{}.ConditionalAsR(0))},
		{"p[1]", second(Adjust([]float64{0.5, math.NaN()}, Holm))},
		{"correction", second(Adjust(nil, "hope"))},
		{"table[1]", second(ChiSquare([][]int{{1, 2}, {1}}))},
		{"table[0][1]", second(ChiSquare([][]int{{1, -2}}))},
		{"table", second(ChiSquare([][]int{{1e9, 1e9}}))},
		{"table", second(ChiSquare(make([][]int, 2001)))},
		{"table[0]", second(FisherTable([][]int{make([]int, 2001)}, FisherOptions{}))},
		{"max work", second(FisherTable(nil, FisherOptions{MaxWork: -1}))},
		{"draws", second(FisherTable(nil, FisherOptions{Draws: 1}))},
		{"table", second(FisherTable([][]int{{1e7, 1}, {1, 1}}, FisherOptions{}))},
		{"missing", second(CrossTab([][]int{{1}}, -1, SearchOptions{}))},
		{"q", second(CrossTab(nil, 0, SearchOptions{Q: 2}))},
		{"least support", second(CrossTab(nil, 0, SearchOptions{MinSupport: -1}))},
		{"correction", second(CrossTab(nil, 0, SearchOptions{Correction: "none"}))},
		{"level", second(CoOccurrence(nil, SearchOptions{Level: 0.1}))},
		{"factors", second(CoOccurrence(make([]Factor, 501), SearchOptions{}))},
		{"factors[1]", second(CoOccurrence([]Factor{{"a", nil}, {"a", nil}}, SearchOptions{}))},
		{"factors[1]", second(CoOccurrence([]Factor{{"a", nil}, {"b", make([]Answer, 1)}}, SearchOptions{}))},
		{"factors[0] answers[0]", second(CoOccurrence([]Factor{{"a", []Answer{9}}}, SearchOptions{}))},
		{"categories[0]", second(ParetoOf([]Category{{"a", -1}}, 0, 0))},
		{"categories[1]", second(ParetoOf([]Category{{"a", 1}, {"a", 1}}, 0, 0))},
		{"categories", second(ParetoOf([]Category{{"a", 9e8}, {"b", 9e8}}, 0, 0))},
		{"unknown", second(ParetoOf(nil, -1, 0))},
		{"level", second(ParetoOf(nil, 0, 9))},
		{"hard before", second(SplitWillingness(Streams{Hard: -1}, Streams{}, 0))},
		{"soft after", second(SplitWillingness(Streams{}, Streams{Soft: 2e8}, 0))},
		{"level", second(SplitWillingness(Streams{}, Streams{}, 2))},
		{"second exposure", second(SplitWillingness(Streams{Exposure: math.NaN()}, Streams{}, 0))},
		{"periods", second(Scan(Grid{Places: 1, Kinds: 1, Periods: 1, Counts: []int{1}}, ScanOptions{}))},
		{"longest", second(Scan(grid, ScanOptions{Longest: 2}))},
		{"least cases", second(Scan(grid, ScanOptions{MinCases: -1}))},
		{"show", second(Scan(grid, ScanOptions{Show: -1}))},
		{"places", second(Scan(with(func(g *Grid) { g.Places = 0 }), ScanOptions{}))},
		{"counts", second(Scan(with(func(g *Grid) { g.Kinds = 2 }), ScanOptions{}))},
		{"counts", second(Scan(with(func(g *Grid) { g.Places, g.Kinds = 1e7, 1e7 }), ScanOptions{}))},
		{"counts[1]", second(Scan(with(func(g *Grid) { g.Counts = []int{1, -1} }), ScanOptions{}))},
		{"exposure", second(Scan(with(func(g *Grid) { g.Exposure = []float64{1} }), ScanOptions{}))},
		{"exposure[1]", second(Scan(with(func(g *Grid) { g.Exposure = []float64{1, math.Inf(1)} }), ScanOptions{}))},
		{"counts[0]", second(Scan(with(func(g *Grid) { g.Exposure = []float64{0, 1} }), ScanOptions{}))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain, c.name)
		var d *dist.DomainError
		require.True(t, errors.As(c.err, &d))
		require.Equal(t, c.name, d.Arg, "%v", c.err)
	}
}

func second[T any](_ T, err error) error { return err }

func TestCause_degenerate(t *testing.T) {
	t.Parallel()
	for _, f := range []Fourfold{{}, {3, 0, 0, 0}, {3, 4, 0, 0}, {0, 4, 0, 4}} {
		s, err := Associate(f, 0)
		require.NoError(t, err)
		require.False(t, s.Defined)
		require.NotEmpty(t, s.Reason)
		o, err := f.ConditionalAsR(0.95)
		require.NoError(t, err)
		require.False(t, o.Bounded)
	}
	// A fact that never comes without the other: no upper bound, and no Woolf
	// interval, but an exact one.
	s, err := Associate(Fourfold{5, 0, 3, 20}, 0)
	require.NoError(t, err)
	require.True(t, s.NoConviction && s.Woolf.Open && !s.Woolf.Bounded)
	require.True(t, s.Conditional.Open && s.Conditional.HiOpen && s.Conditional.Bounded)
	require.Greater(t, s.Conditional.Lo, 1.0)
	// Tables too large to follow every count of get Woolf and chi-square.
	s, err = Associate(Fourfold{3_000_000, 2_000_000, 2_000_000, 3_000_000}, 0)
	require.NoError(t, err)
	require.False(t, s.Fisher.Exact)
	require.Equal(t, s.Woolf, s.Odds())
	require.Greater(t, s.Fisher.Less, s.Fisher.Greater)
	// A grid with nothing in it.
	r, err := Scan(Grid{Places: 2, Kinds: 1, Periods: 4, Counts: make([]int, 8)}, ScanOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Clusters)
	// A kind reported at one place alone cannot stand out against others, but
	// against its own past.
	one := Grid{Places: 2, Kinds: 1, Periods: 8, Counts: []int{1, 1, 1, 1, 1, 1, 9, 9, 0, 0, 0, 0, 0, 0, 0, 0}}
	r, err = Scan(one, ScanOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Clusters)
	require.Equal(t, 1, r.Blind)
	r, err = Scan(one, ScanOptions{OwnPast: true})
	require.NoError(t, err)
	require.Len(t, r.Clusters, 1)
	require.Less(t, r.Clusters[0].PValue, 1e-3)
}

func finite(t *testing.T, what any, xs ...float64) {
	for _, x := range xs {
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", what)
	}
}

func FuzzAssociate(f *testing.F) {
	f.Add(3, 1, 1, 3, 0.95)
	f.Add(0, 12, 7, 81, 0.5)
	f.Add(1_000_000_000, 0, 0, 0, 0.999999999999)
	f.Add(1, 400_000_000, 400_000_000, 1, 0.9)
	f.Fuzz(func(t *testing.T, a, b, c, d int, level float64) {
		s, err := Associate(Fourfold{a, b, c, d}, level)
		if err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
			return
		}
		finite(t, s, s.Support, s.Confidence, s.Lift, s.Leverage, s.Conviction, s.Phi, s.Pearson, s.Yates, s.MinExpected)
		for _, o := range []Odds{s.Woolf, s.Haldane, s.Conditional} {
			finite(t, o, o.Value, o.Lo, o.Hi)
		}
		for _, p := range []float64{s.PearsonP, s.YatesP, s.Fisher.Greater, s.Fisher.Less, s.Fisher.TwoSided} {
			require.True(t, p >= 0 && p <= 1, "%+v", s)
		}
		o, err := s.ConditionalAsR(s.Level)
		if err == nil {
			finite(t, o, o.Value, o.Lo, o.Hi)
		}
	})
}

func FuzzTables(f *testing.F) {
	f.Add([]byte{1, 3, 10, 6, 2, 3, 10, 7, 1, 6, 14, 12}, 3, 5)
	f.Add([]byte{0, 0, 0, 255, 255, 0}, 2, -1)
	f.Fuzz(func(t *testing.T, b []byte, rows, missing int) {
		if rows < 1 || rows > 12 || len(b) > 100 {
			return
		}
		table := make([][]int, rows)
		var ps []float64
		var categories []Category
		for i, x := range b[:len(b)/rows*rows] {
			n := int(x)
			if x > 250 {
				n = int(x-250) * 150_000_000
			}
			table[i%rows] = append(table[i%rows], n)
			ps = append(ps, float64(x)/250)
			categories = append(categories, Category{string(rune('a' + i)), n})
		}
		if g, err := ChiSquare(table); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			finite(t, g, g.Statistic, g.PValue, g.CramersV, g.MinExpected)
			for _, r := range g.Residuals {
				finite(t, g, r...)
			}
		}
		if g, err := FisherTable(table, FisherOptions{MaxWork: 2000, Draws: 99}); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			require.True(t, g.PValue >= 0 && g.PValue <= 1 && g.SE >= 0, "%+v", g)
		}
		if g, err := CrossTab(table, missing, SearchOptions{}); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			for _, row := range g.Cells {
				for _, c := range row {
					finite(t, c, c.Expected, c.Lift, c.PValue, c.Adjusted)
				}
			}
		}
		if g, err := Adjust(ps, BenjaminiYekutieli); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			finite(t, g, g...)
		}
		if g, err := ParetoOf(categories, missing, 0); err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
		} else {
			for _, r := range g.Rows {
				finite(t, r, r.Share.Value, r.Share.Lo, r.Share.Hi, r.Running, r.Apart)
			}
		}
	})
}

func FuzzScan(f *testing.F) {
	f.Add([]byte{1, 1, 1, 9, 0, 0, 1, 0, 2, 2, 2, 2}, 2, 1, 1.0, true, 2)
	f.Add([]byte{0, 0, 255, 255}, 1, 2, 1e15, false, 0)
	f.Fuzz(func(t *testing.T, b []byte, places, kinds int, unit float64, own bool, longest int) {
		if places < 1 || kinds < 1 || places > 50 || kinds > 50 || len(b) > 400 {
			return
		}
		g := Grid{Places: places, Kinds: kinds, Periods: len(b) / places / kinds}
		for _, x := range b[:places*kinds*g.Periods] {
			n := int(x & 15)
			if x > 250 {
				n = 1_000_000
			}
			g.Counts = append(g.Counts, n)
		}
		for i := range places * g.Periods {
			g.Exposure = append(g.Exposure, float64(b[i]>>4)*unit)
		}
		for _, g.Exposure = range [][]float64{nil, g.Exposure} {
			s, err := Scan(g, ScanOptions{OwnPast: own, Longest: longest, Show: 3})
			if err != nil {
				require.ErrorIs(t, err, dist.ErrDomain)
				continue
			}
			for _, c := range s.Clusters {
				finite(t, c, c.Expected, c.LR, c.OnceIn())
				require.True(t, c.PValue > 0 && c.PValue <= 1, "%+v", c)
			}
		}
	})
}

func FuzzSplitWillingness(f *testing.F) {
	f.Add(20, 60, 1.0, 20, 120, 1.0)
	f.Add(0, 0, 0.0, 100_000_000, 0, 1e15)
	f.Fuzz(func(t *testing.T, h1, s1 int, e1 float64, h2, s2 int, e2 float64) {
		w, err := SplitWillingness(Streams{h1, s1, e1}, Streams{h2, s2, e2}, 0)
		if err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
			return
		}
		finite(t, w, w.Events.Ratio, w.Events.Lo, w.Events.Hi, w.Reports.Ratio, w.Telling.Value, w.Telling.Lo, w.Telling.Hi, w.TellingP)
	})
}
