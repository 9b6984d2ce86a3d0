package cause

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// noise draws reports with factors that have nothing to do with each other;
// some answers are unknown. glue makes the given pairs go together.
func noise(r *rand.Rand, factors, reports int, glue ...[2]int) []Factor {
	out := make([]Factor, factors)
	for f := range out {
		out[f] = Factor{Name: fmt.Sprint("factor ", f), Answers: make([]Answer, reports)}
	}
	for i := range reports {
		for f := range out {
			switch u := r.Float64(); {
			case u < 0.1:
				out[f].Answers[i] = Unknown
			case u < 0.1+0.9*(0.05+0.25*float64(f)/float64(factors)):
				out[f].Answers[i] = Present
			default:
				out[f].Answers[i] = Absent
			}
		}
		for _, g := range glue {
			if out[g[0]].Answers[i] == Present && r.Float64() < 0.5 {
				out[g[1]].Answers[i] = Present
			}
		}
	}
	return out
}

// On pure noise, 190 pairs in 300 reports, any edge at all appears in at most
// about one of twenty networks; without the correction nearly all would show
// some.
func TestCoOccurrence_shuffle(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 20))
	const trials = 150
	any, naive := 0, 0
	for range trials {
		n, err := CoOccurrence(noise(r, 20, 300), SearchOptions{MinSupport: 1})
		require.NoError(t, err)
		require.Equal(t, 190, n.Tried)
		if len(n.Edges)+len(n.Apart) > 0 {
			any++
		}
		// What a reader would see without allowing for the search.
		found := false
		f := noise(r, 20, 300)
		sets, err := newAnswerSets("", f)
		require.NoError(t, err)
		for a := range sets {
			for b := range sets[:a] {
				if p, err := sets[a].against(sets[b]).pValue(); err == nil && p < 0.05 {
					found = true
				}
			}
		}
		if found {
			naive++
		}
	}
	t.Logf("networks with an edge: %.1f %% corrected, %.1f %% uncorrected", pct(any, trials), pct(naive, trials))
	require.Less(t, pct(any, trials), 11.0)
	require.Greater(t, pct(naive, trials), 80.0)
}

// With four true pairs among 190 the share of false ones among those shown
// stays at what was promised, and the intervals shown hold the truth as often as
// they say although only remarkable pairs are shown.
func TestCoOccurrence_falseDiscoveries(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 21))
	glue := [][2]int{{1, 15}, {4, 12}, {9, 19}, {3, 18}}
	truth := map[[2]int]bool{}
	for _, g := range glue {
		truth[g] = true
	}
	const trials = 150
	share, shown, found, miss := 0.0, 0, 0, 0
	for range trials {
		n, err := CoOccurrence(noise(r, 20, 300, glue...), SearchOptions{Q: 0.1})
		require.NoError(t, err)
		wrong := 0
		for _, e := range append(n.Edges, n.Apart...) {
			shown++
			if truth[[2]int{e.A, e.B}] {
				found++
				continue
			}
			wrong++
			// A false pair has an odds ratio of one.
			if e.Odds.Lo > 1 || (!e.Odds.HiOpen && e.Odds.Hi < 1) {
				miss++
			}
		}
		if k := len(n.Edges) + len(n.Apart); k > 0 {
			share += float64(wrong) / float64(k)
		}
		if k := len(n.Edges) + len(n.Apart); k > 0 {
			require.InDelta(t, 1-0.05*float64(k)/190, n.EdgeLevel, 1e-12)
		}
	}
	t.Logf("false share among shown %.3f (promised 0.1); true pairs found %.0f %%; intervals of false pairs that miss one: %.1f %% of all shown", share/trials, pct(found, 4*trials), pct(miss, shown))
	require.Less(t, share/trials, 0.13)
	require.Greater(t, pct(found, 4*trials), 70.0)
	require.Less(t, pct(miss, shown), 7.0)
}

