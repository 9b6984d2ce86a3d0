package figure_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"fairlead/analytics/figure"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Funnels, survival curves and cause graphs keep the rules whatever they are
// given.
func TestCurves_anyInput(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := anySize().Draw(t, "size")
		numbers := rapid.SliceOfN(anyNumber(), 0, 8)
		fu := figure.Funnel{Unit: anyWords().Draw(t, "unit"), ExposureUnit: anyWords().Draw(t, "x"), Center: anyNumber().Draw(t, "center"), CenterName: anyWords().Draw(t, "name")}
		su := figure.Survival{Unit: anyWords().Draw(t, "share"), TimeUnit: anyWords().Draw(t, "time")}
		for range rapid.IntRange(0, 6).Draw(t, "n") {
			fu.Sites = append(fu.Sites, figure.Site{Name: anyWords().Draw(t, "site"), Exposure: anyNumber().Draw(t, "exposure"), Value: anyNumber().Draw(t, "value"), Count: anyNumber().Draw(t, "count"), Outside: rapid.Bool().Draw(t, "outside")})
		}
		for range rapid.IntRange(0, 3).Draw(t, "curves") {
			fu.Curves = append(fu.Curves, figure.Curve{Name: anyWords().Draw(t, "curve"), X: numbers.Draw(t, "xs"), Lower: numbers.Draw(t, "lower"), Upper: numbers.Draw(t, "upper")})
			k := figure.SurvivalCurve{Name: anyWords().Draw(t, "group"), Censored: numbers.Draw(t, "censored"), End: anyNumber().Draw(t, "end")}
			for range rapid.IntRange(0, 6).Draw(t, "steps") {
				k.Steps = append(k.Steps, figure.SurvivalStep{Time: anyNumber().Draw(t, "t"), Share: anyNumber().Draw(t, "s"), Lo: anyNumber().Draw(t, "lo"), Hi: anyNumber().Draw(t, "hi"), HasInterval: rapid.Bool().Draw(t, "bounded")})
				k.Waiting = append(k.Waiting, figure.Waiting{Time: anyNumber().Draw(t, "w"), N: rapid.IntRange(-5, 1e6).Draw(t, "left")})
			}
			su.Curves = append(su.Curves, k)
		}
		for _, f := range []*figure.Figure{fu.Layout(size), su.Layout(size)} {
			checkRules(t, f)
			tableFits(t, f.Table())
		}
	})
}

func TestCauses_anyInput(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c figure.Causes
		n := rapid.IntRange(0, 14).Draw(t, "nodes")
		for i := range n {
			c.Nodes = append(c.Nodes, figure.Cause{ID: fmt.Sprint(i), Text: anyWords().Draw(t, "text"), Note: anyWords().Draw(t, "note"),
				Control: figure.ControlState(rapid.IntRange(0, 4).Draw(t, "control")), Outcome: rapid.Bool().Draw(t, "outcome")})
		}
		id := rapid.IntRange(-1, n)
		for range rapid.IntRange(0, 30).Draw(t, "links") {
			c.Links = append(c.Links, figure.Link{From: fmt.Sprint(id.Draw(t, "from")), To: fmt.Sprint(id.Draw(t, "to")), Contributing: rapid.Bool().Draw(t, "soft")})
		}
		f := c.Layout(anySize().Draw(t, "size"))
		checkRules(t, f)
		tableFits(t, f.Table())
		apart(t, f)
		require.Len(t, f.Table().Rows, n, "every node has its row")
	})
}

// A circle cannot be drawn left to right: the link that closes it is left out
// and said.
func TestCauses_circle(t *testing.T) {
	c := figure.Causes{
		Nodes: []figure.Cause{{ID: "a", Text: "a"}, {ID: "b", Text: "b"}, {ID: "c", Text: "c"}},
		Links: []figure.Link{{From: "a", To: "b"}, {From: "b", To: "c"}, {From: "c", To: "a"}, {From: "b", To: "nowhere"}},
	}
	notes := c.Table().Notes
	require.Len(t, notes, 2)
	require.Contains(t, notes[0], `from "c" to "a" would close a circle`)
	require.Contains(t, notes[1], "names no node")
	require.Contains(t, c.Layout(figure.Wide).Desc, "would close a circle")
}

