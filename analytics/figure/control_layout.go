package figure

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Layout places the chart for a size. The same chart and size give the same
// figure.
func (c Control) Layout(size Size) *Figure {
	size = size.sane()
	em := size.Text
	f := &Figure{Width: size.Width, Text: em, Title: c.Title, Desc: c.describe(), table: c.Table()}
	l := &controlLayout{c: c, plot: plot{f: f, em: em, n: max(1, len(c.Points))}}
	l.frame(size)
	if len(c.Points) == 0 {
		f.add("", l.label(l.left, (l.top+l.bottom)/2, "No points yet.", Start, SoftInk))
		return f
	}
	l.limits()
	l.center()
	l.series()
	l.runs()
	l.flags()
	l.signals()
	l.levels()
	l.asides()
	return f
}

// controlLayout is a control chart being placed.
type controlLayout struct {
	c Control
	plot
	ticks   ticks
	ends    []endLabel
	stacked bool // end labels take one word to a line
}

// frame decides margins and scales and draws the axes.
func (l *controlLayout) frame(size Size) {
	c, em, f := l.c, l.em, l.f
	l.top = l.heading(c.Unit) + 1.1*em
	if n := l.flagRows(); n > 0 {
		l.top += float64(n)*1.5*em + 0.2*em
	}
	lo, hi := l.domain()
	l.ticks = niceTicks(lo, hi, 5, false)
	l.left = widest(l.ticks.labels(), em, Regular) + 0.7*em
	l.stacked = size.Width < 34*em
	l.right = f.Width - l.endWidth() - 0.5*em
	plotHeight := maxf(13*em, minf(19*em, 0.36*size.Width))
	l.bottom = l.top + plotHeight
	l.dx = (l.right - l.left) / float64(l.n)
	// Points at zero stand clear of the axis, and a bracket below them needs
	// room of its own.
	pad := 0.8 * em
	if len(c.Runs) > 0 {
		pad = 2.4 * em
	}
	l.y = scale{l.ticks.lo(), l.ticks.hi(), l.bottom - pad, l.top}
	l.valueAxis(l.ticks)
	ps := make([]period, len(c.Points))
	for i, o := range c.Points {
		ps[i] = period{o.Label, or(o.Tick, o.Label), o.Group}
	}
	axis := l.periodAxis(ps, func(i int) bool { return !c.Points[i].shown() })
	low, rightOf := l.baseline(axis)
	low = l.provisionalBelow(low, rightOf)
	f.Height = low + 0.3*em
	l.p.bounds = box{l.left + 0.2*em, l.top - 0.9*em, f.Width, l.bottom - 0.1*em}
}

// domain returns the range of the vertical axis: all values, zero when nothing
// is negative, and the limits unless one of them, from a month of very few
// hours, would press the rest flat.
func (l *controlLayout) domain() (lo, hi float64) {
	var ucls []float64
	grow := func(v float64) {
		if drawable(v) {
			lo, hi = minf(lo, v), maxf(hi, v)
		}
	}
	for _, p := range l.c.Points {
		if p.shown() {
			grow(p.Value)
		}
		if p.hasUCL() {
			ucls = append(ucls, p.UCL)
		}
		if p.hasLCL() {
			grow(p.LCL)
		}
	}
	for _, v := range l.c.Center {
		grow(v.Value)
	}
	sort.Float64s(ucls)
	if n := len(ucls); n > 0 {
		roof := maxf(hi, 1.6*ucls[n/2])
		for _, u := range ucls {
			grow(minf(u, roof))
		}
	}
	return lo, hi
}

// limits draws the stepped limits and keeps their end labels.
func (l *controlLayout) limits() {
	step := func(has func(Observation) bool, val func(Observation) float64, name string) {
		var pts []Point
		last := -1
		flush := func() {
			if len(pts) > 0 {
				l.f.add("", Polyline{pts, limitPen(l.em)})
				l.p.chain(pts)
			}
			pts = nil
		}
		for i, o := range l.c.Points {
			if !has(o) {
				flush()
				continue
			}
			y := l.y.at(val(o))
			if n := len(pts); n > 0 && pts[n-1].Y == y {
				pts[n-1].X = l.x(i) + l.dx/2
			} else {
				pts = append(pts, Point{l.x(i) - l.dx/2, y}, Point{l.x(i) + l.dx/2, y})
			}
			last = i
		}
		flush()
		if last >= 0 {
			v := val(l.c.Points[last])
			l.end(l.y.at(v), name, Number(v, l.c.decimals()))
		}
	}
	step(Observation.hasUCL, func(o Observation) float64 { return o.UCL }, "upper limit")
	step(Observation.hasLCL, func(o Observation) float64 { return o.LCL }, "lower limit")
}

