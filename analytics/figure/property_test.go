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
