package figure

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Family is the font family of the figures, with a fallback.
const Family = "Atkinson Hyperlegible Next, sans-serif"

// SVG writes the figure as one svg element for inlining in a page or saving
// as a file.
//
// id is a prefix, unique on the page, for the ids of title and description;
// runes other than letters, digits, "-" and "_" are dropped from it. The bytes
// are the same for the same figure and id on every run. The element carries
// presentation attributes only, so a content security policy may forbid inline
// styles and scripts. Its text is one image to a screen reader, whose facts
// are in [Figure.Table]; nothing inside takes the keyboard focus.
func (f *Figure) SVG(w io.Writer, id string) error {
	id = cleanID(id)
	d := &svgDevice{text: f.Text}
	fmt.Fprintf(&d.b, `<svg xmlns="http://www.w3.org/2000/svg" class="figure" role="img" aria-labelledby="%s-title %s-desc" viewBox="0 0 %s %s" width="100%%" font-family="%s" font-size="%s" fill="none" stroke-linejoin="round">`,
		id, id, num(f.Width), num(f.Height), escape(Family), num(f.Text))
	fmt.Fprintf(&d.b, "\n<title id=\"%s-title\">%s</title>\n<desc id=\"%s-desc\">%s</desc>\n", id, escape(f.Title), id, escape(f.Desc))
	for _, g := range f.Groups {
		if g.About == "" {
			for _, m := range g.Marks {
				m.Draw(d)
			}
			continue
		}
		fmt.Fprintf(&d.b, "<g><title>%s</title>\n", escape(g.About))
		if t := g.Touch; t.R > 0 {
			fmt.Fprintf(&d.b, `<circle cx="%s" cy="%s" r="%s" pointer-events="all"/>`+"\n", num(t.Center.X), num(t.Center.Y), num(t.R))
		}
		for _, m := range g.Marks {
			m.Draw(d)
		}
		d.b.WriteString("</g>\n")
	}
	d.b.WriteString("</svg>\n")
	if _, err := w.Write(d.b.Bytes()); err != nil {
		return fmt.Errorf("figure: write svg: %w", err)
	}
	return nil
}

// Pair writes a chart laid out for a desk page and for a phone, as two svg
// elements in a div of class "figure-pair", the first in a span of class
// "figure-wide", the second in one of class "figure-narrow". The style sheet
// shows one of them by the width of the window, with display: none on the
// other, which hides it from screen readers too.
func Pair(w io.Writer, id string, layout func(Size) *Figure) error {
	for _, part := range []struct {
		class string
		size  Size
	}{{"figure-wide", Wide}, {"figure-narrow", Narrow}} {
		open := `<span class="` + part.class + `">`
		if part.class == "figure-wide" {
			open = `<div class="figure-pair">` + open
		}
		if _, err := io.WriteString(w, open); err != nil {
			return fmt.Errorf("figure: write pair: %w", err)
		}
		if err := layout(part.size).SVG(w, id+"-"+strings.TrimPrefix(part.class, "figure-")); err != nil {
			return err
		}
		end := "</span>"
		if part.class == "figure-narrow" {
			end += "</div>\n"
		}
		if _, err := io.WriteString(w, end); err != nil {
			return fmt.Errorf("figure: write pair: %w", err)
		}
	}
	return nil
}

type svgDevice struct {
	b    bytes.Buffer
	text float64
}

// Group does nothing: SVG writes groups itself because they nest.
func (d *svgDevice) Group(string) {}

func (d *svgDevice) Polyline(pts []Point, pen Pen) {
	if len(pts) < 2 {
		return
	}
	d.b.WriteString(`<path d="`)
	d.path(pts)
	d.b.WriteByte('"')
	d.pen(pen)
	d.b.WriteString("/>\n")
}

func (d *svgDevice) Polygon(pts []Point, pen Pen, fill Fill) {
	if len(pts) < 2 {
		return
	}
	d.b.WriteString(`<path d="`)
	d.path(pts)
	d.b.WriteString(`z"`)
	d.fill(fill)
	d.pen(pen)
	d.b.WriteString("/>\n")
}

