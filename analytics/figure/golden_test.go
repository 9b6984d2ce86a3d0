package figure_test

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"testing"

	"fairlead/analytics/figure"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// charts are the figures that the golden files show and every rule of drawing
// is checked on.
func charts(t testing.TB) map[string]func(figure.Size) *figure.Figure {
	return map[string]func(figure.Size) *figure.Figure{
		"control-circuit": circuitBoards(t).Layout,
		"control-depot":   depot().Layout,
		"control-empty":   figure.Control{Title: "Nothing yet", Unit: "injuries"}.Layout,
		"run-coal":        coalRun(t).Layout,
		"interval":        workplaces().Layout,
		"interval-empty":  figure.Intervals{Title: "Nothing yet", Unit: "injuries"}.Layout,
		"forest":          ratios().Layout,
		"pareto":          mechanisms().Layout,
		"pareto-guarded":  guarded().Layout,
		"pareto-empty":    figure.Pareto{Title: "Nothing yet", Unit: "injuries"}.Layout,
		"heat":            crossTable().Layout,
		"heat-wide":       wideTable().Layout,
		"funnel":          sitesFunnel().Layout,
		"funnel-empty":    figure.Funnel{Title: "Nothing yet", Unit: "injuries"}.Layout,
		"survival":        remission().Layout,
		"survival-empty":  figure.Survival{Title: "Nothing yet", Unit: "share"}.Layout,
		"causes":          chipper().Layout,
		"causes-empty":    figure.Causes{Title: "Nothing yet"}.Layout,
		"heat-empty":      figure.Heat{Title: "Nothing yet", Unit: "injuries"}.Layout,
	}
}

var sizes = map[string]figure.Size{"wide": figure.Wide, "narrow": figure.Narrow, "print": figure.Print}

func names[T any](m map[string]T) []string {
	var out []string
	for n := range m {
		out = append(out, n)
	}
	sort.Strings(out)
	return out
}

func svg(t testing.TB, f *figure.Figure, id string) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, f.SVG(&b, id))
	return b.String()
}

func TestSVG_golden(t *testing.T) {
	for _, name := range names(charts(t)) {
		for _, size := range names(sizes) {
			t.Run(name+"-"+size, func(t *testing.T) {
				got := svg(t, charts(t)[name](sizes[size]), name)
				path := filepath.Join("testdata", name+"-"+size+".golden.svg")
				if *update {
					require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
				}
				want, err := os.ReadFile(path)
				require.NoError(t, err, "run go test -update and look at the figure")
				require.Equal(t, string(want), got)
			})
		}
	}
}

// TestSVG_rules proves what the page relies on: well-formed, no style or
// script, palette colours only, readable text, nothing outside the drawing.
func TestSVG_rules(t *testing.T) {
	for _, name := range names(charts(t)) {
		for _, size := range names(sizes) {
			t.Run(name+"-"+size, func(t *testing.T) {
				checkRules(t, charts(t)[name](sizes[size]))
			})
		}
	}
}

// What may stand in a figure: no style, no script, no handler, no link.
var (
	elements   = set("svg title desc g path circle text")
	attributes = set("xmlns class role aria-labelledby viewBox width font-family font-size fill stroke stroke-width stroke-dasharray stroke-linecap stroke-linejoin paint-order pointer-events text-anchor font-weight id d x y cx cy r")
	drawn      = set("d x y cx cy r stroke-width stroke-dasharray font-size viewBox")
)

func set(words string) map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(words) {
		out[w] = true
	}
	return out
}

