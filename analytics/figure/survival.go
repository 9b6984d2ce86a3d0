package figure

import (
	"fmt"
	"sort"
	"strings"
)

// SurvivalStep is the share that still waits just after a time.
type SurvivalStep struct {
	Time, Share float64
	// Lo and Hi bound Share when HasInterval.
	Lo, Hi      float64
	HasInterval bool
}

// Waiting is the number still waiting at a time.
type Waiting struct {
	Time float64
	N    int
}

// SurvivalCurve is one group of a survival figure.
type SurvivalCurve struct {
	Name string
	// Steps ascend in time. The curve starts at 1 at time 0.
	Steps []SurvivalStep
	// Censored are the times at which something was still open when last
	// seen: a small upright tick on the curve.
	Censored []float64
	// Waiting are numbers still waiting, written under the axis.
	Waiting []Waiting
	// End is how far the curve is known; at least the last step.
	End float64
}

// Survival shows how long things last: which share of the corrective actions
// is still open so many days after they were agreed.
type Survival struct {
	// Title names the chart for screen readers and the table.
	Title string
	// Unit is the share on the vertical axis: "share still open".
	Unit string
	// TimeUnit is the axis along the bottom: "days since agreed".
	TimeUnit string
	// WaitingName heads the numbers under the axis; empty is "still open".
	WaitingName string

	Curves []SurvivalCurve
}

// clean returns the usable steps of a curve, in time order, and its end.
func (c SurvivalCurve) clean() ([]SurvivalStep, float64) {
	var out []SurvivalStep
	for _, s := range c.Steps {
		if drawable(s.Time) && s.Time >= 0 && finite(s.Share) {
			s.Share = maxf(0, minf(1, s.Share))
			s.HasInterval = s.HasInterval && finite(s.Lo) && finite(s.Hi)
			out = append(out, s)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Time < out[j].Time })
	end := 0.0
	if n := len(out); n > 0 {
		end = out[n-1].Time
	}
	if drawable(c.End) {
		end = maxf(end, c.End)
	}
	for _, t := range c.Censored {
		if drawable(t) {
			end = maxf(end, t)
		}
	}
	return out, end
}

// Table returns the facts of the chart without laying it out.
func (c Survival) Table() Table {
	t := Table{Caption: c.Title}
	t.col("Group", false)
	t.col(capitalise(or(c.TimeUnit, "time")), true)
	t.col(capitalise(or(c.Unit, "share")), true)
	t.col("Interval", true)
	for _, k := range c.Curves {
		steps, _ := k.clean()
		for _, s := range steps {
			row := []string{k.Name, plainNumber(s.Time), percentOf(s.Share), "–"}
			if s.HasInterval {
				row[3] = percentOf(s.Lo) + " to " + percentOf(s.Hi)
			}
			t.Rows = append(t.Rows, row)
		}
		if n := len(k.Censored); n > 0 {
			t.Notes = append(t.Notes, fmt.Sprintf("%s: %d last seen before it was over.", k.Name, n))
		}
		for _, w := range k.Waiting {
			if drawable(w.Time) {
				t.Notes = append(t.Notes, fmt.Sprintf("%s: %d %s at %s.", k.Name, w.N, or(c.WaitingName, "still open"), plainNumber(w.Time)))
			}
		}
	}
	return t
}

func percentOf(v float64) string {
	if !finite(v) {
		return "not known"
	}
	return Number(100*v, 0) + " %"
}

