package guard

import (
	"container/heap"
	"slices"
)

// Lattice is the counts of persons by place and category in one closed period,
// with which of them must be held back so that no question about any place, and
// no sum or difference of such questions, tells a small count.
//
// Places are a tree; the count of a place includes all below it. How many
// persons were hurt at each place is taken to be known to everybody: measures
// tell it. What is protected is which of them are of which category.
//
// The counts are a flow: from the sum of all over the places of each category
// down the tree to the places themselves, each of which takes in what it has in
// all. A reader who knows every count shown and every total knows exactly the
// flows of the same amounts. A small count is safe when among these flows there
// is one in which it is not small: then nothing that is told, however combined,
// says that it is small, still less how much it is. Where no such flow is left,
// more is held back, the cheapest way for the reader (network suppression of
// tables: Kelly, Golden and Assad 1992, Networks 22:397-417: from memory).
type Lattice struct {
	// Counts by place and category, each with all below.
	Counts [][]int64
	// Hidden marks the counts to hold back.
	Hidden [][]bool
	// Whole is false when even that does not protect: then nothing at all may
	// be told.
	Whole bool

	smallest int64
	parent   []int
	// points are the equations that join the counts; edges the counts, each
	// between two of them.
	edges []flowEdge
	next  [][]int // edges at each point
	at    [][]int // edge of a place and category
}

// flowEdge is one count: it flows from one point to another.
type flowEdge struct {
	from, to int
	count    int64
	hidden   bool
}

// NewLattice guards counts by place and category. direct holds, by place, how
// many persons of each category were hurt at that very place; parent leads to
// the place above, -1 for the only one that has none, and stands before its
// children.
func NewLattice(parent []int, direct [][]int64, smallest int64) *Lattice {
	n := len(parent)
	l := &Lattice{Whole: true, smallest: smallest, parent: slices.Clone(parent)}
	if n == 0 {
		return l
	}
	width := len(direct[0])
	below := make([][]int64, n)
	child := make([]bool, n)
	for p := range n {
		below[p] = slices.Clone(direct[p])
	}
	for p := n - 1; p > 0; p-- {
		child[parent[p]] = true
		for c := range width {
			below[parent[p]][c] += below[p][c]
		}
	}
	l.Counts = below
	// What was at a place that has others below it stands beside those, as one
	// more place that nobody asks for and that a difference would tell.
	for p := range n {
		if child[p] && total(direct[p]) > 0 {
			l.parent = append(l.parent, p)
			below = append(below, slices.Clone(direct[p]))
			child = append(child, false)
		}
	}
	l.build(below, child, width)
	l.protect()
	l.Hidden = make([][]bool, n)
	for p := range n {
		l.Hidden[p] = make([]bool, width)
		for c := range width {
			// A place where nobody was hurt has nothing to hide.
			if e := l.at[p][c]; e >= 0 {
				l.Hidden[p][c] = l.edges[e].hidden
			}
		}
	}
	return l
}

func total(counts []int64) (n int64) {
	for _, c := range counts {
		n += c
	}
	return n
}

// build lays out points and edges. Point 0 is the sum of all; then one point for
// each place and category, or for each place alone that has none below it.
func (l *Lattice) build(below [][]int64, child []bool, width int) {
	points := 1
	first := make([]int, len(below))
	for p := range below {
		first[p] = points
		points++
		if child[p] {
			points += width - 1
		}
	}
	l.next = make([][]int, points)
	l.at = make([][]int, len(below))
	for p := range below {
		all := total(below[p])
		l.at[p] = make([]int, width)
		for c := range width {
			l.at[p][c] = -1
			if all == 0 {
				continue
			}
			e := flowEdge{count: below[p][c], to: first[p]}
			if child[p] {
				e.to += c
			}
			if above := l.parent[p]; above >= 0 {
				e.from = first[above] + c
			}
			// Where few were hurt in all, which of them is which is told of
			// none: whoever knows of one would learn of the others.
			e.hidden = l.small(e.count) || l.small(all)
			k := len(l.edges)
			l.at[p][c] = k
			l.edges = append(l.edges, e)
			l.next[e.from] = append(l.next[e.from], k)
			l.next[e.to] = append(l.next[e.to], k)
		}
	}
}

