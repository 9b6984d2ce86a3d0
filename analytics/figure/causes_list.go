package figure

import "sort"

// drawList draws a cause graph as a list, causes before effects, with the
// links as brackets in the margin to its left. It needs no width, so a graph
// of any depth can be read on a phone.
func drawList(f *Figure, g *causeGraph, em float64) {
	order := g.listOrder()
	row := make([]int, len(order))
	for i, v := range order {
		row[v] = i
	}
	buses := listBuses(g, row)
	lanes := 0
	for _, b := range buses {
		lanes = max(lanes, b.lane+1)
	}
	step, left := 0.8*em, 0.0
	if lanes > 0 {
		step = minf(step, 0.3*f.Width/float64(lanes))
		left = float64(lanes)*step + 1.1*em
	}
	mids := make([]float64, len(order))
	y := 0.5 * em // a gate that swung open stands above its line
	for i, v := range order {
		n := g.c.Nodes[v]
		x := left
		if n.Control != NotControl {
			x += 1.7 * em
		}
		lines := wrap(g.text[v], em, weightOf(n), f.Width-x-0.3*em, 5)
		if len(lines) == 0 {
			lines = []string{"–"}
		}
		h := words{lines: lines, size: em}.height()
		mids[i] = y + (capHeight/2+0.1)*em
		var marks []Mark
		if n.Control != NotControl {
			marks = append(marks, gate(left+0.1*em, mids[i], n.Control, em)...)
		}
		for k, t := range lines {
			marks = append(marks, Text{At: Point{x, y + (0.1+capHeight+float64(k)*lineStep)*em}, S: t, Style: TextStyle{Size: em, Weight: weightOf(n), Color: Ink}})
		}
		if n.Outcome {
			base := y + h + 0.25*em
			marks = append(marks, line(left, base, f.Width, base, Pen{Color: Ink, Width: 0.16 * em}))
			h += 0.3 * em
		}
		f.add(g.text[v], marks...)
		y += h + 0.75*em
	}
	for _, b := range buses {
		b.draw(f, g, order, mids, float64(lanes-1-b.lane)*step+0.1*em, left, em)
	}
	f.Height = y
}

// listOrder puts every cause as close above its effects as it can stand, so
// that most brackets are short.
func (g *causeGraph) listOrder() []int {
	done := make([]bool, len(g.order))
	var out []int
	var visit func(v int)
	visit = func(v int) {
		if done[v] {
			return
		}
		done[v] = true
		ps := append([]int(nil), g.prev[v]...)
		sort.SliceStable(ps, func(a, b int) bool { return g.rank[ps[a]] < g.rank[ps[b]] })
		for _, p := range ps {
			visit(p)
		}
		out = append(out, v)
	}
	for _, v := range g.order {
		if len(g.next[v]) == 0 {
			visit(v)
		}
	}
	return out
}

// bus is all links of one kind that end at one row: they share a bracket.
type bus struct {
	to, lane int
	from     []int // rows, ascending
	soft     bool
}

// listBuses gives every bracket the innermost lane that is free along its way,
// short ones first.
func listBuses(g *causeGraph, row []int) []bus {
	at := map[[2]int]int{}
	var out []bus
	for _, v := range g.order {
		for k, w := range g.next[v] {
			key := [2]int{row[w], 0}
			if g.soft[v][k] {
				key[1] = 1
			}
			i, ok := at[key]
			if !ok {
				i = len(out)
				at[key] = i
				out = append(out, bus{to: row[w], soft: g.soft[v][k]})
			}
			out[i].from = append(out[i].from, row[v])
		}
	}
	for _, b := range out {
		sort.Ints(b.from)
	}
	sort.SliceStable(out, func(a, b int) bool {
		la, lb := out[a].to-out[a].from[0], out[b].to-out[b].from[0]
		if la != lb {
			return la < lb
		}
		return out[a].to < out[b].to
	})
	for i := range out {
		for j := 0; j < i; j++ {
			if out[j].lane == out[i].lane && out[j].from[0] <= out[i].to && out[i].from[0] <= out[j].to {
				out[i].lane++
				j = -1 // look at every earlier bracket again for the new lane
			}
		}
	}
	return out
}

// draw draws a bracket: a stub at each cause, one line down, one arrow. Links
// leave a little below the middle of a line of words and arrive a little above
// it, the two kinds at different heights, so that none lies on another.
func (b bus) draw(f *Figure, g *causeGraph, order []int, mids []float64, x, left, em float64) {
	out, in := 0.24*em, -0.2*em
	if b.soft {
		out, in = 0.08*em, 0
	}
	pen := linkPen(b.soft, em)
	end := Point{left - 0.2*em, mids[b.to] + in}
	how := " led to "
	if b.soft {
		how = " contributed to "
	}
	for i, r := range b.from {
		start := Point{left - 0.35*em, mids[r] + out}
		about := g.text[order[r]] + how + g.c.Nodes[order[b.to]].Text
		if i == 0 {
			f.add(about, Polyline{[]Point{start, {x, start.Y}, {x, end.Y}, end}, pen}, arrow(end, em))
			continue
		}
		f.add(about, Polyline{[]Point{start, {x, start.Y}}, pen})
	}
}
