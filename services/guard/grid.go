package guard

import pb "fairlead/proto/gen/fairlead/v1"

// grid is a table with its totals as one more row and column. Up to signs each
// of its rows and columns then adds up to nothing, so that totals are hidden and
// guarded like any cell.
type grid struct {
	rows, cols int
	counts     []int64
	hidden     []bool
	smallest   int64
}

func newGrid(t *pb.Table, smallest int64) *grid {
	g := &grid{rows: len(t.GetRows()) + 1, cols: len(t.GetColumns()) + 1, smallest: smallest}
	g.counts = make([]int64, g.rows*g.cols)
	g.hidden = make([]bool, len(g.counts))
	for r := range g.rows - 1 {
		for c := range g.cols - 1 {
			n := t.GetCounts()[r*(g.cols-1)+c]
			for _, at := range []int{r*g.cols + c, (r+1)*g.cols - 1, (g.rows-1)*g.cols + c, len(g.counts) - 1} {
				g.counts[at] += n
			}
		}
	}
	for i, n := range g.counts {
		g.hidden[i] = n > 0 && n < smallest
	}
	return g
}

// list guards a table of one column, where rows and their totals are the same.
func (g *grid) list() {
	var counts []int64
	for r := range g.rows - 1 {
		counts = append(counts, g.counts[r*g.cols])
	}
	hidden, total := List(counts, g.smallest)
	for r, h := range hidden {
		g.hidden[r*g.cols], g.hidden[r*g.cols+1] = h, h
	}
	for i := (g.rows - 1) * g.cols; i < len(g.hidden); i++ {
		g.hidden[i] = !total
	}
}

// suppress hides more until nothing hidden can be worked out.
func (g *grid) suppress() {
	for g.lines() || g.bridges() {
	}
}

// lines sees that no row or column has one hidden count alone, and that hidden
// cells under a total that is shown come to enough together. It reports whether
// it hid anything.
func (g *grid) lines() (changed bool) {
	for r := range g.rows {
		for g.line(g.cols, func(i int) int { return r*g.cols + i }) {
			changed = true
		}
	}
	for c := range g.cols {
		for g.line(g.rows, func(i int) int { return i*g.cols + c }) {
			changed = true
		}
	}
	return changed
}

// line hides one more count of a line if that is needed and possible.
func (g *grid) line(n int, at func(int) int) bool {
	hidden, sum := 0, int64(0)
	for i := range n {
		if g.hidden[at(i)] {
			hidden++
			sum += g.counts[at(i)]
		}
	}
	enough := sum >= g.smallest || g.hidden[at(n-1)]
	if hidden == 0 || hidden > 1 && enough {
		return false
	}
	return g.hideOne(n, at)
}

// hideOne hides the smallest count shown of a line, a cell rather than the
// total. A count of nothing protects nobody: a reader takes an empty cell of a
// rare category to be empty anyway.
func (g *grid) hideOne(n int, at func(int) int) bool {
	best := -1
	for i := range n {
		k := at(i)
		if g.counts[k] > 0 && !g.hidden[k] && (best < 0 || i < n-1 && g.counts[k] < g.counts[best]) {
			best = k
		}
	}
	if best < 0 {
		return false
	}
	g.hidden[best] = true
	return true
}

// bridges hides more where a hidden count follows from several rows and columns
// together. Rows and columns are the points of a graph and hidden counts its
// lines: what lies on a circle can be changed along it without changing anything
// shown, and what lies on none, a bridge, cannot. A second way across makes a
// circle of it; there always is one, at the latest over a total. It reports
// whether it hid anything.
func (g *grid) bridges() bool {
	for _, b := range g.findBridges() {
		here := g.side(b)
		best := -1
		for k, n := range g.counts {
			across := here[k/g.cols] != here[g.rows+k%g.cols]
			if across && n > 0 && !g.hidden[k] && (best < 0 || g.dearer(best, k)) {
				best = k
			}
		}
		if best >= 0 {
			g.hidden[best] = true
			// Other bridges may lie on the same circle now.
			return true
		}
	}
	return false
}

// dearer says whether hiding a costs the reader more than hiding b: a total more
// than a cell, the sum of all most, and else the larger count.
func (g *grid) dearer(a, b int) bool {
	weight := func(k int) (n int) {
		if k/g.cols == g.rows-1 {
			n++
		}
		if k%g.cols == g.cols-1 {
			n++
		}
		return n
	}
	if weight(a) != weight(b) {
		return weight(a) > weight(b)
	}
	return g.counts[a] > g.counts[b]
}

// graph returns its lines: the hidden counts at each row, then at each column.
func (g *grid) graph() [][]int {
	next := make([][]int, g.rows+g.cols)
	for k, h := range g.hidden {
		if h {
			next[k/g.cols] = append(next[k/g.cols], k)
			next[g.rows+k%g.cols] = append(next[g.rows+k%g.cols], k)
		}
	}
	return next
}

// far returns the other end of a line.
func (g *grid) far(v, k int) int {
	if w := k / g.cols; w != v {
		return w
	}
	return g.rows + k%g.cols
}

// side marks the points that are reached from the row of a line without it.
func (g *grid) side(bridge int) []bool {
	next, here := g.graph(), make([]bool, g.rows+g.cols)
	todo := []int{bridge / g.cols}
	here[todo[0]] = true
	for len(todo) > 0 {
		v := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		for _, k := range next[v] {
			if w := g.far(v, k); k != bridge && !here[w] {
				here[w] = true
				todo = append(todo, w)
			}
		}
	}
	return here
}

// findBridges returns the hidden counts that lie on no circle, by Tarjan's
// search: no line leads from what is below them to what is above.
func (g *grid) findBridges() (out []int) {
	next := g.graph()
	seen, low := make([]int, len(next)), make([]int, len(next))
	clock := 0
	var visit func(v, from int)
	visit = func(v, from int) {
		clock++
		seen[v], low[v] = clock, clock
		for _, k := range next[v] {
			if k == from {
				continue
			}
			w := g.far(v, k)
			if seen[w] == 0 {
				visit(w, k)
				if low[w] > seen[v] {
					out = append(out, k)
				}
			}
			low[v] = min(low[v], low[w])
		}
	}
	for v := range next {
		if seen[v] == 0 {
			visit(v, -1)
		}
	}
	return out
}
