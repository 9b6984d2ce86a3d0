package figure

import (
	"math"
	"sort"
	"strings"
)

// Layout places the chart for a size.
func (c Intervals) Layout(size Size) *Figure {
	size = size.sane()
	f := &Figure{Width: size.Width, Text: size.Text, Title: c.Title, Desc: c.describe(), table: c.Table()}
	l := &intervalLayout{c: c, plot: plot{f: f, em: size.Text, n: 1}}
	l.layout()
	return f
}

type intervalLayout struct {
	c Intervals
	plot
	stacked    bool // label and counts above the line instead of beside it
	x0, x1     float64
	domLo, dom float64
	ticks      ticks
	at         func(v float64) float64
	labels     [][]string
}

func (l *intervalLayout) layout() {
	em, f := l.em, l.f
	y := l.heading(l.c.Unit) + 0.6*em
	if len(l.c.Rows) == 0 {
		f.add("", l.label(0, y+em, "Nothing to show yet.", Start, SoftInk))
		f.Height = y + 1.6*em
		return
	}
	l.stacked = f.Width < 36*em
	l.columns()
	l.domain()
	top := y
	if l.c.HasReference {
		y += 1.3 * em // room for the name of the reference line
		if l.stacked {
			y += 0.5 * em
		}
	}
	var rows []func()
	for i, r := range l.c.Rows {
		if r.Summary && i > 0 {
			yy := y + 0.25*em
			rows = append(rows, func() { f.add("", line(0, yy, f.Width, yy, Pen{Color: Rule, Width: 0.05 * em})) })
			y += 0.5 * em
		}
		h := l.rowHeight(i)
		yy := y
		rows = append(rows, func() { l.row(i, r, yy, h) })
		y += h
	}
	l.bottom = y + 0.3*em
	l.reference(top)
	for _, draw := range rows {
		draw()
	}
	f.Height = l.axis()
}

// columns decides where labels, plot and words stand.
func (l *intervalLayout) columns() {
	em, w := l.em, l.f.Width
	l.labels = make([][]string, len(l.c.Rows))
	if l.stacked {
		l.x0, l.x1 = 0.5*em, w-0.5*em
		for i, r := range l.c.Rows {
			l.labels[i] = wrap(r.Label, em, l.weight(r), w, 2)
		}
		return
	}
	lab, val := 0.0, 0.0
	for _, r := range l.c.Rows {
		lab = maxf(lab, TextWidth(r.Label, em, l.weight(r)))
		val = maxf(val, maxf(TextWidth(l.c.value(r), em, Regular), TextWidth(r.Facts, em, Regular)))
	}
	lab, val = minf(lab, 0.28*w), minf(val, 0.36*w)
	for i, r := range l.c.Rows {
		l.labels[i] = wrap(r.Label, em, l.weight(r), lab, 2)
	}
	l.x0, l.x1 = lab+em, w-val-em
}

func (l *intervalLayout) weight(r Estimate) Weight {
	if r.Summary {
		return Bold
	}
	return Regular
}

// domain chooses the axis so that every value and, where that does not press
// the rest flat, every interval is inside.
func (l *intervalLayout) domain() {
	var his []float64
	lo, hi := math.Inf(1), math.Inf(-1)
	grow := func(v float64) {
		if drawable(v) && !(l.c.Log && v <= 1e-9) {
			lo, hi = minf(lo, v), maxf(hi, v)
		}
	}
	for _, r := range l.c.Rows {
		if r.shown() {
			grow(r.Value)
		}
		if r.bounded() {
			grow(r.Lo)
			if drawable(r.Hi) {
				his = append(his, r.Hi)
			}
		}
	}
	if l.c.HasReference {
		grow(l.c.Reference)
	}
	sort.Float64s(his)
	if n := len(his); n > 0 {
		roof := maxf(hi*1.15, 2.5*his[n/2])
		for _, h := range his {
			grow(minf(h, roof))
		}
	}
	if lo > hi {
		lo, hi = 0, 1
		if l.c.Log {
			lo = 0.1
		}
	}
	if l.c.Log {
		l.ticks = logTicks(lo, hi, (l.x1-l.x0)/(3*l.em))
		s := scale{math.Log(l.ticks.lo()), math.Log(l.ticks.hi()), l.x0, l.x1}
		l.at = func(v float64) float64 { return s.at(math.Log(maxf(v, 1e-300))) }
	} else {
		l.ticks = niceTicks(minf(lo, 0), maxf(hi, 0), int(maxf(2, minf(6, (l.x1-l.x0)/(4*l.em)))), false)
		s := scale{l.ticks.lo(), l.ticks.hi(), l.x0, l.x1}
		l.at = s.at
	}
	l.domLo, l.dom = l.ticks.lo(), l.ticks.hi()
}

