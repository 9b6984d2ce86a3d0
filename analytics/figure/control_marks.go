package figure

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// signals writes the month and the count beside points beyond the limits,
// newest first: when there is no room for all, the old ones go unnamed.
func (l *controlLayout) signals() {
	named := l.named()
	for i := len(l.c.Points) - 1; i >= 0; i-- {
		o := l.c.Points[i]
		if !named[i] {
			continue
		}
		w := words{lines: []string{o.Label, l.c.facts(o)}, size: l.em, bold: true, color: Ink}
		if len(w.lines[1]) < 8 {
			w.lines = []string{o.Label + ": " + w.lines[1]}
		}
		l.beside(Point{l.x(i), l.y.at(o.Value)}, 0.4*l.em, w)
	}
}

// mostNamed is how many points and runs are named before names would hide what
// they name; the table and the words that show on pointing keep all of them.
const mostNamed = 8

// named tells which points beyond the limits are named: all of a few, else the
// newest and those farthest from the centre.
func (l *controlLayout) named() map[int]bool {
	var beyond []int
	for i, o := range l.c.Points {
		if o.shown() && o.Beyond {
			beyond = append(beyond, i)
		}
	}
	out := map[int]bool{}
	if len(beyond) > mostNamed {
		newest := beyond[len(beyond)-1]
		away := func(i int) float64 {
			center := 0.0
			for _, c := range l.c.Center {
				if i >= c.First && i <= c.Last {
					center = c.Value
				}
			}
			return math.Abs(l.c.Points[i].Value - center)
		}
		sort.SliceStable(beyond, func(a, b int) bool { return away(beyond[a]) > away(beyond[b]) })
		beyond = append(beyond[:mostNamed-1:mostNamed-1], newest)
	}
	for _, i := range beyond {
		out[i] = true
	}
	return out
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
		half := w.width() / 2
		x := l.inside(minf((x0+x1)/2, maxf(l.right-half, l.left+half)), w.width())
		top := y + 0.32*em
		wb := box{x - w.width()/2, top, x + w.width()/2, top + w.height()}
		if len(l.c.Runs) > mostNamed {
			// Many brackets stand close: they go without words.
			l.f.add(about, Polyline{[]Point{{x0, y - 0.35*em}, {x0, y}, {x1, y}, {x1, y - 0.35*em}}, Pen{Color: Ink, Width: 0.08 * em}})
			l.p.block(box{x0, y - 0.35*em, x1, y + 0.2*em})
			continue
		}
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
		top := l.top - l.head - 0.6*em - float64(row+1)*1.5*em
		pen := Pen{Color: Ink, Width: 0.06 * em}
		about := strings.TrimSpace(fmt.Sprintf("%d, %s: %s", fl.Number, l.c.Points[fl.At].Label, fl.Note))
		l.f.add(about,
			line(x, top, x, l.bottom, Pen{Color: Rule, Width: 0.06 * em}),
			rect(left, top, w, 1.25*em, pen, Solid(Paper)),
			Text{At: Point{left + w/2, top + 0.96*em}, S: fmt.Sprint(fl.Number), Style: TextStyle{Size: em, Anchor: Middle, Color: Ink}})
		l.p.chain([]Point{{x, l.top}, {x, l.bottom}})
		l.p.block(box{left - 0.1*em, top, left + w + 0.1*em, top + 1.45*em})
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

// asides names what is missing: the same words once, events without hours
// each time.
func (l *controlLayout) asides() {
	em := l.em
	said := map[string]bool{}
	for i, o := range l.c.Points {
		if o.shown() {
			continue
		}
		at := Point{l.x(i), l.bottom}
		l.f.Groups = append(l.f.Groups, Group{About: l.c.about(o), Touch: Circle{Center: at, R: 0.7 * em}})
		text := fit(l.c.gapText(o), em, Regular, 0.8*l.f.Width)
		if !said[text] || l.c.gapText(o) != o.why() {
			w := words{lines: []string{text}, size: em, color: SoftInk}
			said[text] = l.beside(Point{at.X, at.Y - 0.2*em}, 0.1*em, w)
		}
	}
}