// Causes stand left of what came of them: the picture runs in time.
func TestCauses_leftToRight(t *testing.T) {
	f := chipper().Layout(figure.Wide)
	x := map[string]float64{}
	for _, g := range f.Groups {
		for _, m := range g.Marks {
			if p, ok := m.(figure.Polygon); ok {
				x[g.About] = p.Points[0].X
			}
		}
	}
	require.Len(t, x, 9)
	for _, l := range chipper().Links {
		var from, to float64
		for _, n := range chipper().Nodes {
			for about, v := range x {
				if strings.HasPrefix(about, n.Text) {
					if n.ID == l.From {
						from = v
					}
					if n.ID == l.To {
						to = v
					}
				}
			}
		}
		require.Less(t, from, to, "%s to %s", l.From, l.To)
	}
}

// With labels of an ordinary length, no two texts of a control chart cover
// each other, however the signals fall.
func TestControl_labelsApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 60).Draw(t, "n")
		c := figure.Control{Unit: "injuries per 10,000 hours", CountName: "injuries", ExposureName: "hours"}
		for i := range n {
			o := figure.Observation{Value: rapid.Float64Range(0, 9).Draw(t, "v"), Exposure: rapid.Float64Range(100, 90000).Draw(t, "e"), UCL: rapid.Float64Range(4, 8).Draw(t, "u"), HasUCL: true, LCL: rapid.Float64Range(0, 2).Draw(t, "l"), HasLCL: true}
			o.Label, o.Tick, o.Group = figure.MonthLabel(2020+i/12, time.Month(i%12+1))
			o.Count, o.Beyond = math.Round(o.Value), o.Value > o.UCL
			o.Missing = rapid.IntRange(0, 9).Draw(t, "m") == 0
			o.Provisional = i > n-3
			c.Points = append(c.Points, o)
		}
		c.Center = []figure.Level{{First: 0, Last: n - 1, Value: 4}}
		c.Baseline = &figure.Baseline{First: 0, Last: n / 2}
		first := rapid.IntRange(0, n-1).Draw(t, "run")
		c.Runs = []figure.Run{{First: first, Last: min(n-1, first+8)}}
		c.Flags = []figure.Flag{{At: first, Number: 1}, {At: min(n-1, first+1), Number: 2}, {At: n - 1, Number: 13}}
		for _, size := range sizes {
			apart(t, c.Layout(size))
		}
	})
}

// Every point has its facts in three places: under the pointer, in the table,
// and a signal also beside its mark.
func TestControl_factsEverywhere(t *testing.T) {
	f := depot().Layout(figure.Wide)
	var about []string
	var texts []string
	for _, g := range f.Groups {
		about = append(about, g.About)
		for _, m := range g.Marks {
			if m, ok := m.(figure.Text); ok {
				texts = append(texts, m.S)
			}
		}
	}
	require.Contains(t, about, "Jan 2024: no hours")
	require.Contains(t, about, "Aug 2024: 10 in 33,000 hours, 3.03 injuries needing treatment per 10,000 hours; above the upper limit")
	require.Subset(t, texts, []string{"Aug 2024", "10 in 33,000 hours", "no hours", "provisional", "11 in a row", "baseline Apr 2023 to Mar 2025", "upper limit 3.09", "average 1.08"})
	require.Equal(t, []string{"Aug 2024", "10", "33,000", "3.03", "2.80", "above the upper limit"}, f.Table().Rows[16])
	require.Equal(t, []string{"Jan 2024", "–", "–", "–", "–", "no hours"}, f.Table().Rows[9])
	require.Contains(t, f.Desc, "Beyond the limits: Aug 2024")
	require.Contains(t, strings.Join(f.Table().Notes, " "), "Flag 2 at Apr 2025. Guards fitted to the chippers.")
}

// Missing hours leave a gap: no line crosses them and no mark stands on them.
func TestControl_gapNotZero(t *testing.T) {
	c := depot()
	whole := c.Layout(figure.Wide)
	chains := func(f *figure.Figure) (n int) {
		for _, g := range f.Groups {
			for _, m := range g.Marks {
				if p, ok := m.(figure.Polyline); ok && len(p.Points) > 4 {
					n++
				}
			}
		}
		return n
	}
	c.Points[9].Count = 2
	f := c.Layout(figure.Wide)
	require.Contains(t, f.Desc, "Not in the chart: Jan 2024, no hours, 2 injuries.")
	require.Equal(t, []string{"Jan 2024", "2", "–", "–", "–", "no hours"}, f.Table().Rows[9], "events without hours stay countable")
	c.Points[9].Missing, c.Points[9].Exposure = false, 32500
	c.Points[9].UCL, c.Points[9].HasUCL = 2.8, true
	require.Equal(t, chains(c.Layout(figure.Wide))+2, chains(whole), "line and limit are each in two pieces")
}