// center draws the centre lines and, with the limits known, all end labels.
func (l *controlLayout) center() {
	for _, v := range l.c.Center {
		first, last, ok := valid(v.First, v.Last, l.n)
		if !ok || !drawable(v.Value) {
			continue
		}
		y := l.y.at(v.Value)
		pts := []Point{{l.x(first) - l.dx/2, y}, {l.x(last) + l.dx/2, y}}
		name := l.c.centerName() + " " + Number(v.Value, l.c.decimals())
		l.f.add(capitalise(name), Polyline{pts, Pen{Color: Ink, Width: 0.1 * l.em}})
		l.p.chain(pts)
	}
	if v, k := l.lastLevel(); k >= 0 {
		l.end(l.y.at(v.Value), l.c.centerName(), Number(v.Value, l.c.decimals()))
	}
	if l.provisionalAtEnd() {
		w := words{lines: []string{"provisional"}, size: l.em, color: SoftInk}
		l.ends = append(l.ends, endLabel{l.bottom - 0.4*l.em, w})
	}
	sort.SliceStable(l.ends, func(i, j int) bool { return l.ends[i].y < l.ends[j].y })
	l.endLabels(l.ends)
}

// levels writes the value of every centre line but the last, which has its
// words in the margin, at the right end of the line.
func (l *controlLayout) levels() {
	_, newest := l.lastLevel()
	for k, v := range l.c.Center {
		_, last, ok := valid(v.First, v.Last, l.n)
		if !ok || !drawable(v.Value) || k == newest {
			continue
		}
		w := words{lines: []string{Number(v.Value, l.c.decimals())}, size: l.em, color: Ink}
		l.beside(Point{l.x(last) + l.dx/2, l.y.at(v.Value)}, 0.1*l.em, w)
	}
}

// lastLevel returns the centre line that reaches furthest right and its place
// in Center, -1 when there is none.
func (l *controlLayout) lastLevel() (Level, int) {
	best := -1
	for k, v := range l.c.Center {
		if _, _, ok := valid(v.First, v.Last, l.n); ok && drawable(v.Value) && (best < 0 || v.Last >= l.c.Center[best].Last) {
			best = k
		}
	}
	if best < 0 {
		return Level{}, -1
	}
	return l.c.Center[best], best
}

func (l *controlLayout) end(y float64, name, value string) {
	l.ends = append(l.ends, endLabel{y, words{lines: l.endLines(name, value), size: l.em, color: Ink}})
}

// endLines sets a name and its value on one line, or on one line for each word
// where the figure is narrow or the words are long.
func (l *controlLayout) endLines(name, value string) []string {
	most := 0.36 * l.f.Width
	one := name + " " + value
	if !l.stacked && TextWidth(one, l.em, Regular) <= most {
		return []string{one}
	}
	lines := append(strings.Fields(name), value)
	for i := range lines {
		lines[i] = fit(lines[i], l.em, Regular, most)
	}
	return lines
}

// endWidth returns the width of the right margin's widest label.
func (l *controlLayout) endWidth() float64 {
	w := 0.0
	take := func(name string, v float64) {
		if drawable(v) {
			w = maxf(w, widest(l.endLines(name, Number(v, l.c.decimals())), l.em, Regular))
		}
	}
	for _, v := range l.c.Center {
		take(l.c.centerName(), v.Value)
	}
	for _, o := range l.c.Points {
		if o.hasUCL() {
			take("upper limit", o.UCL)
		}
		if o.hasLCL() {
			take("lower limit", o.LCL)
		}
	}
	if l.provisionalAtEnd() {
		w = maxf(w, TextWidth("provisional", l.em, Regular))
	}
	return w
}