var (
	hex     = regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b`)
	numbers = regexp.MustCompile(`-?\d+(\.\d+)?`)
)

// fataler is the part of testing.TB that rapid's T has too.
type fataler interface {
	Helper()
	Errorf(format string, args ...any)
	FailNow()
}

func checkRules(t fataler, f *figure.Figure) {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, f.SVG(&b, "x"))
	s := b.String()
	require.Contains(t, s, `role="img"`)
	require.Contains(t, s, `aria-labelledby="x-title x-desc"`)

	allowed := map[string]bool{}
	for _, c := range []figure.Color{figure.Paper, figure.Ink, figure.SoftInk, figure.Rule, figure.Water, figure.Ochre} {
		allowed[c.Hex()] = true
	}
	for i := 0; i <= 10; i++ {
		allowed[figure.Tint(float64(i)/10).Hex()] = true
	}
	ids := map[string]bool{}
	for dec := xml.NewDecoder(strings.NewReader(s)); ; {
		tok, err := dec.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, "not well-formed")
		el, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		require.True(t, elements[el.Name.Local], "element %s", el.Name.Local)
		for _, a := range el.Attr {
			require.True(t, attributes[a.Name.Local], "attribute %s", a.Name.Local)
			if drawn[a.Name.Local] {
				require.NotContains(t, a.Value, "NaN")
				require.NotContains(t, a.Value, "Inf")
			}
			switch a.Name.Local {
			case "id":
				require.False(t, ids[a.Value], "id %s twice", a.Value)
				ids[a.Value] = true
			case "fill", "stroke":
				for _, c := range hex.FindAllString(a.Value, -1) {
					require.True(t, allowed[c], "colour %s is not in the palette", c)
				}
			case "d", "x", "y", "cx", "cy", "r", "stroke-width":
				for _, n := range numbers.FindAllString(a.Value, -1) {
					v, err := strconv.ParseFloat(n, 64)
					require.NoError(t, err)
					require.Less(t, v, 1e5)
				}
			}
		}
	}
	for _, g := range f.Groups {
		for _, m := range g.Marks {
			switch m := m.(type) {
			case figure.Text:
				checkText(t, f, m)
			case figure.Polyline:
				inside(t, f, m.Points...)
			case figure.Polygon:
				inside(t, f, m.Points...)
			case figure.Circle:
				inside(t, f, m.Center)
			}
		}
	}
}

func inside(t fataler, f *figure.Figure, pts ...figure.Point) {
	t.Helper()
	for _, p := range pts {
		require.True(t, p.X >= -0.01 && p.X <= f.Width+0.01 && p.Y >= -0.01 && p.Y <= f.Height+0.01,
			"point %v outside %v x %v", p, f.Width, f.Height)
	}
}

func checkText(t fataler, f *figure.Figure, m figure.Text) {
	t.Helper()
	x0, x1 := extent(m)
	require.True(t, x0 >= -0.5 && x1 <= f.Width+0.5, "text %q spans %.1f to %.1f of %.1f", m.S, x0, x1, f.Width)
	require.True(t, m.At.Y-0.5*m.Style.Size >= -0.5 && m.At.Y <= f.Height, "text %q at y %.1f of %.1f", m.S, m.At.Y, f.Height)
	if m.Style.Color != figure.Paper {
		require.GreaterOrEqual(t, figure.Contrast(m.Style.Color, figure.Paper), 4.5, "text %q is too faint", m.S)
	}
	require.GreaterOrEqual(t, m.Style.Size, 0.85*f.Text, "text %q is too small", m.S)
}

func extent(m figure.Text) (x0, x1 float64) {
	w := figure.TextWidth(m.S, m.Style.Size, m.Style.Weight)
	switch m.Style.Anchor {
	case figure.Middle:
		return m.At.X - w/2, m.At.X + w/2
	case figure.End:
		return m.At.X - w, m.At.X
	}
	return m.At.X, m.At.X + w
}

// TestLabels_apart proves that no two texts of a figure cover each other.
func TestLabels_apart(t *testing.T) {
	for _, name := range names(charts(t)) {
		for _, size := range names(sizes) {
			t.Run(name+"-"+size, func(t *testing.T) {
				apart(t, charts(t)[name](sizes[size]))
			})
		}
	}
}

func apart(t fataler, f *figure.Figure) {
	t.Helper()
	var all []figure.Text
	for _, g := range f.Groups {
		for _, m := range g.Marks {
			if m, ok := m.(figure.Text); ok {
				for _, o := range all {
					a0, a1 := extent(o)
					b0, b1 := extent(m)
					over := a0 < b1-0.5 && b0 < a1-0.5 &&
						o.At.Y-0.5*o.Style.Size < m.At.Y && m.At.Y-0.5*m.Style.Size < o.At.Y
					require.False(t, over, "%q covers %q", m.S, o.S)
				}
				all = append(all, m)
			}
		}
	}
}

func TestSVG_deterministic(t *testing.T) {
	for name, layout := range charts(t) {
		require.Equal(t, svg(t, layout(figure.Wide), name), svg(t, layout(figure.Wide), name))
	}
}
