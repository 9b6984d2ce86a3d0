package figure_test

import (
	"math"
	"testing"

	"fairlead/analytics/figure"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// anyNumber draws ordinary numbers and, now and then, the ones that break
// drawings.
func anyNumber() *rapid.Generator[float64] {
	return rapid.OneOf(
		rapid.Float64Range(0, 50),
		rapid.Float64Range(-1e3, 1e6),
		rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e308, -1e308, 5e-324, 1e-9, 1e15}),
	)
}

func anyWords() *rapid.Generator[string] {
	return rapid.OneOf(rapid.StringN(0, 40, -1), rapid.SampledFrom([]string{"", "Mar 2024", `<b a="x">&'`, "\x00\xff\n", "Łódź – ½"}))
}

func anySize() *rapid.Generator[figure.Size] {
	return rapid.Custom(func(t *rapid.T) figure.Size {
		if rapid.Bool().Draw(t, "usual") {
			return rapid.SampledFrom([]figure.Size{figure.Wide, figure.Narrow, figure.Print}).Draw(t, "size")
		}
		return figure.Size{Width: anyNumber().Draw(t, "width"), Text: anyNumber().Draw(t, "text")}
	})
}

func anyControl() *rapid.Generator[figure.Control] {
	return rapid.Custom(func(t *rapid.T) figure.Control {
		index := rapid.IntRange(-3, 70)
		c := figure.Control{Title: anyWords().Draw(t, "title"), Unit: anyWords().Draw(t, "unit"),
			CountName: anyWords().Draw(t, "count"), ExposureName: anyWords().Draw(t, "exposure"),
			CenterName: anyWords().Draw(t, "center"), Decimals: rapid.IntRange(-1, 5).Draw(t, "decimals")}
		for range rapid.IntRange(0, 70).Draw(t, "n") {
			c.Points = append(c.Points, figure.Observation{
				Label: anyWords().Draw(t, "label"), Tick: anyWords().Draw(t, "tick"), Group: rapid.SampledFrom([]string{"", "2023", "2024"}).Draw(t, "group"),
				Value: anyNumber().Draw(t, "value"), Count: anyNumber().Draw(t, "count"), Exposure: anyNumber().Draw(t, "exposure"),
				LCL: anyNumber().Draw(t, "lcl"), UCL: anyNumber().Draw(t, "ucl"), HasLCL: rapid.Bool().Draw(t, "hasl"), HasUCL: rapid.Bool().Draw(t, "hasu"),
				Missing: rapid.Bool().Draw(t, "missing"), Provisional: rapid.Bool().Draw(t, "prov"), Beyond: rapid.Bool().Draw(t, "beyond"),
			})
		}
		for range rapid.IntRange(0, 3).Draw(t, "levels") {
			c.Center = append(c.Center, figure.Level{First: index.Draw(t, "first"), Last: index.Draw(t, "last"), Value: anyNumber().Draw(t, "center")})
		}
		for range rapid.IntRange(0, 3).Draw(t, "runs") {
			c.Runs = append(c.Runs, figure.Run{First: index.Draw(t, "first"), Last: index.Draw(t, "last"), Text: anyWords().Draw(t, "text")})
		}
		for range rapid.IntRange(0, 4).Draw(t, "flags") {
			c.Flags = append(c.Flags, figure.Flag{At: index.Draw(t, "at"), Number: rapid.IntRange(-1, 1000).Draw(t, "number"), Note: anyWords().Draw(t, "note")})
		}
		if rapid.Bool().Draw(t, "baseline") {
			c.Baseline = &figure.Baseline{First: index.Draw(t, "first"), Last: index.Draw(t, "last")}
		}
		return c
	})
}

// tableFits proves that a table has a cell under every heading.
func tableFits(t fataler, tb figure.Table) {
	t.Helper()
	require.Len(t, tb.Numeric, len(tb.Headers))
	for _, row := range tb.Rows {
		require.Len(t, row, len(tb.Headers))
	}
}

// Whatever the input, a control chart is well-formed, finite, inside its
// frame and in the palette.
func TestControl_anyInput(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := anyControl().Draw(t, "chart").Layout(anySize().Draw(t, "size"))
		checkRules(t, f)
		tableFits(t, f.Table())
	})
}

