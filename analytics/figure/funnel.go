package figure

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Site is one open circle of a funnel.
type Site struct {
	Name string
	// Exposure is the hours behind the value, the place along the bottom.
	Exposure float64
	Count    float64
	Value    float64
	// Outside marks a site beyond the outer curve; only these are named.
	Outside bool
}

// Curve is a pair of limits around the centre of a funnel, as functions of
// exposure.
type Curve struct {
	// Name is written at the right end: "95 %".
	Name string
	// X ascends; Lower and Upper are the limits there.
	X, Lower, Upper []float64
}

// Funnel compares sites by their rate against how much exposure they had. It
// is not a ranking: a site inside the curves differs by no more than chance.
type Funnel struct {
	// Title names the chart for screen readers and the table.
	Title string
	// Unit is the quantity on the vertical axis with its unit.
	Unit string
	// ExposureUnit is the quantity along the bottom: "hours worked in 12
	// months".
	ExposureUnit string
	// CountName, ExposureName and SiteName are the words for the table and
	// for the counts beside a name: "injuries", "hours", "workplace".
	CountName, ExposureName, SiteName string
	// Center is the rate of all sites together, CenterName its word, empty
	// for "all together".
	Center     float64
	CenterName string
	// Decimals of written values; zero chooses by size, negative writes whole
	// numbers.
	Decimals int

	Sites  []Site
	Curves []Curve
}

func (s Site) shown() bool {
	return drawable(s.Value) && drawable(s.Exposure) && s.Exposure > 0
}

func (c Funnel) decimals() int {
	if c.Decimals != 0 {
		return min(max(0, c.Decimals), 12)
	}
	return min(Decimals(c.Center), 4)
}

func (c Funnel) facts(s Site) string {
	return strings.TrimSpace(Count(s.Count) + " in " + Count(s.Exposure) + " " + c.ExposureName)
}

// Table returns the facts of the chart without laying it out, sites in the
// caller's order.
func (c Funnel) Table() Table {
	t := Table{Caption: c.Title}
	t.col(capitalise(or(c.SiteName, "site")), false)
	t.col(capitalise(or(c.CountName, "count")), true)
	t.col(capitalise(or(c.ExposureName, "exposure")), true)
	t.col(capitalise(or(c.Unit, "value")), true)
	t.col("Remarks", false)
	for _, s := range c.Sites {
		remark := ""
		if s.Outside {
			remark = "outside the funnel"
		}
		row := []string{s.Name, Count(s.Count), "–", "–", remark}
		if s.shown() {
			row[2], row[3] = Count(s.Exposure), Number(s.Value, c.decimals())
		} else {
			row[4] = "no hours, not drawn"
		}
		t.Rows = append(t.Rows, row)
	}
	if drawable(c.Center) {
		t.Notes = append(t.Notes, fmt.Sprintf("%s %s.", capitalise(or(c.CenterName, "all together")), Number(c.Center, c.decimals())))
	}
	for _, k := range c.Curves {
		t.Notes = append(t.Notes, fmt.Sprintf("Curve: %s of sites like the rest would lie within.", k.Name))
	}
	return t
}

func (c Funnel) describe() string {
	if len(c.Sites) == 0 {
		return "No sites yet."
	}
	s := []string{"Funnel of " + plural(len(c.Sites), or(c.SiteName, "site"), or(c.SiteName, "site")+"s") + "."}
	out := 0
	for _, x := range c.Sites {
		if x.Outside {
			out++
			s = append(s, fmt.Sprintf("Outside: %s, %s.", x.Name, c.facts(x)))
		}
	}
	if out == 0 {
		s = append(s, "None is outside.")
	}
	return strings.Join(append(s, c.Table().Notes...), " ")
}