// logTicks returns 1, 2, 5 steps, or powers of ten alone, that cover lo..hi.
func logTicks(lo, hi, room float64) ticks {
	lo, hi = maxf(lo, 1e-9), maxf(hi, 1e-9)
	var all []float64
	for e := math.Floor(math.Log10(lo)); e <= math.Ceil(math.Log10(hi)); e++ {
		for _, m := range []float64{1, 2, 5} {
			all = append(all, m*math.Pow(10, e))
		}
	}
	cut := func(in []float64) []float64 {
		a, b := 0, len(in)-1
		for a+1 < len(in) && in[a+1] <= lo*1.0000001 {
			a++
		}
		for b-1 > a && in[b-1] >= hi*0.9999999 {
			b--
		}
		return in[a : b+1]
	}
	t := ticks{values: cut(all)}
	if float64(len(t.values)) > room {
		var tens []float64
		for i := 0; i < len(all); i += 3 {
			tens = append(tens, all[i])
		}
		t.values = cut(tens)
	}
	if len(t.values) < 2 {
		t.values = []float64{t.values[0] / 10, t.values[0] * 10}
	}
	return t
}

func (l *intervalLayout) rowHeight(i int) float64 {
	em, r := l.em, l.c.Rows[i]
	if l.stacked {
		h := float64(len(l.labels[i])+len(l.words(r))) * lineStep * em
		if r.shown() {
			h += 1.1 * em
		}
		return h + 0.6*em
	}
	n := max(len(l.labels[i]), len(l.words(r)))
	return float64(max(1, n))*lineStep*em + 0.55*em
}

// words are the value and the counts of a row.
func (l *intervalLayout) words(r Estimate) []string {
	room := l.f.Width - l.x1 - l.em
	if l.stacked {
		room = l.f.Width
	}
	out := wrap(l.c.value(r), l.em, Regular, room, 2)
	if l.stacked && r.Facts != "" {
		return wrap(l.c.value(r)+", "+r.Facts, l.em, Regular, room, 3)
	}
	if r.Facts != "" {
		out = append(out, wrap(r.Facts, l.em, Regular, room, 2)...)
	}
	return out
}

func (l *intervalLayout) row(i int, r Estimate, y, h float64) {
	em := l.em
	lab := words{lines: l.labels[i], size: em, color: Ink}
	val := words{lines: l.words(r), size: em, color: SoftInk}
	mid := y + h/2
	var marks []Mark
	if l.stacked {
		base := y + (0.2+capHeight)*em
		for _, t := range lab.lines {
			marks = append(marks, Text{At: Point{0, base}, S: t, Style: TextStyle{Size: em, Weight: l.weight(r), Color: Ink}})
			base += lineStep * em
		}
		for _, t := range val.lines {
			marks = append(marks, l.label(0, base, t, Start, SoftInk))
			base += lineStep * em
		}
		mid = base - 0.3*em
		if l.c.HasReference && drawable(l.c.Reference) && r.shown() {
			x := l.at(l.c.Reference)
			marks = append([]Mark{line(x, mid-0.42*em, x, mid+0.42*em, Pen{Color: SoftInk, Width: 0.07 * em})}, marks...)
		}
	} else {
		center := func(w words) float64 { return mid - (float64(len(w.lines)-1)*lineStep+capHeight)*em/2 }
		for k, s := range lab.lines {
			marks = append(marks, Text{At: Point{0, center(lab) + (capHeight+float64(k)*lineStep)*em}, S: s, Style: TextStyle{Size: em, Weight: l.weight(r), Color: Ink}})
		}
		marks = append(marks, val.marks(l.x1+em, center(val), Start, false)...)
	}
	about := r.Label + ": " + l.c.value(r)
	if r.Facts != "" {
		about += ", " + r.Facts
	}
	g := Group{About: about, Marks: append(marks, l.marks(r, mid)...)}
	l.f.Groups = append(l.f.Groups, g)
}

