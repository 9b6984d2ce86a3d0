package page

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

func written(t testing.TB, set func(*Page), write func(*Page)) string {
	t.Helper()
	var b strings.Builder
	p := New(&b)
	if set != nil {
		set(p)
	}
	write(p)
	require.NoError(t, p.Flush())
	return b.String()
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got):\n%s", name, d)
	}
}

func f(v float64) *float64 { return &v }

func chart() *pb.Chart {
	c := &pb.Chart{Definition: &pb.MeasureDefinition{Title: "Frequency rate"}, Scope: "Northside depot and below",
		Kind: pb.ChartKind_CHART_KIND_U, KindReason: "counts vary with hours, and no more than chance explains the rest",
		Unit: "lost-time cases per million hours", Center: f(21.5), BaselineStartMonth: "2025-01", BaselineEndMonth: "2025-06",
		Sentence: "February 2026 is more than chance: 9 cases in 41,200 hours.", Method: "u-chart with exact Poisson limits.",
		Cautions: []string{"These are reports, not events."}, SequenceNumber: 812,
		Signals: []*pb.ChartSignal{
			{Rule: "run of 4 above the centre", StartMonth: "2025-08", EndMonth: "2025-11", Above: true, Chance: "1 in 16"},
			{Rule: "beyond upper limit", StartMonth: "2026-02", EndMonth: "2026-02", Above: true},
		}}
	months := []string{"2025-01", "2025-02", "2025-03", "2025-04", "2025-05", "2025-06", "2025-07", "2025-08", "2025-09", "2025-10", "2025-11", "2025-12", "2026-01", "2026-02"}
	counts := []int64{1, 0, 2, 1, 1, 0, 0, 1, 2, 1, 1, 0, 0, 9}
	for i, m := range months {
		hours := 40000 + float64(i)*100
		pt := &pb.ChartPoint{Month: m, Count: counts[i], Baseline: i < 6}
		if m != "2025-12" {
			pt.Exposure, pt.Value = f(hours), f(float64(counts[i])/hours*1e6)
			pt.Lower, pt.Upper = f(0), f(125-float64(i))
			pt.Beyond = i == 13
			pt.Provisional = i == 13
		}
		c.Points = append(c.Points, pt)
	}
	return c
}

func TestChart(t *testing.T) {
	t.Parallel()
	require.NoError(t, os.MkdirAll("testdata", 0o755))
	golden(t, "chart.golden", written(t, nil, func(p *Page) { p.Chart(chart()) }))
	golden(t, "chart-ascii.golden", written(t, func(p *Page) { p.ASCII = true }, func(p *Page) { p.Chart(chart()) }))
	few := &pb.Chart{Definition: &pb.MeasureDefinition{Title: "Deaths"}, Scope: "everything", Kind: pb.ChartKind_CHART_KIND_TOO_FEW,
		KindReason: "too few to say", Unit: "cases", Sentence: "Too few to say anything by month.",
		Points: []*pb.ChartPoint{{Month: "2026-01", Count: 0, Exposure: f(1), Value: f(0)}, {Month: "2026-02", Count: 1, Exposure: f(1), Value: f(1)}}}
	golden(t, "chart-few.golden", written(t, nil, func(p *Page) { p.Chart(few) }))
	require.Contains(t, written(t, nil, func(p *Page) { p.Chart(&pb.Chart{Sentence: "Nothing yet."}) }), "Nothing yet.")
}