// Shuffling one side of a cross-table leaves noise: any marked cell in at most
// about one of twenty tables.
func TestCrossTab_shuffle(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 22))
	mechanism, agency := make([]int, 500), make([]int, 500)
	for i := range mechanism {
		mechanism[i] = int(9 * r.Float64() * r.Float64())
		agency[i] = (mechanism[i]*3 + int(12*r.Float64()*r.Float64())) % 12
	}
	tabulate := func() [][]int {
		out := make([][]int, 9)
		for i := range out {
			out[i] = make([]int, 12)
		}
		for i := range mechanism {
			out[mechanism[i]][agency[i]]++
		}
		return out
	}
	c, err := CrossTab(tabulate(), 60, SearchOptions{})
	require.NoError(t, err)
	require.Positive(t, c.Finds, "the table was built with cells that stand out")
	require.InDelta(t, 60.0/560, c.MissingShare.Value, 1e-12)
	const trials = 400
	any := 0
	for range trials {
		r.Shuffle(len(agency), func(i, j int) { agency[i], agency[j] = agency[j], agency[i] })
		c, err := CrossTab(tabulate(), 0, SearchOptions{MinSupport: 1})
		require.NoError(t, err)
		for _, row := range c.Cells {
			for _, cell := range row {
				if cell.Marked || cell.Scarce {
					any++
					row = nil
					break
				}
			}
			if row == nil {
				break
			}
		}
	}
	t.Logf("shuffled tables with a marked cell: %.1f %%", pct(any, trials))
	require.Less(t, pct(any, trials), 8.5)
}

func TestCrossTab_counts(t *testing.T) {
	t.Parallel()
	c, err := CrossTab([][]int{{30, 2, 0}, {3, 25, 0}, {0, 0, 0}}, 15, SearchOptions{})
	require.NoError(t, err)
	require.Equal(t, 60, c.Known)
	require.Equal(t, 4, c.Tried) // the empty row and column are not tried
	require.Equal(t, 2, c.Finds)
	require.True(t, c.Cells[0][0].Marked)
	require.True(t, c.Cells[0][1].Scarce)
	require.False(t, c.Cells[2][2].Tried)
	require.InDelta(t, 0.2, c.MissingShare.Value, 1e-12)
	require.True(t, c.Whole.Defined)
	// Nothing at all is no error.
	c, err = CrossTab(nil, 0, SearchOptions{})
	require.NoError(t, err)
	require.Zero(t, c.Tried)
	require.False(t, c.Whole.Defined)
}

// Unknown answers are neither yes nor no: only reports that know both count.
func TestCoOccurrence_unknown(t *testing.T) {
	t.Parallel()
	n, err := CoOccurrence([]Factor{
		{"a", []Answer{Present, Present, Absent, Unknown, Unknown, Absent, Present}},
		{"b", []Answer{Present, Unknown, Absent, Present, Unknown, Present, Absent}},
		{"never asked", make([]Answer, 7)},
	}, SearchOptions{Q: 0.5, MinSupport: 1})
	require.NoError(t, err)
	require.Equal(t, []Node{{"a", 3, 5}, {"b", 3, 5}, {"never asked", 0, 0}}, n.Nodes)
	require.Equal(t, 1, n.Tried)
	require.Equal(t, 2, n.Untested)
	require.Contains(t, n.Caption, "co-occurrence is not cause")
	sets, err := newAnswerSets("", []Factor{{"a", []Answer{Present, Present, Absent, Unknown}}, {"b", []Answer{Present, Unknown, Absent, Present}}})
	require.NoError(t, err)
	require.Equal(t, Fourfold{1, 0, 0, 1}, sets[0].against(sets[1]))
}

// Counting by bits gives what counting one by one gives.
func TestCoOccurrence_countsRight(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 200).Draw(t, "n")
		a, b := make([]Answer, n), make([]Answer, n)
		var want Fourfold
		for i := range a {
			a[i], b[i] = Answer(rapid.IntRange(0, 2).Draw(t, "a")), Answer(rapid.IntRange(0, 2).Draw(t, "b"))
			switch {
			case a[i] == Unknown || b[i] == Unknown:
			case a[i] == Present && b[i] == Present:
				want.Both++
			case a[i] == Present:
				want.ExposureOnly++
			case b[i] == Present:
				want.OutcomeOnly++
			default:
				want.Neither++
			}
		}
		sets, err := newAnswerSets("", []Factor{{"a", a}, {"b", b}})
		require.NoError(t, err)
		require.Equal(t, want, sets[0].against(sets[1]))
	})
}