func (l *Lattice) small(n int64) bool { return n > 0 && n < l.smallest }

// protect hides more until every small count could be large. Hiding more never
// undoes what was done: flows that were possible stay possible.
func (l *Lattice) protect() {
	for k := range l.edges {
		if e := l.edges[k]; l.small(e.count) && !l.raise(k) {
			l.Whole = false
			return
		}
	}
}

// raise sees that the flow over an edge can grow until it is no longer small,
// while everything shown stays as it is, and hides what stands in the way.
func (l *Lattice) raise(k int) bool {
	moved := map[int]int64{}
	for need := l.smallest - l.edges[k].count; need > 0; {
		path := l.cheapest(k, moved)
		if path == nil {
			return false
		}
		push := need
		for _, s := range path {
			l.edges[s.edge].hidden = true
			if !s.up {
				push = min(push, l.edges[s.edge].count+moved[s.edge])
			}
		}
		for _, s := range path {
			if s.up {
				moved[s.edge] += push
			} else {
				moved[s.edge] -= push
			}
		}
		need -= push
	}
	return true
}

// step is one edge of a path, with or against its flow.
type step struct {
	edge int
	up   bool
}

// cost is what it costs the reader to hide an edge: nothing when it is hidden,
// most where there is nothing to be seen, for an empty cell of a rare category
// is taken to be empty anyway.
func (l *Lattice) cost(k int) int64 {
	e := l.edges[k]
	switch {
	case e.hidden:
		return 0
	case e.count == 0:
		return 1 << 40
	}
	return 1 + e.count
}

// cheapest returns the way back from the end of an edge to its beginning, on
// which flow can be moved, that hides the least. It is Dijkstra's.
func (l *Lattice) cheapest(k int, moved map[int]int64) []step {
	from, goal := l.edges[k].to, l.edges[k].from
	best := make([]int64, len(l.next))
	by := make([]step, len(l.next))
	for i := range best {
		best[i] = -1
	}
	best[from] = 0
	todo := &queue{{point: from}}
	done := make([]bool, len(l.next))
	for todo.Len() > 0 {
		at := heap.Pop(todo).(reached)
		if done[at.point] {
			continue
		}
		done[at.point] = true
		if at.point == goal {
			return l.back(from, goal, by)
		}
		for _, n := range l.next[at.point] {
			e := l.edges[n]
			s := step{edge: n, up: e.from == at.point}
			if n == k || !s.up && e.count+moved[n] <= 0 {
				continue
			}
			to := e.to
			if !s.up {
				to = e.from
			}
			cost := at.cost + l.cost(n)
			if best[to] < 0 || cost < best[to] {
				best[to], by[to] = cost, s
				heap.Push(todo, reached{point: to, cost: cost})
			}
		}
	}
	return nil
}

func (l *Lattice) back(from, goal int, by []step) (path []step) {
	for p := goal; p != from; {
		s := by[p]
		path = append(path, s)
		if s.up {
			p = l.edges[s.edge].from
		} else {
			p = l.edges[s.edge].to
		}
	}
	return path
}

// reached is a point with what it cost to get there.
type reached struct {
	point int
	cost  int64
}

type queue []reached

func (q queue) Len() int           { return len(q) }
func (q queue) Less(i, j int) bool { return q[i].cost < q[j].cost }
func (q queue) Swap(i, j int)      { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)        { *q = append(*q, x.(reached)) }
func (q *queue) Pop() any {
	old := *q
	x := old[len(old)-1]
	*q = old[:len(old)-1]
	return x
}