// Layout places the chart for a size.
func (c Funnel) Layout(size Size) *Figure {
	size = size.sane()
	em := size.Text
	f := &Figure{Width: size.Width, Text: em, Title: c.Title, Desc: c.describe(), table: c.Table()}
	p := &plot{f: f, em: em, n: 1}
	p.top = p.heading(c.Unit) + 1.9*em
	maxX, hi := 0.0, 0.0
	for _, s := range c.Sites {
		if s.shown() {
			maxX, hi = maxf(maxX, s.Exposure), maxf(hi, s.Value)
		}
	}
	if drawable(c.Center) {
		hi = maxf(hi, 2.2*c.Center)
	}
	if maxX == 0 {
		f.add("", p.label(0, p.top+em, "No sites yet.", Start, SoftInk))
		f.Height = p.top + 1.6*em
		return f
	}
	yt := niceTicks(0, hi, 5, false)
	p.left = widest(yt.labels(), em, Regular) + 0.7*em
	ends := c.ends(size.Width < 34*em, em, 0.36*size.Width)
	room := 0.0
	for _, e := range ends {
		room = maxf(room, e.w.width())
	}
	p.right = f.Width - room - 0.5*em
	p.bottom = p.top + maxf(13*em, minf(19*em, 0.36*size.Width))
	p.y = scale{yt.lo(), yt.hi(), p.bottom - 0.8*em, p.top}
	xt := niceTicks(0, maxX, int(maxf(2, minf(6, (p.right-p.left)/(6*em)))), false)
	x := scale{0, xt.hi(), p.left, p.right}
	p.valueAxis(yt)
	p.p.bounds = box{p.left + 0.2*em, p.top - 1.7*em, f.Width, p.bottom - 0.1*em}
	f.Height = p.numberAxis(xt, x, c.ExposureUnit) + 0.3*em
	p.funnelLines(c, x)
	for i := range ends {
		ends[i].y = p.y.at(ends[i].y)
	}
	sort.SliceStable(ends, func(i, j int) bool { return ends[i].y < ends[j].y })
	p.endLabels(ends)
	p.sites(c, x)
	return f
}

// ends are the names at the right end of centre and curves; y is still a
// value.
func (c Funnel) ends(stacked bool, em, most float64) []endLabel {
	var out []endLabel
	add := func(v float64, color Color, lines ...string) {
		for i := range lines {
			lines[i] = fit(lines[i], em, Regular, most)
		}
		out = append(out, endLabel{v, words{lines: lines, size: em, color: color}})
	}
	if drawable(c.Center) {
		name, v := or(c.CenterName, "all together"), Number(c.Center, c.decimals())
		if one := name + " " + v; !stacked && TextWidth(one, em, Regular) <= most {
			add(c.Center, Ink, one)
		} else {
			add(c.Center, Ink, append(strings.Fields(name), v)...)
		}
	}
	for _, k := range c.Curves {
		n := len(k.X)
		if n == 0 || k.Name == "" {
			continue
		}
		if len(k.Upper) >= n && drawable(k.Upper[n-1]) {
			add(k.Upper[n-1], SoftInk, k.Name)
		}
		if len(k.Lower) >= n && drawable(k.Lower[n-1]) && k.Lower[n-1] > 0 {
			add(k.Lower[n-1], SoftInk, k.Name)
		}
	}
	return out
}

// funnelLines draws the centre and the curves, the outer ones solid, the inner
// ones dashed.
func (p *plot) funnelLines(c Funnel, x scale) {
	em := p.em
	if drawable(c.Center) {
		pts := []Point{{p.left, p.y.at(c.Center)}, {p.right, p.y.at(c.Center)}}
		p.f.add("", Polyline{pts, Pen{Color: Ink, Width: 0.1 * em}})
		p.p.chain(pts)
	}
	for i, k := range c.Curves {
		pen := limitPen(em)
		if i < len(c.Curves)-1 {
			pen.Dash = []float64{0.4 * em, 0.3 * em}
		}
		for _, vs := range [][]float64{k.Upper, aboveZero(k.Lower)} {
			for _, part := range clipChain(k.X, vs, p.y.hi, x.hi) {
				pts := make([]Point, len(part))
				for j, q := range part {
					pts[j] = Point{x.at(q.X), p.y.at(q.Y)}
				}
				p.f.add("", Polyline{pts, pen})
				p.p.chain(pts)
			}
		}
	}
}