// marks draws the line with its dot, or the diamond of a summary.
func (l *intervalLayout) marks(r Estimate, y float64) []Mark {
	if !r.shown() {
		return nil
	}
	em := l.em
	x := l.at(r.Value)
	if r.bounded() && r.Summary {
		a, b := l.at(r.Lo), l.at(r.Hi)
		return []Mark{Polygon{Points: []Point{{a, y}, {x, y - 0.4*em}, {b, y}, {x, y + 0.4*em}}, Pen: inkPen(em), Fill: Solid(Paper)}}
	}
	var out []Mark
	if r.bounded() {
		pen := Pen{Color: Ink, Width: 0.09 * em}
		a, b := l.at(r.Lo), l.at(r.Hi)
		out = append(out, line(a, y, b, y, pen))
		end := func(x, dir float64, past bool) {
			if past {
				out = append(out, Polyline{[]Point{{x - dir*0.35*em, y - 0.3*em}, {x, y}, {x - dir*0.35*em, y + 0.3*em}}, pen})
				return
			}
			out = append(out, line(x, y-0.22*em, x, y+0.22*em, pen))
		}
		end(a, -1, r.Lo < l.domLo-1e-9*math.Abs(l.domLo))
		end(b, 1, r.Hi > l.dom+1e-9*math.Abs(l.dom))
	}
	return append(out, Circle{Point{x, y}, 0.26 * em, inkPen(em), Solid(Paper)})
}

// reference draws the line that rows are compared with, named at its top.
func (l *intervalLayout) reference(top float64) {
	if !l.c.HasReference || !drawable(l.c.Reference) {
		return
	}
	em := l.em
	x := l.at(l.c.Reference)
	value := Number(l.c.Reference, l.c.decimals())
	if l.c.Log && l.c.Reference > 0 {
		value = trimNumber(l.c.Reference)
	}
	name := fit(strings.TrimSpace(l.c.ReferenceName+" "+value), em, Regular, l.f.Width)
	foot := l.bottom
	if l.stacked {
		foot = top + 1.5*em // the rest stands in the rows, between their words
	}
	l.f.add(name, line(x, top+1.15*em, x, foot, Pen{Color: SoftInk, Width: 0.07 * em}),
		l.label(l.inside(x, TextWidth(name, em, Regular)), top+0.8*em, name, Middle, Ink))
}

// axis draws the bottom axis and returns the height of the figure.
func (l *intervalLayout) axis() float64 {
	em, y := l.em, l.bottom
	pen := axisPen(em)
	marks := []Mark{line(l.at(l.ticks.lo()), y, l.at(l.ticks.hi()), y, pen)}
	end := math.Inf(-1)
	for i, v := range l.ticks.values {
		s := Number(v, l.ticks.decimals)
		if l.c.Log {
			s = trimNumber(v)
		}
		x := l.at(v)
		marks = append(marks, line(x, y, x, y+0.35*em, pen))
		w := TextWidth(s, em, Regular)
		tx := l.inside(x, w)
		if tx-w/2 < end+0.4*em && i > 0 {
			continue
		}
		end = tx + w/2
		marks = append(marks, l.label(tx, y+(0.55+capHeight)*em, s, Middle, SoftInk))
	}
	l.f.add("", marks...)
	return y + (0.55+capHeight+descent+0.2)*em
}

// trimNumber writes a tick of a logarithmic axis with no more decimals than it
// needs.
func trimNumber(v float64) string {
	for d := 0; d < 9; d++ {
		if p := math.Pow(10, float64(d)); math.Abs(v*p-math.Round(v*p)) < 1e-6*v*p {
			return Number(v, d)
		}
	}
	return Number(v, 9)
}