func TestPareto(t *testing.T) {
	t.Parallel()
	p, err := ParetoOf([]Category{{"slip", 12}, {"lift", 30}, {"cut", 12}, {"noise", 6}, {"heat", 0}}, 20, 0)
	require.NoError(t, err)
	require.Equal(t, 60, p.Known)
	require.InDelta(t, 0.25, p.UnknownShare.Value, 1e-12)
	var labels []string
	var ranks []int
	for _, r := range p.Rows {
		labels, ranks = append(labels, r.Label), append(ranks, r.Rank)
	}
	require.Equal(t, []string{"lift", "cut", "slip", "noise", "heat"}, labels)
	require.Equal(t, []int{1, 2, 2, 4, 5}, ranks)
	require.True(t, p.Rows[1].Tied && p.Rows[2].Tied && !p.Rows[0].Tied)
	// Both tied rows carry the share after the tie.
	require.InDelta(t, 0.9, p.Rows[1].Running, 1e-12)
	require.InDelta(t, 0.9, p.Rows[2].Running, 1e-12)
	require.Equal(t, 1, p.Covering(0.5))
	require.Equal(t, 3, p.Covering(0.8))
	require.Equal(t, 5, p.Covering(1.1))
	// 30 against 12: P(X >= 30) for 42 tosses, twice; R: binom.test(30, 42).
	require.InEpsilon(t, 0.007915897335, p.Rows[0].Apart, 1e-9)
	require.Equal(t, 1.0, p.Rows[1].Apart)
	// 50 %, 36.8 to 63.2: Clopper-Pearson for 30 of 60; R: binom.test(30, 60).
	require.InDelta(t, 0.3681, p.Rows[0].Share.Lo, 1e-4)
	p, err = ParetoOf(nil, 0, 0)
	require.NoError(t, err)
	require.False(t, p.UnknownShare.Defined)
	require.Zero(t, p.Covering(0.8))
	p, err = ParetoOf([]Category{{"a", 0}}, 3, 0)
	require.NoError(t, err)
	require.False(t, p.Rows[0].Share.Defined)
}

// A campaign doubles what people tell while the risk stays: plain report rates
// cry danger, the split does not. When the risk itself doubles, it says so.
func TestSplitWillingness_simulated(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 23))
	const trials = 1000
	danger, told, plain, real := 0, 0, 0, 0
	for range trials {
		before := Streams{Hard: poissonDraw(r, 20), Soft: poissonDraw(r, 60), Exposure: 1}
		surge := Streams{Hard: poissonDraw(r, 20), Soft: poissonDraw(r, 120), Exposure: 1}
		w, err := SplitWillingness(before, surge, 0.95)
		require.NoError(t, err)
		require.True(t, w.Defined)
		switch w.Reading {
		case MoreEvents:
			danger++
		case MoreTold:
			told++
		}
		if w.Reports.PValue < 0.05 && w.Reports.Ratio > 1 {
			plain++
		}
		worse := Streams{Hard: poissonDraw(r, 45), Soft: poissonDraw(r, 120), Exposure: 1}
		if w, err = SplitWillingness(before, worse, 0.95); err == nil && w.Reading == MoreEvents {
			real++
		}
	}
	t.Logf("surge of telling: announced as danger %.1f %% (a plain rate: %.1f %%), as telling %.1f %%; real rise announced %.1f %%", pct(danger, trials), pct(plain, trials), pct(told, trials), pct(real, trials))
	require.Less(t, pct(danger, trials), 3.5)
	require.Greater(t, pct(plain, trials), 90.0)
	require.Greater(t, pct(told, trials), 30.0)
	require.Greater(t, pct(real, trials), 75.0)
}

func TestSplitWillingness_readings(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		before, after Streams
		want          Reading
	}{
		{Streams{40, 100, 1}, Streams{80, 100, 1}, MoreEvents},
		{Streams{80, 100, 1}, Streams{40, 100, 1}, FewerEvents},
		{Streams{40, 100, 1}, Streams{42, 300, 1}, MoreTold},
		{Streams{40, 300, 1}, Streams{38, 100, 1}, LessTold},
		{Streams{40, 100, 1}, Streams{41, 104, 1}, NoChange},
		{Streams{0, 100, 1}, Streams{3, 104, 1}, NoChange},
	} {
		w, err := SplitWillingness(c.before, c.after, 0)
		require.NoError(t, err)
		require.Equal(t, c.want, w.Reading, "%+v", c)
	}
	w, err := SplitWillingness(Streams{0, 5, 1}, Streams{0, 9, 1}, 0)
	require.NoError(t, err)
	require.False(t, w.Defined)
	require.Contains(t, w.Reason, "hard events")
}