// aboveZero blanks a lower limit where it lies on zero and limits nothing.
func aboveZero(vs []float64) []float64 {
	out := append([]float64(nil), vs...)
	for i, v := range out {
		if !(v > 0) {
			out[i] = math.NaN()
		}
	}
	return out
}

// clipChain cuts a curve of values at a roof and at a right edge, and breaks it
// where a value is missing.
func clipChain(xs, vs []float64, roof, edge float64) [][]Point {
	var out [][]Point
	var cur []Point
	flush := func() {
		if len(cur) > 1 {
			out = append(out, cur)
		}
		cur = nil
	}
	for i := range xs {
		if i >= len(vs) || !drawable(xs[i]) || !drawable(vs[i]) || xs[i] > edge {
			flush()
			continue
		}
		q := Point{xs[i], vs[i]}
		if i > 0 && drawable(xs[i-1]) && drawable(vs[i-1]) && (vs[i-1] > roof) != (q.Y > roof) {
			// Where the curve passes the roof, end or start on it.
			t := (roof - vs[i-1]) / (q.Y - vs[i-1])
			cur = append(cur, Point{xs[i-1] + t*(q.X-xs[i-1]), roof})
		}
		if q.Y > roof {
			flush()
			continue
		}
		cur = append(cur, q)
	}
	flush()
	return out
}

// sites draws the open circles and names the ones outside.
func (p *plot) sites(c Funnel, x scale) {
	em := p.em
	r := 0.28 * em
	for _, s := range c.Sites {
		if s.shown() {
			p.p.dot(Point{x.at(s.Exposure), p.y.at(s.Value)}, r)
		}
	}
	for _, s := range c.Sites {
		if !s.shown() {
			continue
		}
		at := Point{x.at(s.Exposure), p.y.at(s.Value)}
		g := Group{About: fmt.Sprintf("%s: %s, %s %s", s.Name, c.facts(s), Number(s.Value, c.decimals()), c.Unit), Touch: Circle{Center: at, R: 0.7 * em}}
		if s.Outside {
			g.Marks = []Mark{diamond(at, 1.4*r, Pen{}, Solid(Ochre))}
		} else {
			g.Marks = []Mark{Circle{at, r, inkPen(em), Solid(Paper)}}
		}
		p.f.Groups = append(p.f.Groups, g)
	}
	for _, s := range c.Sites {
		if s.shown() && s.Outside {
			lines := []string{fit(s.Name, em, Bold, 0.6*p.f.Width), fit(c.facts(s), em, Regular, 0.6*p.f.Width)}
			p.beside(Point{x.at(s.Exposure), p.y.at(s.Value)}, 1.4*r, words{lines: lines, size: em, bold: true, color: Ink})
		}
	}
}

// numberAxis draws a bottom axis of numbers with its unit below and returns
// the y under it.
func (p *plot) numberAxis(t ticks, x scale, unit string) float64 {
	em, y := p.em, p.bottom
	pen := axisPen(em)
	marks := []Mark{line(x.a, y, x.b, y, pen)}
	base := y + (0.55+capHeight)*em
	end := math.Inf(-1)
	for i, s := range t.labels() {
		if t.values[i] > x.hi*1.000001 {
			continue
		}
		at := x.at(t.values[i])
		marks = append(marks, line(at, y, at, y+0.35*em, pen))
		w := TextWidth(s, em, Regular)
		tx := p.inside(at, w)
		if tx-w/2 < end+0.4*em {
			continue
		}
		end = tx + w/2
		marks = append(marks, p.label(tx, base, s, Middle, SoftInk))
	}
	if unit != "" {
		base += 1.3 * em
		text := fit(unit, em, Regular, p.f.Width)
		marks = append(marks, p.label(p.inside((p.left+p.right)/2, TextWidth(text, em, Regular)), base, text, Middle, SoftInk))
	}
	p.f.add("", marks...)
	return base + descent*em
}