// No chart of any figures panics, and no line of the drawing is wider than it
// should be but for the words of a note.
func TestAnyChart(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.Ptr(rapid.OneOf(rapid.Float64Range(0, 1e9), rapid.Float64Range(0, 1e-6), rapid.Float64()), true)
		c := &pb.Chart{Center: number.Draw(t, "center")}
		for range rapid.IntRange(0, 30).Draw(t, "points") {
			c.Points = append(c.Points, &pb.ChartPoint{Month: "2026-01", Count: rapid.Int64().Draw(t, "count"),
				Value: number.Draw(t, "value"), Lower: number.Draw(t, "lower"), Upper: number.Draw(t, "upper"),
				Exposure: number.Draw(t, "exposure"), Beyond: rapid.Bool().Draw(t, "beyond")})
		}
		var b strings.Builder
		p := New(&b)
		p.Chart(c)
		require.NoError(t, p.Flush())
		require.NotContains(t, b.String(), "NaN")
		require.NotContains(t, b.String(), "Inf")
	})
}

func TestTable(t *testing.T) {
	t.Parallel()
	got := written(t, nil, func(p *Page) {
		p.Table([]Column{{"report", false}, {"n", true}, {"what", false}}, [][]string{
			{"7KQ", "4", "A short one"},
			{"8MX", "1,204", "A long one that goes on and on about the mower on the bank until it has to go over to a second line"},
			{"9", "", "Two\nlines"}})
	})
	require.Equal(t, `report      n  what
──────  ─────  ─────────────────────────────────────────────────────────────────
7KQ         4  A short one
8MX     1,204  A long one that goes on and on about the mower on the bank until
               it has to go over to a second line
9              Two lines
`, got)
}

func TestBars(t *testing.T) {
	t.Parallel()
	bars := []Bar{{"near miss", 40, ""}, {"hazard", 10, ""}, {"release", 0, ""}, {"damage", 1, "held back"}}
	require.Equal(t, `  near miss         40  ████████████████████████████████████████
  hazard            10  ██████████
  release            0
  damage     held back  █
`, written(t, nil, func(p *Page) { p.Bars(bars) }))
	require.Contains(t, written(t, func(p *Page) { p.ASCII = true }, func(p *Page) { p.Bars(bars) }), "##########\n")
}

func TestFound(t *testing.T) {
	t.Parallel()
	pieces := []Piece{{"The tanker was ", false}, {"reversing", true}, {" when\nthe \x1b[31mspotter\x07 looked away", false}}
	require.Equal(t, "  The tanker was [[reversing]] when the [31mspotter looked away\n",
		written(t, nil, func(p *Page) { p.Found(pieces, 2) }))
	require.Equal(t, "The tanker was \x1b[1mreversing\x1b[0m when the [31mspotter looked away\n",
		written(t, func(p *Page) { p.Bold = true }, func(p *Page) { p.Found(pieces, 0) }))
	long := written(t, func(p *Page) { p.Width = 24 }, func(p *Page) { p.Found([]Piece{{"one two three four five six seven", true}}, 0) })
	for l := range strings.SplitSeq(strings.TrimSpace(long), "\n") {
		require.Equal(t, strings.Count(l, "[["), strings.Count(l, "]]"), "each line closes what it opens: %q", long)
	}
}

// A story cannot speak to the terminal.
func TestClean(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s") + rapid.SampledFrom([]string{"\x1b]0;x\x07", "\x9b2J", "a\rb", "\u202eabc"}).Draw(t, "evil")
		got := Clean(s)
		require.True(t, utf8.ValidString(got))
		require.NotContains(t, got, "\x1b")
		require.NotContains(t, got, "\u009b")
		require.NotContains(t, got, "\r")
		require.NotContains(t, got, "\u202e")
		require.Equal(t, got, Clean(got))
	})
	require.Equal(t, "7.3 per million - it's 3 km2", strings.TrimSpace(written(t, func(p *Page) { p.ASCII = true },
		func(p *Page) { p.Para("7.3 per million – it’s 3 km²", 0) })))
}

func TestRate(t *testing.T) {
	t.Parallel()
	for v, want := range map[float64]string{0: "0.0", 7.26: "7.3", 124.04: "124.0", 0.5: "0.50", 0.05: "0.050", 0.00001: "0.0000", 1234.5: "1,234.5"} {
		require.Equal(t, want, Rate(v))
	}
}
