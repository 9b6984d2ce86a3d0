package figure

import "sort"

// slot is something that takes room in a column: a node, or the passage of a
// link that goes on to a later column.
type slot struct {
	node   int // -1 for a passage
	lines  []string
	height float64
	y      float64 // middle
	from   []int   // slots in the column before, by position in slots
	to     []int
}

// columnLayout places a cause graph in columns. The order within a column
// follows the mean place of the neighbours, swept to and fro (Sugiyama, Tagawa
// and Toda 1981), which keeps crossings few.
type columnLayout struct {
	g     *causeGraph
	em    float64
	slots []slot
	cols  [][]int // slots of each column, top to bottom
	width float64 // of a node
	gap   float64 // between columns
	chain map[[2]int][]int
}

func drawColumns(f *Figure, g *causeGraph, em float64, columns int) {
	l := &columnLayout{g: g, em: em, cols: make([][]int, columns), chain: map[[2]int][]int{}}
	l.gap = 2.6 * em
	l.width = minf(15*em, (f.Width-l.gap*float64(columns-1))/float64(columns))
	if columns > 1 {
		l.gap = (f.Width - l.width*float64(columns)) / float64(columns-1)
	}
	l.gap = minf(l.gap, 6*em)
	l.fill()
	l.sortColumns()
	height := l.place()
	l.draw(f)
	f.Height = height + 0.3*em
}

// fill makes a slot for every node and for every column a link passes.
func (l *columnLayout) fill() {
	of := make([]int, len(l.g.c.Nodes))
	for _, v := range l.g.order {
		room := l.width - 0.9*l.em
		n := l.g.c.Nodes[v]
		if n.Control != NotControl {
			room -= 1.7 * l.em
		}
		lines := wrap(l.g.text[v], l.em, weightOf(n), room, 5)
		if len(lines) == 0 {
			lines = []string{"–"}
		}
		w := words{lines: lines, size: l.em}
		of[v] = l.add(l.g.rank[v], slot{node: v, lines: lines, height: w.height() + 0.7*l.em})
	}
	for _, v := range l.g.order {
		for _, w := range l.g.next[v] {
			way := []int{of[v]}
			for r := l.g.rank[v] + 1; r < l.g.rank[w]; r++ {
				way = append(way, l.add(r, slot{node: -1, height: 0.5 * l.em}))
			}
			way = append(way, of[w])
			for i := 1; i < len(way); i++ {
				l.slots[way[i-1]].to = append(l.slots[way[i-1]].to, way[i])
				l.slots[way[i]].from = append(l.slots[way[i]].from, way[i-1])
			}
			l.chain[[2]int{v, w}] = way
		}
	}
}

func weightOf(n Cause) Weight {
	if n.Outcome {
		return Bold
	}
	return Regular
}

func (l *columnLayout) add(col int, s slot) int {
	l.slots = append(l.slots, s)
	l.cols[col] = append(l.cols[col], len(l.slots)-1)
	return len(l.slots) - 1
}

// sortColumns orders each column by the mean place of its neighbours.
func (l *columnLayout) sortColumns() {
	place := make([]float64, len(l.slots))
	number := func() {
		for _, col := range l.cols {
			for i, s := range col {
				place[s] = float64(i) - float64(len(col)-1)/2
			}
		}
	}
	number()
	sweep := func(col []int, near func(s int) []int) {
		mean := map[int]float64{}
		for _, s := range col {
			mean[s] = place[s]
			if ns := near(s); len(ns) > 0 {
				sum := 0.0
				for _, n := range ns {
					sum += place[n]
				}
				mean[s] = sum / float64(len(ns))
			}
		}
		sort.SliceStable(col, func(a, b int) bool { return mean[col[a]] < mean[col[b]] })
		number()
	}
	for range 6 {
		for i := len(l.cols) - 1; i >= 0; i-- {
			sweep(l.cols[i], func(s int) []int { return l.slots[s].to })
		}
		for i := range l.cols {
			sweep(l.cols[i], func(s int) []int { return l.slots[s].from })
		}
	}
}

// place gives every slot its height on the page and returns the height of all.
func (l *columnLayout) place() float64 {
	gap := 0.9 * l.em
	tall := 0.0
	for _, col := range l.cols {
		h := -gap
		for _, s := range col {
			h += l.slots[s].height + gap
		}
		tall = maxf(tall, h)
	}
	for _, col := range l.cols {
		y := 0.0
		for _, s := range col {
			l.slots[s].y = y + l.slots[s].height/2
			y += l.slots[s].height + gap
		}
		l.settle(col, tall, gap, nil)
	}
	for range 8 {
		for i := len(l.cols) - 1; i >= 0; i-- {
			l.settle(l.cols[i], tall, gap, func(s int) []int { return l.slots[s].to })
		}
		for i := range l.cols {
			l.settle(l.cols[i], tall, gap, func(s int) []int { return append(append([]int(nil), l.slots[s].from...), l.slots[s].to...) })
		}
	}
	return tall
}