func (d *svgDevice) Circle(c Point, r float64, pen Pen, fill Fill) {
	fmt.Fprintf(&d.b, `<circle cx="%s" cy="%s" r="%s"`, num(c.X), num(c.Y), num(r))
	d.fill(fill)
	d.pen(pen)
	d.b.WriteString("/>\n")
}

func (d *svgDevice) Text(at Point, s string, st TextStyle) {
	fmt.Fprintf(&d.b, `<text x="%s" y="%s"`, num(at.X), num(at.Y))
	d.fill(Solid(st.Color))
	if st.Size != d.text {
		fmt.Fprintf(&d.b, ` font-size="%s"`, num(st.Size))
	}
	if st.Weight == Bold {
		d.b.WriteString(` font-weight="700"`)
	}
	switch st.Anchor {
	case Middle:
		d.b.WriteString(` text-anchor="middle"`)
	case End:
		d.b.WriteString(` text-anchor="end"`)
	}
	if st.Halo {
		fmt.Fprintf(&d.b, ` stroke="%s" stroke-width="%s" paint-order="stroke"`, Paper.Hex(), num(st.Size*0.28))
	}
	d.b.WriteString(">" + escape(s) + "</text>\n")
}

// path writes absolute coordinates; horizontal and vertical steps take the
// short commands, which halves a stepped limit.
func (d *svgDevice) path(pts []Point) {
	var px, py string
	for i, p := range pts {
		x, y := num(p.X), num(p.Y)
		switch {
		case i == 0:
			d.b.WriteString("M" + x + " " + y)
		case x == px && y == py:
		case y == py:
			d.b.WriteString("H" + x)
		case x == px:
			d.b.WriteString("V" + y)
		default:
			d.b.WriteString("L" + x + " " + y)
		}
		px, py = x, y
	}
}

func (d *svgDevice) fill(f Fill) {
	if f.Solid {
		d.b.WriteString(` fill="` + f.Color.Hex() + `"`)
	}
}

func (d *svgDevice) pen(p Pen) {
	if !(p.Width > 0) {
		return
	}
	fmt.Fprintf(&d.b, ` stroke="%s" stroke-width="%s"`, p.Color.Hex(), num(p.Width))
	if len(p.Dash) == 0 {
		return
	}
	parts := make([]string, len(p.Dash))
	dots := false
	for i, v := range p.Dash {
		parts[i] = num(v)
		dots = dots || v == 0
	}
	d.b.WriteString(` stroke-dasharray="` + strings.Join(parts, " ") + `"`)
	if dots {
		d.b.WriteString(` stroke-linecap="round"`)
	}
}

// num writes a coordinate with at most two decimals. Layouts keep coordinates
// finite; a mistake there draws at the edge instead of writing a broken file.
func num(v float64) string {
	if !finite(v) {
		return "0"
	}
	s := strconv.FormatFloat(v, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" || s == "" {
		return "0"
	}
	return s
}

// escape makes any string safe as XML text and attribute value. Characters
// that XML cannot hold become the replacement character.
func escape(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '&':
			b.WriteString("&amp;")
		case r == '<':
			b.WriteString("&lt;")
		case r == '>':
			b.WriteString("&gt;")
		case r == '"':
			b.WriteString("&quot;")
		case r == '\n' || r == '\r' || r == '\t':
			b.WriteByte(' ')
		case r < 0x20 || r == 0x7F || r == 0xFFFE || r == 0xFFFF:
			b.WriteRune('\uFFFD')
		default:
			b.WriteRune(r) // range turns invalid UTF-8 into U+FFFD
		}
	}
	return b.String()
}

func cleanID(id string) string {
	id = strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return -1
	}, id)
	if id == "" || (id[0] >= '0' && id[0] <= '9') || id[0] == '-' {
		id = "figure" + id
	}
	return id
}