// The limit of a month with hardly any hours leaves the plot at the top; it
// neither flattens the rest nor runs along the edge.
func TestControl_limitOffTheTop(t *testing.T) {
	c := depot()
	c.Points[20].Exposure, c.Points[20].UCL = 300, 31
	f := c.Layout(figure.Wide)
	for _, g := range f.Groups {
		for _, m := range g.Marks {
			if p, ok := m.(figure.Polyline); ok {
				for i := 1; i < len(p.Points); i++ {
					level := p.Points[i].Y == p.Points[i-1].Y && len(p.Points) > 5
					require.False(t, level && p.Points[i].Y < 70, "a limit runs along the top edge")
				}
			}
		}
	}
	var texts []string
	for _, g := range f.Groups {
		for _, m := range g.Marks {
			if m, ok := m.(figure.Text); ok {
				texts = append(texts, m.S)
			}
		}
	}
	require.NotContains(t, texts, "30")
	require.Equal(t, "31.00", f.Table().Rows[20][4], "the table keeps the true limit")
}

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		v    float64
		dec  int
		want string
	}{
		{412000, 0, "412,000"}, {-1234.5, 1, "−1,234.5"}, {0.5, 2, "0.50"}, {-0.001, 2, "0.00"}, {999999.99, 1, "1,000,000.0"},
		{math.NaN(), 1, "not known"}, {math.Inf(1), 0, "not known"}, {7, 0, "7"}, {1e18, 2, "1e+18"},
	} {
		require.Equal(t, c.want, figure.Number(c.v, c.dec))
	}
	for v, want := range map[float64]int{7.3: 2, 19.8: 1, 145: 0, 0.9: 2, 0.052: 3, 0: 0} {
		require.Equal(t, want, figure.Decimals(v), "%v", v)
	}
}

func TestPair_idsDiffer(t *testing.T) {
	var b strings.Builder
	require.NoError(t, figure.Pair(&b, "lti", depot().Layout))
	require.Equal(t, 2, strings.Count(b.String(), "<svg "))
	require.Contains(t, b.String(), `id="lti-wide-title"`)
	require.Contains(t, b.String(), `id="lti-narrow-title"`)
}

func TestTextWidth(t *testing.T) {
	// From the font's hmtx table: "1" is 407, "0" is 648 of 1000 units;
	// services/export/pdfdraw compares the whole table with the font.
	require.InDelta(t, 14*(0.407+0.648), figure.TextWidth("10", 14, figure.Regular), 1e-9)
	require.Zero(t, figure.TextWidth("", 14, figure.Bold))
	require.InDelta(t, 14, figure.TextWidth("漢", 14, figure.Regular), 1e-9)
}

// FuzzSVG proves that no words of a person can break out of the drawing.
func FuzzSVG(f *testing.F) {
	f.Add("Mar 2024", "hours", 3.0)
	f.Add(`</text><script>alert(1)</script>`, `" onload="x`, math.Inf(1))
	f.Add("\xff\xfe\x00", "]]>", math.NaN())
	f.Fuzz(func(t *testing.T, a, b string, v float64) {
		c := figure.Control{Title: a, Unit: b, CountName: a, ExposureName: b, Center: []figure.Level{{Last: 1, Value: v}},
			Points: []figure.Observation{{Label: a, Tick: b, Group: a, Value: v, Count: v, Beyond: true}, {Label: b, Value: 1, Exposure: v, UCL: v, HasUCL: true, Note: a, Beyond: true}},
			Runs:   []figure.Run{{Last: 1, Text: b}}, Flags: []figure.Flag{{Note: a}}}
		fig := c.Layout(figure.Narrow)
		checkWords(t, fig)
		fig = figure.Causes{Nodes: []figure.Cause{{ID: a, Text: b}, {ID: b, Text: a}}, Links: []figure.Link{{From: a, To: b}}}.Layout(figure.Wide)
		checkWords(t, fig)
	})
}

// checkWords checks that a figure with hostile words is still a picture and
// nothing else.
func checkWords(t *testing.T, f *figure.Figure) {
	t.Helper()
	var b strings.Builder
	require.NoError(t, f.SVG(&b, f.Title))
	require.True(t, utf8.ValidString(b.String()))
	checkRules(t, f)
}

func BenchmarkControl(b *testing.B) {
	c := depot()
	b.ReportAllocs()
	for b.Loop() {
		var w strings.Builder
		if err := c.Layout(figure.Wide).SVG(&w, "x"); err != nil {
			b.Fatal(err)
		}
	}
}