// plainNumber writes a time with the decimals it needs, at most two.
func plainNumber(v float64) string {
	s := Number(v, 2)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func (c Survival) describe() string {
	if len(c.Curves) == 0 {
		return "No curves yet."
	}
	var out []string
	for _, k := range c.Curves {
		steps, end := k.clean()
		last := 1.0
		if n := len(steps); n > 0 {
			last = steps[n-1].Share
		}
		out = append(out, fmt.Sprintf("%s: %s after %s.", k.Name, percentOf(last), plainNumber(end)))
	}
	return strings.Join(append(out, "The table holds every step."), " ")
}

// Layout places the chart for a size.
func (c Survival) Layout(size Size) *Figure {
	size = size.sane()
	em := size.Text
	f := &Figure{Width: size.Width, Text: em, Title: c.Title, Desc: c.describe(), table: c.Table()}
	p := &plot{f: f, em: em, n: 1}
	p.top = p.heading(c.Unit) + 1.1*em
	end := 0.0
	for _, k := range c.Curves {
		_, e := k.clean()
		end = maxf(end, e)
	}
	if end == 0 {
		f.add("", p.label(0, p.top+em, "Nothing to show yet.", Start, SoftInk))
		f.Height = p.top + 1.6*em
		return f
	}
	p.left = TextWidth("100 %", em, Regular) + 0.7*em
	most := 0.36 * size.Width
	room := 0.0
	for _, k := range c.Curves {
		if _, e := k.clean(); reaches(e, end) {
			room = maxf(room, k.words(em, most).width())
		}
		if len(k.Waiting) > 0 {
			p.left = maxf(p.left, minf(0.25*size.Width, TextWidth(k.Name, em, Regular)+1.4*em))
		}
	}
	p.right = f.Width - room - 0.7*em
	p.bottom = p.top + maxf(13*em, minf(19*em, 0.36*size.Width))
	p.y = scale{0, 1, p.bottom - 0.8*em, p.top}
	p.shareAxis()
	xt := niceTicks(0, end, int(maxf(2, minf(8, (p.right-p.left)/(4*em)))), false)
	x := scale{0, end, p.left, p.right}
	low := p.numberAxis(xt, x, c.TimeUnit)
	for i, k := range c.Curves {
		p.curve(k, i, x, len(c.Curves) <= 2)
	}
	p.p.bounds = box{p.left + 0.2*em, p.top - 0.9*em, f.Width, p.bottom - 0.1*em}
	p.curveNames(c, x, most)
	f.Height = p.waiting(c, x, low) + 0.3*em
	return f
}

// reaches tells whether a curve runs to the right margin, where its name
// stands; a shorter one is named where it ends.
func reaches(end, all float64) bool { return end > 0.9*all }

func (c SurvivalCurve) words(em, most float64) words {
	return words{lines: wrap(c.Name, em, Regular, minf(most, 9*em), 3), size: em, color: Ink}
}

// curveNames names each curve at its end.
func (p *plot) curveNames(c Survival, x scale, most float64) {
	var ends []endLabel
	for _, k := range c.Curves {
		steps, end := k.clean()
		last := 1.0
		if n := len(steps); n > 0 {
			last = steps[n-1].Share
		}
		w := k.words(p.em, most)
		if reaches(end, x.hi) || !p.beside(Point{x.at(end), p.y.at(last)}, 0.3*p.em, w) {
			ends = append(ends, endLabel{p.y.at(last), w})
		}
	}
	sort.SliceStable(ends, func(i, j int) bool { return ends[i].y < ends[j].y })
	p.endLabels(ends)
}

// shareAxis is the axis of shares, from none to all.
func (p *plot) shareAxis() {
	pen := axisPen(p.em)
	marks := []Mark{line(p.left, p.y.at(0), p.left, p.y.at(1), pen)}
	for _, v := range []float64{0, 0.25, 0.5, 0.75, 1} {
		y := p.y.at(v)
		marks = append(marks, line(p.left-0.35*p.em, y, p.left, y, pen),
			p.label(p.left-0.6*p.em, y+capHeight/2*p.em, percentOf(v), End, SoftInk))
	}
	p.f.add("", marks...)
}

// dashes tell curves apart without colour; more than three groups belong in
// more than one figure.
func dashes(i int, em float64) []float64 {
	switch i % 3 {
	case 1:
		return []float64{0.55 * em, 0.3 * em}
	case 2:
		return []float64{0, 0.28 * em}
	}
	return nil
}

// curve draws one stepped curve with its censoring ticks and, if wanted, its
// interval as thin steps.
func (p *plot) curve(k SurvivalCurve, i int, x scale, interval bool) {
	em := p.em
	steps, end := k.clean()
	stair := func(val func(SurvivalStep) float64, known func(SurvivalStep) bool) []Point {
		y := p.y.at(1)
		pts := []Point{{x.at(0), y}}
		for _, s := range steps {
			if !known(s) {
				break
			}
			pts = append(pts, Point{x.at(s.Time), y})
			y = p.y.at(val(s))
			pts = append(pts, Point{x.at(s.Time), y})
		}
		if last := len(steps) - 1; last < 0 || known(steps[last]) {
			pts = append(pts, Point{x.at(end), y})
		}
		return pts
	}
	all := func(SurvivalStep) bool { return true }
	bounded := func(s SurvivalStep) bool { return s.HasInterval }
	if interval && len(steps) > 0 && steps[0].HasInterval {
		thin := Pen{Color: Rule, Width: 0.06 * em, Dash: dashes(i, 0.7*em)}
		p.f.add("", Polyline{stair(func(s SurvivalStep) float64 { return s.Lo }, bounded), thin},
			Polyline{stair(func(s SurvivalStep) float64 { return s.Hi }, bounded), thin})
	}
	main := stair(func(s SurvivalStep) float64 { return s.Share }, all)
	p.p.chain(main)
	g := Group{About: k.Name, Marks: []Mark{Polyline{main, Pen{Color: Ink, Width: 0.11 * em, Dash: dashes(i, em)}}}}
	for _, t := range k.Censored {
		if !drawable(t) || t < 0 {
			continue
		}
		share := 1.0
		for _, s := range steps {
			if s.Time <= t {
				share = s.Share
			}
		}
		at := Point{x.at(t), p.y.at(share)}
		g.Marks = append(g.Marks, line(at.X, at.Y-0.28*em, at.X, at.Y+0.28*em, Pen{Color: Ink, Width: 0.07 * em}))
	}
	p.f.Groups = append(p.f.Groups, g)
}

// waiting writes the numbers still waiting under the axis, a row for each
// curve, and returns the y below them.
func (p *plot) waiting(c Survival, x scale, low float64) float64 {
	em, any := p.em, false
	base := low + 0.4*em
	for _, k := range c.Curves {
		if len(k.Waiting) == 0 {
			continue
		}
		if !any {
			base += (lineStep + 0.3) * em
			p.f.add("", p.label(0, base, fit(or(c.WaitingName, "still open"), em, Regular, p.f.Width), Start, SoftInk))
			any = true
		}
		base += lineStep * em
		ws := append([]Waiting(nil), k.Waiting...)
		sort.SliceStable(ws, func(i, j int) bool { return ws[i].Time < ws[j].Time })
		name := fit(k.Name, em, Regular, p.left-1.4*em)
		end := TextWidth(name, em, Regular)
		marks := []Mark{p.label(0, base, name, Start, SoftInk)}
		for _, w := range ws {
			if !drawable(w.Time) || w.Time < 0 || w.Time > x.hi {
				continue
			}
			s := Count(float64(w.N))
			wd := TextWidth(s, em, Regular)
			at := p.inside(x.at(w.Time), wd)
			if at-wd/2 < end+0.4*em {
				continue
			}
			end = at + wd/2
			marks = append(marks, p.label(at, base, s, Middle, SoftInk))
		}
		p.f.add("", marks...)
	}
	if !any {
		return low
	}
	return base + descent*em
}