// A figure of rows keeps the rules whatever it is given.
func TestRows_anyInput(t *testing.T) {
	anyCount := rapid.OneOf(rapid.Float64Range(0, 400), anyNumber())
	rapid.Check(t, func(t *rapid.T) {
		size := anySize().Draw(t, "size")
		iv := figure.Intervals{Title: anyWords().Draw(t, "title"), Unit: anyWords().Draw(t, "unit"), Reference: anyNumber().Draw(t, "ref"),
			HasReference: rapid.Bool().Draw(t, "has"), ReferenceName: anyWords().Draw(t, "name"), Log: rapid.Bool().Draw(t, "log")}
		pa := figure.Pareto{Unit: anyWords().Draw(t, "unit"), Unknown: anyCount.Draw(t, "unknown"), Other: anyCount.Draw(t, "other")}
		for range rapid.IntRange(0, 12).Draw(t, "n") {
			iv.Rows = append(iv.Rows, figure.Estimate{Label: anyWords().Draw(t, "label"), Facts: anyWords().Draw(t, "facts"),
				Value: anyNumber().Draw(t, "value"), Lo: anyNumber().Draw(t, "lo"), Hi: anyNumber().Draw(t, "hi"),
				HasInterval: rapid.Bool().Draw(t, "bounded"), Missing: rapid.Bool().Draw(t, "missing"), Summary: rapid.Bool().Draw(t, "summary")})
			pa.Bars = append(pa.Bars, figure.Bar{Label: anyWords().Draw(t, "bar"), Count: anyCount.Draw(t, "count"), Hidden: rapid.Bool().Draw(t, "hidden")})
		}
		heat := figure.Heat{Unit: anyWords().Draw(t, "unit"), Total: anyCount.Draw(t, "total")}
		for range rapid.IntRange(0, 9).Draw(t, "cols") {
			heat.Cols = append(heat.Cols, anyWords().Draw(t, "col"))
			heat.ColTotals = append(heat.ColTotals, anyCount.Draw(t, "coltotal"))
		}
		for range rapid.IntRange(0, 9).Draw(t, "rows") {
			heat.Rows = append(heat.Rows, anyWords().Draw(t, "row"))
			heat.RowTotals = append(heat.RowTotals, anyCount.Draw(t, "rowtotal"))
			var row []figure.HeatCell
			for range rapid.IntRange(0, 10).Draw(t, "cells") {
				row = append(row, figure.HeatCell{Count: anyCount.Draw(t, "cell"), Hidden: rapid.Bool().Draw(t, "hidden"), Marked: rapid.Bool().Draw(t, "marked")})
			}
			heat.Cells = append(heat.Cells, row)
		}
		for _, f := range []*figure.Figure{iv.Layout(size), pa.Layout(size), heat.Layout(size)} {
			checkRules(t, f)
			tableFits(t, f.Table())
		}
	})
}

// A withheld count never shows: neither itself nor a figure it follows from.
func TestPareto_hiddenStaysHidden(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		secret := rapid.Float64Range(1, 4).Draw(t, "secret")
		p := guarded()
		p.Bars[2].Count = secret
		a := p.Layout(figure.Wide)
		p.Bars[2].Count = 0
		b := p.Layout(figure.Wide)
		require.Equal(t, a, b)
		for _, row := range a.Table().Rows {
			require.Equal(t, "–", row[2], "a share beside a hidden count gives it away")
		}
	})
}

// A total beside exactly one hidden cell would give it away.
func TestHeat_noTotalBesideOneHidden(t *testing.T) {
	h := crossTable()
	h.Cells[0][0].Hidden = true
	rows := h.Table().Rows
	require.Equal(t, "–", rows[0][6], "row total")
	require.Equal(t, "–", rows[4][1], "column total")
	require.Equal(t, "36", rows[2][6], "a total over two hidden cells stays")
}

// Tints carry numbers: text on each of them is readable, and each differs
// from the next in black and white.
func TestTint_readable(t *testing.T) {
	last := figure.Paper
	for i := 1; i <= 5; i++ {
		c := figure.Tint(float64(i) / 5)
		require.GreaterOrEqual(t, figure.Contrast(figure.TextOn(c), c), 4.5, "tint %d", i)
		require.Greater(t, figure.Contrast(c, last), 1.15, "tint %d against %d", i, i-1)
		last = c
	}
}

func TestPalette_contrast(t *testing.T) {
	// The ratios of the design: ink 16:1, soft ink 7.8, water 8.6, ochre 6.4,
	// computed there independently; rules are never text.
	for c, want := range map[figure.Color]float64{figure.Ink: 16, figure.SoftInk: 7.8, figure.Water: 8.6, figure.Ochre: 6.4, figure.Rule: 3} {
		require.InDelta(t, want, figure.Contrast(c, figure.Paper), 0.5, c.Hex())
	}
	// WCAG 2.1: black on white is 21:1, a colour on itself 1:1.
	require.InDelta(t, 21, figure.Contrast(0x000000, 0xFFFFFF), 1e-9)
	require.InDelta(t, 1, figure.Contrast(figure.Water, figure.Water), 1e-12)
}