// series draws stems, the hairline and the points.
func (l *controlLayout) series() {
	r := maxf(0.09*l.em, minf(0.24*l.em, 0.36*l.dx))
	var pts []Point
	flush := func() {
		if len(pts) > 1 {
			l.f.add("", Polyline{pts, hairline(l.em)})
			l.p.chain(pts)
		}
		pts = nil
	}
	for i, o := range l.c.Points {
		if !o.shown() {
			flush()
			continue
		}
		pts = append(pts, Point{l.x(i), l.y.at(o.Value)})
	}
	flush()
	for i, o := range l.c.Points {
		if !o.shown() {
			continue
		}
		at := Point{l.x(i), l.y.at(o.Value)}
		g := Group{About: l.c.about(o), Touch: Circle{Center: at, R: 0.7 * l.em}}
		if o.Provisional {
			foot := Point{at.X, l.bottom}
			dots := Pen{Color: SoftInk, Width: 0.1 * l.em, Dash: []float64{0, 0.25 * l.em}}
			g.Marks = append(g.Marks, Polyline{[]Point{at, foot}, dots})
			l.p.chain([]Point{at, foot})
		}
		if o.Beyond {
			d := maxf(1.5*r, 0.2*l.em)
			g.Marks = append(g.Marks, diamond(at, d, Pen{}, Solid(Ochre)))
			l.p.dot(at, d)
		} else {
			g.Marks = append(g.Marks, Circle{at, r, inkPen(l.em), Solid(Paper)})
			l.p.dot(at, r)
		}
		l.f.Groups = append(l.f.Groups, g)
	}
}

// signals writes the month and the count beside points beyond the limits,
// newest first: when there is no room for all, the old ones go unnamed.
func (l *controlLayout) signals() {
	for i := len(l.c.Points) - 1; i >= 0; i-- {
		o := l.c.Points[i]
		if !o.shown() || !o.Beyond {
			continue
		}
		w := words{lines: []string{o.Label, l.c.facts(o)}, size: l.em, bold: true, color: Ink}
		if len(w.lines[1]) < 8 {
			w.lines = []string{o.Label + ": " + w.lines[1]}
		}
		l.beside(Point{l.x(i), l.y.at(o.Value)}, 0.4*l.em, w)
	}
}

// beside sets a label near a point if there is room, with a leader when it had
// to go far, and tells whether it did.
func (l *plot) beside(at Point, r float64, w words) bool {
	s, ok := l.p.near(at, r, w)
	if !ok {
		return false
	}
	if s.far {
		to := Point{maxf(s.box.x0, minf(s.box.x1, at.X)), maxf(s.box.y0, minf(s.box.y1, at.Y))}
		if d := math.Hypot(to.X-at.X, to.Y-at.Y); d > r {
			from := Point{at.X + (to.X-at.X)*r/d, at.Y + (to.Y-at.Y)*r/d}
			l.f.add("", Polyline{[]Point{from, to}, hairline(l.em)})
		}
	}
	l.f.add("", w.marks(s.x, s.y, s.anchor, true)...)
	return true
}

// runs draws a bracket below the points of each run, with the number of
// points.
func (l *controlLayout) runs() {
	em := l.em
	for _, r := range l.c.Runs {
		first, last, ok := valid(r.First, r.Last, l.n)
		if !ok {
			continue
		}
		low := l.top
		for i := first; i <= last; i++ {
			if o := l.c.Points[i]; o.shown() {
				low = maxf(low, l.y.at(o.Value))
			}
		}
		x0, x1 := l.x(first)-minf(0.3*l.dx, 0.3*em), l.x(last)+minf(0.3*l.dx, 0.3*em)
		y := minf(low+0.95*em, l.bottom-1.45*em)
		text := fit(l.c.runText(r, first, last), em, Regular, l.f.Width)
		about := fmt.Sprintf("%s: %s to %s", text, l.c.Points[first].Label, l.c.Points[last].Label)
		w := words{lines: []string{text}, size: em, color: Ink}
		x := l.inside((x0+x1)/2, w.width())
		top := y + 0.32*em
		wb := box{x - w.width()/2, top, x + w.width()/2, top + w.height()}
		marks := []Mark{Polyline{[]Point{{x0, y - 0.35*em}, {x0, y}, {x1, y}, {x1, y - 0.35*em}}, Pen{Color: Ink, Width: 0.08 * em}}}
		l.f.add(about, append(marks, w.marks(x, top, Middle, true)...)...)
		l.p.block(box{x0, y - 0.35*em, x1, y + 0.2*em})
		l.p.block(wb)
	}
}

// flagRows returns how many rows of flags are needed so that none covers
// another.
func (l *controlLayout) flagRows() int {
	rows := 0
	for _, r := range l.flagPlaces() {
		rows = max(rows, r+1)
	}
	return rows
}

