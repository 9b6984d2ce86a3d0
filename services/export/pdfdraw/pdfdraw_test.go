package pdfdraw_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/go-pdf/fpdf"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"

	"fairlead/analytics/figure"
	"fairlead/services/export/fonts"
	"fairlead/services/export/pdfdraw"
)

func chart() figure.Control {
	c := figure.Control{
		Title: "Injuries needing treatment", Unit: "injuries per 10,000 hours", CountName: "injuries", ExposureName: "hours",
		Center: []figure.Level{{First: 0, Last: 23, Value: 1}}, Baseline: &figure.Baseline{First: 0, Last: 11},
		Runs: []figure.Run{{First: 15, Last: 23}}, Flags: []figure.Flag{{At: 12, Number: 1}},
	}
	for i := range 24 {
		o := figure.Observation{Count: float64(i % 5), Exposure: 30000, Value: float64(i%5) / 3, UCL: 2.7, HasUCL: true, Provisional: i > 21}
		o.Label, o.Tick, o.Group = figure.MonthLabel(2024+i/12, time.Month(i%12+1))
		if i == 9 {
			o.Count, o.Value, o.Beyond = 9, 3, true
		}
		if i == 5 {
			o.Missing = true
		}
		c.Points = append(c.Points, o)
	}
	return c
}

// newDoc returns a document whose bytes do not depend on the day.
func newDoc(t *testing.T, unit string) *fpdf.Fpdf {
	pdf := fpdf.New("P", unit, "A4", "")
	pdf.SetCompression(false)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(time.Unix(0, 0).UTC())
	pdf.SetModificationDate(time.Unix(0, 0).UTC())
	require.NoError(t, pdfdraw.AddFonts(pdf))
	pdf.AddPage()
	pdf.SetFont(fonts.Family, "", 10)
	return pdf
}

func output(t *testing.T, pdf *fpdf.Fpdf) []byte {
	var b bytes.Buffer
	require.NoError(t, pdf.Output(&b))
	return b.Bytes()
}

func TestDraw_vectors(t *testing.T) {
	f := chart().Layout(figure.Print)
	pdf := newDoc(t, "mm")
	h, err := pdfdraw.Draw(pdf, f, 20, 30)
	require.NoError(t, err)
	require.InDelta(t, f.Height*25.4/72, h, 1e-6)
	out := output(t, pdf)
	require.NotContains(t, string(out), "/Subtype /Image")
	page, _, _ := strings.Cut(string(out), "endstream")
	require.NotContains(t, page, "NaN")
	require.NotContains(t, page, "Inf")

	// Every word of the figure is on the page, as UTF-16 text.
	words := 0
	f.Draw(visitor(func(s string) {
		words++
		var u bytes.Buffer
		for _, r := range s {
			require.NoError(t, binary.Write(&u, binary.BigEndian, uint16(r)))
		}
		esc := strings.NewReplacer("\\", "\\\\", "(", "\\(", ")", "\\)", "\r", "\\r").Replace(u.String())
		require.Contains(t, string(out), "("+esc+")", s)
	}))
	require.Greater(t, words, 10)
	if dir := os.Getenv("FIGURE_OUT"); dir != "" { // for looking at the page
		require.NoError(t, os.WriteFile(dir+"/chart.pdf", out, 0o644))
	}
}

func TestDraw_sameInEveryUnit(t *testing.T) {
	f := chart().Layout(figure.Print)
	mm, pt := newDoc(t, "mm"), newDoc(t, "pt")
	_, err := pdfdraw.Draw(mm, f, 25.4, 25.4)
	require.NoError(t, err)
	_, err = pdfdraw.Draw(pt, f, 72, 72)
	require.NoError(t, err)
	require.Equal(t, len(output(t, pt)), len(output(t, mm)))
}

func TestDraw_deterministic(t *testing.T) {
	var outs [2][]byte
	for i := range outs {
		pdf := newDoc(t, "pt")
		_, err := pdfdraw.Draw(pdf, chart().Layout(figure.Print), 50, 50)
		require.NoError(t, err)
		outs[i] = output(t, pdf)
	}
	require.Equal(t, outs[0], outs[1])
}

// Words from outside may hold any rune; the library must survive them.
func TestDraw_anyRunes(t *testing.T) {
	p := figure.Pareto{Unit: "kinds 🙂", Bars: []figure.Bar{{Label: "a\x00b 🙂 \xff 漢字 (paren\\", Count: 3}}}
	pdf := newDoc(t, "pt")
	_, err := pdfdraw.Draw(pdf, p.Layout(figure.Print), 50, 50)
	require.NoError(t, err)
	require.NotEmpty(t, output(t, pdf))
}

func TestDraw_withoutFonts(t *testing.T) {
	pdf := fpdf.New("P", "pt", "A4", "")
	pdf.AddPage()
	_, err := pdfdraw.Draw(pdf, chart().Layout(figure.Print), 50, 50)
	require.ErrorContains(t, err, "pdfdraw: draw figure")
}

// The figures measure text with a table; it must be the font's own.
func TestWidths_matchFont(t *testing.T) {
	for weight, data := range map[figure.Weight][]byte{figure.Regular: fonts.Regular, figure.Bold: fonts.Bold} {
		font, err := sfnt.Parse(data)
		require.NoError(t, err)
		require.EqualValues(t, 1000, font.UnitsPerEm())
		var buf sfnt.Buffer
		seen := 0
		for r := rune(0x20); r < 0x2300; r++ {
			g, err := font.GlyphIndex(&buf, r)
			require.NoError(t, err)
			if g == 0 {
				require.EqualValues(t, 1000, figure.TextWidth(string(r), 1000, weight), "U+%04X is not in the font", r)
				continue
			}
			adv, err := font.GlyphAdvance(&buf, g, fixed.I(1000), 0)
			require.NoError(t, err)
			require.EqualValues(t, adv.Round(), figure.TextWidth(string(r), 1000, weight), fmt.Sprintf("U+%04X", r))
			seen++
		}
		require.Equal(t, 329, seen)
	}
}

// visitor calls a function with every text of a figure.
type visitor func(string)

func (v visitor) Group(string)                                          {}
func (v visitor) Polyline([]figure.Point, figure.Pen)                   {}
func (v visitor) Polygon([]figure.Point, figure.Pen, figure.Fill)       {}
func (v visitor) Circle(figure.Point, float64, figure.Pen, figure.Fill) {}
func (v visitor) Text(_ figure.Point, s string, _ figure.TextStyle)     { v(s) }