// settle moves the slots of a column towards their neighbours as far as order
// and room allow; without neighbours it centres the column.
func (l *columnLayout) settle(col []int, tall, gap float64, near func(s int) []int) {
	if len(col) == 0 {
		return
	}
	want, hs := make([]float64, len(col)), make([]float64, len(col))
	sum := -gap
	for i, s := range col {
		hs[i] = l.slots[s].height
		want[i] = l.slots[s].y
		sum += hs[i] + gap
		if near == nil {
			continue
		}
		if ns := near(s); len(ns) > 0 {
			want[i] = 0
			for _, n := range ns {
				want[i] += l.slots[n].y / float64(len(ns))
			}
		}
	}
	if near == nil {
		for i := range want {
			want[i] += (tall - sum) / 2
		}
	}
	for i, y := range spread(want, hs, 0, tall, gap) {
		l.slots[col[i]].y = y
	}
}

// x returns the left edge of a column.
func (l *columnLayout) x(col int) float64 { return float64(col) * (l.width + l.gap) }

func (l *columnLayout) draw(f *Figure) {
	em := l.em
	ports := l.ports()
	for _, v := range l.g.order {
		for k, w := range l.g.next[v] {
			way := l.chain[[2]int{v, w}]
			pts := []Point{{l.x(l.g.rank[v]) + l.width, l.slots[way[0]].y}}
			for i := 1; i < len(way)-1; i++ {
				x := l.x(l.g.rank[v] + i)
				y := l.slots[way[i]].y
				pts = append(pts, Point{x, y}, Point{x + l.width, y})
			}
			end := Point{l.x(l.g.rank[w]), ports[[2]int{v, w}]}
			pts = append(pts, Point{end.X - 0.5*em, end.Y}, end)
			how := " led to "
			if l.g.soft[v][k] {
				how = " contributed to "
			}
			f.add(l.g.text[v]+how+l.g.c.Nodes[w].Text, Polyline{pts, linkPen(l.g.soft[v][k], em)}, arrow(end, em))
		}
	}
	for c, col := range l.cols {
		for _, s := range col {
			if sl := l.slots[s]; sl.node >= 0 {
				l.drawNode(f, sl, l.x(c))
			}
		}
	}
}

// ports spreads the links that end at one node along its left side, in the
// order in which they come in.
func (l *columnLayout) ports() map[[2]int]float64 {
	out := map[[2]int]float64{}
	for _, w := range l.g.order {
		in := append([]int(nil), l.g.prev[w]...)
		last := func(v int) slot { way := l.chain[[2]int{v, w}]; return l.slots[way[len(way)-2]] }
		sort.SliceStable(in, func(a, b int) bool { return last(in[a]).y < last(in[b]).y })
		for i, v := range in {
			way := l.chain[[2]int{v, w}]
			node := l.slots[way[len(way)-1]]
			room := node.height - 0.6*l.em
			step := minf(0.9*l.em, room/float64(max(1, len(in)-1)))
			out[[2]int{v, w}] = node.y + (float64(i)-float64(len(in)-1)/2)*step
		}
	}
	return out
}

func (l *columnLayout) drawNode(f *Figure, s slot, x float64) {
	em := l.em
	n := l.g.c.Nodes[s.node]
	pen := Pen{Color: SoftInk, Width: 0.06 * em}
	if n.Outcome {
		pen = Pen{Color: Ink, Width: 0.16 * em}
	}
	inset := pen.Width / 2
	marks := []Mark{rect(x+inset, s.y-s.height/2+inset, l.width-2*inset, s.height-2*inset, pen, Solid(Paper))}
	tx := x + 0.5*em
	if n.Control != NotControl {
		marks = append(marks, gate(tx, s.y, n.Control, em)...)
		tx += 1.7 * em
	}
	top := s.y - ((float64(len(s.lines)-1)*lineStep+capHeight)*em)/2
	for i, t := range s.lines {
		marks = append(marks, Text{At: Point{tx, top + (capHeight+float64(i)*lineStep)*em}, S: t, Style: TextStyle{Size: em, Weight: weightOf(n), Color: Ink}})
	}
	f.add(l.g.text[s.node], marks...)
}
