package figure

import "math"

// plot is the common frame of charts with a value axis on the left and things
// in order along the bottom.
type plot struct {
	f      *Figure
	em     float64 // size of text
	n      int     // places along the bottom
	left   float64 // the plot area
	right  float64
	top    float64
	bottom float64 // foot of the plot area, where the bottom axis runs
	dx     float64 // width of one place
	y      scale
	p      placer
}

// Pens shared by all charts, in em so that print and screen look alike.
func hairline(em float64) Pen { return Pen{Color: SoftInk, Width: 0.05 * em} }
func axisPen(em float64) Pen  { return Pen{Color: SoftInk, Width: 0.06 * em} }
func inkPen(em float64) Pen   { return Pen{Color: Ink, Width: 0.09 * em} }
func limitPen(em float64) Pen { return Pen{Color: SoftInk, Width: 0.07 * em} }

// x returns the middle of place i.
func (p *plot) x(i int) float64 { return p.left + (float64(i)+0.5)*p.dx }

// label sets one line of regular text.
func (p *plot) label(x, base float64, s string, a Anchor, c Color) Text {
	return Text{At: Point{x, base}, S: s, Style: TextStyle{Size: p.em, Anchor: a, Color: c}}
}

// heading sets the unit above the vertical axis, where it can be read without
// turning the head, and returns its height.
func (p *plot) heading(s string) float64 {
	lines := wrap(s, p.em, Regular, p.f.Width-0.2*p.em, 3)
	w := words{lines: lines, size: p.em, color: SoftInk}
	p.f.add("", w.marks(0, 0.1*p.em, Start, false)...)
	if len(lines) == 0 {
		return 0
	}
	return w.height() + 0.1*p.em
}

// valueAxis draws ticks outside and an axis line that ends at the last tick.
func (p *plot) valueAxis(t ticks) {
	x := p.left
	pen := axisPen(p.em)
	marks := []Mark{line(x, p.y.at(t.lo()), x, p.y.at(t.hi()), pen)}
	for i, s := range t.labels() {
		y := p.y.at(t.values[i])
		marks = append(marks, line(x-0.35*p.em, y, x, y, pen),
			p.label(x-0.6*p.em, y+capHeight/2*p.em, s, End, SoftInk))
	}
	p.f.add("", marks...)
}

// periodAxis draws the bottom axis below the plot area: ticks outside, words,
// and the second row of groups. gap tells where the axis is broken because
// there is nothing to stand on it. It returns the y below its last row.
func (p *plot) periodAxis(ps []period, gap func(i int) bool) float64 {
	pen := axisPen(p.em)
	y := p.bottom
	var marks []Mark
	for i := 0; i < len(ps); i++ {
		if gap(i) {
			continue
		}
		j := i
		for j+1 < len(ps) && !gap(j+1) {
			j++
		}
		marks = append(marks, line(p.x(i)-p.dx/2, y, p.x(j)+p.dx/2, y, pen))
		i = j
	}
	plan := planTicks(ps, p.dx, p.em)
	dense := p.dx < 0.45*p.em
	base := y + (0.55+capHeight)*p.em
	for i := range ps {
		word := plan.words[i]
		if !gap(i) && (!dense || word != "") {
			marks = append(marks, line(p.x(i), y, p.x(i), y+0.35*p.em, pen))
		}
		if word != "" {
			x := p.inside(p.x(i), TextWidth(word, p.em, Regular))
			marks = append(marks, p.label(x, base, word, Middle, SoftInk))
		}
	}
	low := base + descent*p.em
	spans := groupSpans(ps)
	if len(spans) > 0 && !(len(spans) == 1 && spans[0].text == "") {
		base += 1.3 * p.em
		low = base + descent*p.em
		end := math.Inf(-1)
		for k, s := range spans {
			x0, x1 := p.x(s.first)-p.dx/2, p.x(s.last)+p.dx/2
			if k > 0 {
				marks = append(marks, line(x0, base-(capHeight+0.25)*p.em, x0, base+0.15*p.em, pen))
			}
			text := fit(s.text, p.em, Regular, p.f.Width)
			w := TextWidth(text, p.em, Regular)
			x := (x0 + x1) / 2
			if w > x1-x0-0.4*p.em && len(spans) > 1 {
				// A short first or last year leans outwards, clear of its line.
				switch {
				case k == 0:
					x = x1 - 0.3*p.em - w/2
				case k == len(spans)-1 && x0+0.3*p.em+w <= p.f.Width:
					x = x0 + 0.3*p.em + w/2
				default:
					continue // no room for this year; its neighbours tell
				}
			}
			x = p.inside(x, w)
			if x-w/2 < end+0.4*p.em {
				continue
			}
			end = x + w/2
			marks = append(marks, p.label(x, base, text, Middle, SoftInk))
		}
	}
	p.f.add("", marks...)
	return low
}

// inside moves the middle of a text of width w so that it stays on the figure.
func (p *plot) inside(x, w float64) float64 {
	return maxf(w/2, minf(p.f.Width-w/2, x))
}

// endLabel is a word at the right end of a line.
type endLabel struct {
	y float64
	w words
}

// endLabels sets the labels in the right margin, apart from one another. They
// must come sorted by y.
func (p *plot) endLabels(ls []endLabel) {
	ys, hs := make([]float64, len(ls)), make([]float64, len(ls))
	for i, l := range ls {
		ys[i], hs[i] = l.y, l.w.height()
	}
	ys = spread(ys, hs, p.top-0.5*p.em, p.bottom+0.4*p.em, 0.25*p.em)
	for i, l := range ls {
		x, top := p.right+0.5*p.em, ys[i]-(hs[i]-descent*p.em)/2
		p.f.add("", l.w.marks(x, top, Start, false)...)
		p.p.block(box{x, top, x + l.w.width(), top + hs[i]})
	}
}