// flagPlaces returns the row of each flag, -1 for one that stands nowhere.
func (l *controlLayout) flagPlaces() []int {
	n := len(l.c.Points)
	rows := make([]int, len(l.c.Flags))
	// Before the margins are known, the plot is at least this wide.
	dx := 0.55 * l.f.Width / float64(max(1, n))
	order := make([]int, len(rows))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return l.c.Flags[order[a]].At < l.c.Flags[order[b]].At })
	var ends []float64
	for _, k := range order {
		fl := l.c.Flags[k]
		if fl.At < 0 || fl.At >= n {
			rows[k] = -1
			continue
		}
		x, w := float64(fl.At)*dx, l.flagWidth(fl)+0.4*l.em
		row := 0
		for row < len(ends) && ends[row] > x {
			row++
		}
		if row == len(ends) {
			ends = append(ends, 0)
		}
		ends[row] = x + w
		rows[k] = row
	}
	return rows
}

func (l *controlLayout) flagWidth(f Flag) float64 {
	return TextWidth(fmt.Sprint(f.Number), l.em, Regular) + 0.7*l.em
}

// flags draws a small numbered flag on a staff above the plot.
func (l *controlLayout) flags() {
	em := l.em
	for k, row := range l.flagPlaces() {
		if row < 0 {
			continue
		}
		fl := l.c.Flags[k]
		x, w := l.x(fl.At), l.flagWidth(fl)
		left := x
		if x+w > l.f.Width {
			left = x - w // the last flags fly to the left
		}
		top := l.top - 0.6*em - float64(row+1)*1.5*em
		pen := Pen{Color: Ink, Width: 0.06 * em}
		about := strings.TrimSpace(fmt.Sprintf("%d, %s: %s", fl.Number, l.c.Points[fl.At].Label, fl.Note))
		l.f.add(about,
			line(x, top, x, l.bottom, Pen{Color: Rule, Width: 0.06 * em}),
			rect(left, top, w, 1.25*em, pen, Solid(Paper)),
			Text{At: Point{left + w/2, top + 0.96*em}, S: fmt.Sprint(fl.Number), Style: TextStyle{Size: em, Anchor: Middle, Color: Ink}})
		l.p.chain([]Point{{x, l.top}, {x, l.bottom}})
	}
}

// baseline underlines the points that centre and limits were computed from. It
// returns the y below its text and the x right of it.
func (l *controlLayout) baseline(low float64) (float64, float64) {
	if l.c.Baseline == nil || len(l.c.Points) == 0 {
		return low, math.Inf(1)
	}
	first, last, ok := valid(l.c.Baseline.First, l.c.Baseline.Last, l.n)
	if !ok {
		return low, math.Inf(1)
	}
	em := l.em
	x0, x1 := l.x(first)-l.dx/2, l.x(last)+l.dx/2
	y := low + 0.45*em
	pen := Pen{Color: SoftInk, Width: 0.09 * em}
	text := fit(l.c.baselineText(first, last), em, Regular, l.f.Width)
	w := TextWidth(text, em, Regular)
	x := l.inside((x0+x1)/2, w)
	base := y + (0.4+capHeight)*em
	l.f.add("", Polyline{[]Point{{x0, y - 0.3*em}, {x0, y}, {x1, y}, {x1, y - 0.3*em}}, pen},
		l.label(x, base, text, Middle, SoftInk))
	return base + descent*em, x + w/2
}

// provisionalBelow explains the dotted stems under the axis when the right
// margin cannot: beside the words of the baseline or on a line of its own.
func (l *controlLayout) provisionalBelow(low, rightOf float64) float64 {
	any := false
	for _, o := range l.c.Points {
		any = any || o.shown() && o.Provisional
	}
	if !any || l.provisionalAtEnd() {
		return low
	}
	const text = "dotted: provisional"
	base := low - descent*l.em
	if l.f.Width-TextWidth(text, l.em, Regular) < rightOf+l.em {
		base += lineStep * l.em
	}
	l.f.add("", l.label(l.f.Width, base, text, End, SoftInk))
	return base + descent*l.em
}

// provisionalAtEnd tells whether the word "provisional" goes into the right
// margin: the usual case, as the latest months are the ones still open.
func (l *controlLayout) provisionalAtEnd() bool {
	n := len(l.c.Points)
	return !l.stacked && n > 0 && l.c.Points[n-1].shown() && l.c.Points[n-1].Provisional
}

// asides names once what is missing.
func (l *controlLayout) asides() {
	em := l.em
	said := map[string]bool{}
	for i, o := range l.c.Points {
		if !o.shown() && !said[o.why()] {
			w := words{lines: []string{o.why()}, size: em, color: SoftInk}
			said[o.why()] = l.beside(Point{l.x(i), l.bottom - 0.2*em}, 0.1*em, w)
		}
	}
}
