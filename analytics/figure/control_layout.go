package figure

import (
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
	stacked bool    // end labels take one word to a line
	head    float64 // room above the plot for the words of signals
}

// frame decides margins and scales and draws the axes.
func (l *controlLayout) frame(size Size) {
	c, em, f := l.c, l.em, l.f
	lo, hi := l.domain()
	l.ticks = niceTicks(lo, hi, 5, false)
	l.top = l.heading(c.Unit) + 1.1*em
	if n := l.flagRows(); n > 0 {
		l.top += float64(n)*1.5*em + 0.2*em
	}
	for _, o := range c.Points {
		// The words of a signal near the top need room above it.
		if o.Beyond && o.shown() && o.Value > l.ticks.lo()+0.85*(l.ticks.hi()-l.ticks.lo()) {
			l.head = 1.3 * em
		}
	}
	l.top += l.head
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
	l.p.bounds = box{l.left + 0.2*em, l.top - l.head - 0.9*em, f.Width, l.bottom - 0.1*em}
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
			x0, x1, y := l.x(i)-l.dx/2, l.x(i)+l.dx/2, l.y.at(val(o))
			n := len(pts)
			switch {
			case val(o) > l.y.hi:
				// Off the top, in a month of very few hours: the line leaves
				// the plot and comes back, it does not run along the edge.
				if n > 0 {
					pts = append(pts, Point{x0, y})
				}
				flush()
				if i+1 < len(l.c.Points) && has(l.c.Points[i+1]) && val(l.c.Points[i+1]) <= l.y.hi {
					pts = []Point{{x1, y}}
				}
			case n > 0 && pts[n-1].Y == y:
				pts[n-1].X = x1
			default:
				pts = append(pts, Point{x0, y}, Point{x1, y})
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
