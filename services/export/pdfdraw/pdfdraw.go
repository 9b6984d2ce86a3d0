package pdfdraw

import (
	"fmt"
	"math"
	"strings"

	"github.com/go-pdf/fpdf"

	"fairlead/analytics/figure"
	"fairlead/services/export/fonts"
)

// AddFonts registers the typeface with a document: family [fonts.Family] in
// regular ("") and bold ("B"), and [fonts.MonoFamily] in regular. Call it once
// for a document, before its first text.
func AddFonts(pdf *fpdf.Fpdf) error {
	pdf.AddUTF8FontFromBytes(fonts.Family, "", fonts.Regular)
	pdf.AddUTF8FontFromBytes(fonts.Family, "B", fonts.Bold)
	pdf.AddUTF8FontFromBytes(fonts.MonoFamily, "", fonts.Mono)
	if err := pdf.Error(); err != nil {
		return fmt.Errorf("pdfdraw: add fonts: %w", err)
	}
	return nil
}

// Draw draws a figure with its upper left corner at x, y and returns its
// height, all in the units of the document. The figure keeps its size: lay it
// out for the width of the page first. The document needs a page and the fonts
// of [AddFonts]. Colours, line and font settings of the document are left as
// the figure set them, except that dashes are switched off and the font is
// restored.
func Draw(pdf *fpdf.Fpdf, f *figure.Figure, x, y float64) (height float64, err error) {
	k := pdf.GetConversionRatio()
	if !(k > 0) {
		return 0, fmt.Errorf("pdfdraw: draw figure: the document has no unit")
	}
	size, _ := pdf.GetFontSize()
	d := &device{pdf: pdf, k: k, x: x, y: y}
	pdf.SetLineJoinStyle("round")
	pdf.SetLineCapStyle("butt")
	f.Draw(d)
	pdf.SetDashPattern(nil, 0)
	pdf.SetLineCapStyle("butt")
	if size > 0 {
		pdf.SetFont(fonts.Family, "", size)
	}
	if err := pdf.Error(); err != nil {
		return 0, fmt.Errorf("pdfdraw: draw figure: %w", err)
	}
	return f.Height / k, nil
}

// device plays figure primitives to a document. Figures speak in points, the
// document in units of k points.
type device struct {
	pdf  *fpdf.Fpdf
	k    float64
	x, y float64
}

func (d *device) at(p figure.Point) (x, y float64) { return d.x + p.X/d.k, d.y + p.Y/d.k }

// Group does nothing: paper has no tooltips.
func (d *device) Group(string) {}

// Polyline strokes an open chain.
func (d *device) Polyline(pts []figure.Point, pen figure.Pen) {
	if len(pts) < 2 || !(pen.Width > 0) {
		return
	}
	d.pen(pen)
	d.path(pts)
	d.pdf.DrawPath("D")
}

// Polygon fills and strokes a closed area.
func (d *device) Polygon(pts []figure.Point, pen figure.Pen, fill figure.Fill) {
	style := d.style(pen, fill)
	if len(pts) < 2 || style == "" {
		return
	}
	d.path(pts)
	d.pdf.ClosePath()
	d.pdf.DrawPath(style)
}

// Circle fills and strokes a dot.
func (d *device) Circle(c figure.Point, r float64, pen figure.Pen, fill figure.Fill) {
	style := d.style(pen, fill)
	if style == "" {
		return
	}
	x, y := d.at(c)
	d.pdf.Circle(x, y, r/d.k, style)
}

// Text sets words on their baseline. A halo becomes a rectangle of paper
// behind the words.
func (d *device) Text(at figure.Point, s string, st figure.TextStyle) {
	s = printable(s)
	w := figure.TextWidth(s, st.Size, st.Weight)
	switch st.Anchor {
	case figure.Middle:
		at.X -= w / 2
	case figure.End:
		at.X -= w
	}
	x, y := d.at(at)
	if st.Halo {
		d.pdf.SetFillColor(rgb(figure.Paper))
		pad := 0.1 * st.Size / d.k
		d.pdf.Rect(x-pad, y-0.74*st.Size/d.k, w/d.k+2*pad, 0.96*st.Size/d.k, "F")
	}
	weight := ""
	if st.Weight == figure.Bold {
		weight = "B"
	}
	d.pdf.SetTextColor(rgb(st.Color))
	d.pdf.SetFont(fonts.Family, weight, st.Size)
	d.pdf.Text(x, y, s)
}

// rgb returns a colour for a sheet of white paper: the tone of paper on the
// screen is the sheet itself in print.
func rgb(c figure.Color) (int, int, int) {
	if c == figure.Paper {
		return 255, 255, 255
	}
	r, g, b := c.RGB()
	return int(r), int(g), int(b)
}

func (d *device) path(pts []figure.Point) {
	for i, p := range pts {
		x, y := d.at(p)
		if i == 0 {
			d.pdf.MoveTo(x, y)
		} else {
			d.pdf.LineTo(x, y)
		}
	}
}

func (d *device) pen(p figure.Pen) {
	d.pdf.SetDrawColor(rgb(p.Color))
	d.pdf.SetLineWidth(p.Width / d.k)
	dash := make([]float64, len(p.Dash))
	lineCap := "butt"
	for i, v := range p.Dash {
		dash[i] = v / d.k
		if v == 0 {
			lineCap = "round" // a dot is a dash of no length with round ends
		}
	}
	d.pdf.SetLineCapStyle(lineCap)
	d.pdf.SetDashPattern(dash, 0)
}

// style prepares pen and fill and returns fpdf's letters for them.
func (d *device) style(pen figure.Pen, fill figure.Fill) string {
	s := ""
	if fill.Solid {
		d.pdf.SetFillColor(rgb(fill.Color))
		s = "F"
	}
	if pen.Width > 0 && !math.IsInf(pen.Width, 0) {
		d.pen(pen)
		s += "D"
	}
	return s
}

// printable replaces what the embedded fonts and the PDF library cannot set:
// runes beyond the basic plane, which the library's width table does not
// reach, and control characters.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r > 0xFFFF:
			return '?'
		case r < 0x20:
			return ' '
		}
		return r
	}, s)
}
