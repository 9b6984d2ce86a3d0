package figure

import "math"

// box is a rectangle, edges included.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) overlaps(c box) bool {
	return b.x0 < c.x1 && c.x0 < b.x1 && b.y0 < c.y1 && c.y0 < b.y1
}

func (b box) inside(c box) bool {
	return b.x0 >= c.x0 && b.x1 <= c.x1 && b.y0 >= c.y0 && b.y1 <= c.y1
}

// run returns the length of the part of a segment inside the box (Liang and
// Barsky's clipping).
func (b box) run(p, q Point) float64 {
	t0, t1 := 0.0, 1.0
	dx, dy := q.X-p.X, q.Y-p.Y
	for _, e := range [4][2]float64{{-dx, p.X - b.x0}, {dx, b.x1 - p.X}, {-dy, p.Y - b.y0}, {dy, b.y1 - p.Y}} {
		switch {
		case e[0] == 0:
			if e[1] < 0 {
				return 0
			}
		case e[0] < 0:
			t0 = math.Max(t0, e[1]/e[0])
		default:
			t1 = math.Min(t1, e[1]/e[0])
		}
	}
	if t1 <= t0 {
		return 0
	}
	return (t1 - t0) * math.Hypot(dx, dy)
}

// words is a label of one or more lines. The first line may be bold.
type words struct {
	lines []string
	size  float64
	bold  bool // first line
	color Color
}

func (w words) weight(i int) Weight {
	if w.bold && i == 0 {
		return Bold
	}
	return Regular
}

func (w words) width() float64 {
	m := 0.0
	for i, l := range w.lines {
		m = maxf(m, TextWidth(l, w.size, w.weight(i)))
	}
	return m
}

func (w words) height() float64 {
	return (float64(len(w.lines)-1)*lineStep + capHeight + descent) * w.size
}

// marks sets the lines with the top of the first line's capitals at y.
func (w words) marks(x, y float64, a Anchor, halo bool) []Mark {
	out := make([]Mark, 0, len(w.lines))
	for i, l := range w.lines {
		base := y + (capHeight+float64(i)*lineStep)*w.size
		out = append(out, Text{At: Point{x, base}, S: l, Style: TextStyle{Size: w.size, Weight: w.weight(i), Anchor: a, Color: w.color, Halo: halo}})
	}
	return out
}

// placer finds room for labels beside the things they name.
type placer struct {
	bounds box
	hard   []box      // never covered: other labels and marks
	lines  [][2]Point // crossed only when nothing better is free
}

func (p *placer) block(b box) { p.hard = append(p.hard, b) }

func (p *placer) dot(c Point, r float64) { p.block(box{c.X - r, c.Y - r, c.X + r, c.Y + r}) }

func (p *placer) chain(pts []Point) {
	for i := 1; i < len(pts); i++ {
		p.lines = append(p.lines, [2]Point{pts[i-1], pts[i]})
	}
}

// spot is where a label goes.
type spot struct {
	x, y   float64 // the anchor point; y is the top of the capitals
	anchor Anchor
	box    box
	far    bool // needs a leader line
}

// near looks for the free spot around c that crosses the least ink, r away
// from its centre. ok is false when every candidate would cover another label
// or leave the figure.
func (p *placer) near(c Point, r float64, w words) (best spot, ok bool) {
	wd, ht := w.width(), w.height()
	pad := 0.12 * w.size
	bestCost := math.Inf(1)
	for step := 0; step < 6; step++ {
		d := r + (0.25+0.75*float64(step))*w.size
		for _, dir := range [8][2]float64{{1, -1}, {-1, -1}, {0, -1}, {1, 0}, {-1, 0}, {1, 1}, {-1, 1}, {0, 1}} {
			var s spot
			x, y := c.X+dir[0]*d, c.Y+dir[1]*d
			if dir[0] != 0 && dir[1] != 0 {
				x, y = c.X+dir[0]*(0.3*r+0.35*(d-r)), c.Y+dir[1]*d
			}
			switch dir[0] {
			case 1:
				s.anchor, s.box.x0 = Start, x
			case -1:
				s.anchor, s.box.x0 = End, x-wd
			default:
				s.anchor, s.box.x0 = Middle, x-wd/2
			}
			switch dir[1] {
			case 1:
				s.y = y
			case -1:
				s.y = y - ht
			default:
				s.y = y - ht/2
			}
			s.x = x
			s.box.x1, s.box.y0, s.box.y1 = s.box.x0+wd, s.y, s.y+ht
			s.far = step > 1
			grown := box{s.box.x0 - pad, s.box.y0 - pad, s.box.x1 + pad, s.box.y1 + pad}
			if !s.box.inside(p.bounds) || p.covers(grown) {
				continue
			}
			cost := float64(step) * 1.5 * w.size
			if dir[1] > 0 {
				cost += 0.5 * w.size // above reads as belonging more than below
			}
			for _, l := range p.lines {
				cost += 3 * grown.run(l[0], l[1])
			}
			if cost < bestCost {
				best, bestCost, ok = s, cost, true
			}
		}
	}
	if ok {
		p.block(best.box)
	}
	return best, ok
}

func (p *placer) covers(b box) bool {
	for _, h := range p.hard {
		if b.overlaps(h) {
			return true
		}
	}
	return false
}

// spread moves the centres of stacked labels apart until none overlap, within
// top and bottom, keeping their order. heights are in the same order as ys,
// which must ascend.
func spread(ys, heights []float64, top, bottom, gap float64) []float64 {
	out := append([]float64(nil), ys...)
	edge := top
	for i := range out {
		out[i] = maxf(out[i], edge+heights[i]/2)
		edge = out[i] + heights[i]/2 + gap
	}
	edge = bottom
	for i := len(out) - 1; i >= 0; i-- {
		out[i] = minf(out[i], edge-heights[i]/2)
		edge = out[i] - heights[i]/2 - gap
	}
	return out
}
