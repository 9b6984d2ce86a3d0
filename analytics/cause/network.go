package cause

import (
	"cmp"
	"math"
	"slices"
)

// network follows the columns of a table with its margins fixed. The
// probability of a table is a constant over the product of the factorials of
// its cells; a "sum" below is the sum of the logarithms of those factorials.
type network struct {
	rows     []int // totals of the shorter side, rising
	cols     []int // totals of the longer side, falling
	logFact  []float64
	constant float64 // log of the sum over all tables of 1/product
	seen     float64 // sum of the table seen
	levels   [][]node
}

// node is what is left to fill: row totals in rising order, for it no longer
// matters which row is which. least and most bound the sum over all ways to
// fill them.
type node struct {
	rows        []int
	edges       []edge
	least, most float64
	all         float64 // log of the sum over all ways of 1/product
}

// edge is a way to fill one column: where it leads, the sum it adds, and how
// many ways there are to do the same.
type edge struct {
	to   int
	add  float64
	ways float64
}

func newNetwork(table [][]int, m margins) *network {
	rows, cols := filled(m.rows), filled(m.cols)
	w := &network{logFact: logFactorials(m.n)}
	for _, i := range rows {
		w.rows = append(w.rows, m.rows[i])
		for _, j := range cols {
			w.seen += w.logFact[table[i][j]]
		}
	}
	for _, j := range cols {
		w.cols = append(w.cols, m.cols[j])
	}
	// Few rows make few distinct remainders.
	if len(w.rows) > len(w.cols) {
		w.rows, w.cols = w.cols, w.rows
	}
	slices.SortFunc(w.cols, func(a, b int) int { return b - a })
	slices.Sort(w.rows)
	return w
}

func logFactorials(n int) []float64 {
	f := make([]float64, n+1)
	for k := 2; k <= n; k++ {
		f[k] = f[k-1] + math.Log(float64(k))
	}
	return f
}

// build lays out the network down to the last column, then bounds every node
// from the end. ok is false when there are more than limit edges.
func (w *network) build(limit int) (ok bool) {
	w.levels = [][]node{{{rows: w.rows}}}
	work := 0
	for _, col := range w.cols {
		here := w.levels[len(w.levels)-1]
		at := map[string]int{}
		var next []node
		for i := range here {
			nd := &here[i]
			ok := w.fill(nd.rows, col, func(rows []int, add float64) bool {
				work++
				id := string(key(rows))
				to, met := at[id]
				if !met {
					to = len(next)
					at[id] = to
					next = append(next, node{rows: slices.Clone(rows)})
				}
				nd.edges = append(nd.edges, edge{to, add, 1})
				return work <= limit
			})
			if !ok {
				return false
			}
			nd.edges = joined(nd.edges)
		}
		w.levels = append(w.levels, next)
	}
	for k := len(w.levels) - 2; k >= 0; k-- {
		for i := range w.levels[k] {
			nd := &w.levels[k][i]
			nd.least, nd.most = math.Inf(1), math.Inf(-1)
			for _, e := range nd.edges {
				child := &w.levels[k+1][e.to]
				nd.least = min(nd.least, e.add+child.least)
				nd.most = max(nd.most, e.add+child.most)
			}
			nd.all = w.completions(nd.rows, w.cols[k:])
		}
	}
	w.constant = w.levels[0][0].all
	return true
}

// completions is the logarithm of the sum of 1/product over all ways to fill
// the rows left into the columns left: n! over the factorials of the margins.
func (w *network) completions(rows, cols []int) float64 {
	s, n := 0.0, 0
	for _, r := range rows {
		s -= w.logFact[r]
		n += r
	}
	for _, c := range cols {
		s -= w.logFact[c]
	}
	return s + w.logFact[n]
}

// joined merges edges that lead to the same node by the same sum, which equal
// rows make.
func joined(edges []edge) []edge {
	slices.SortFunc(edges, func(a, b edge) int {
		if a.to != b.to {
			return a.to - b.to
		}
		return cmp.Compare(a.add, b.add)
	})
	out := edges[:0]
	for _, e := range edges {
		if n := len(out); n > 0 && out[n-1].to == e.to && e.add-out[n-1].add < 1e-11 {
			out[n-1].ways += e.ways
			continue
		}
		out = append(out, e)
	}
	return out
}

func key(rows []int) []byte {
	out := make([]byte, 0, 4*len(rows))
	for _, r := range rows {
		out = append(out, byte(r), byte(r>>8), byte(r>>16), byte(r>>24))
	}
	return out
}

// fill calls visit with every way to fill a column of the given total from the
// rows left: the sorted rows that remain and the sum of the column. It stops
// and returns false when visit says so.
func (w *network) fill(r []int, col int, visit func(rows []int, add float64) bool) bool {
	left := make([]int, len(r)+1) // sum of rows from i on
	for i := len(r) - 1; i >= 0; i-- {
		left[i] = left[i+1] + r[i]
	}
	rest, sorted := slices.Clone(r), make([]int, len(r))
	var next func(i, need int, add float64) bool
	next = func(i, need int, add float64) bool {
		if i == len(r) {
			copy(sorted, rest)
			slices.Sort(sorted)
			return visit(sorted, add)
		}
		for x := max(0, need-left[i+1]); x <= min(need, r[i]); x++ {
			rest[i] = r[i] - x
			if !next(i+1, need-x, add+w.logFact[x]) {
				return false
			}
		}
		return true
	}
	return next(0, col, 0)
}

// partial is a bundle of partial tables with the same sum and the same rows
// left, and how many there are.
type partial struct {
	past float64
	ways float64
}

// bundles is a list of partials that is merged from time to time: by sorting
// and not by a map, so that the same table always gives the same last digit.
type bundles struct {
	list   []partial
	merged int // length after the last merge
}

func (b *bundles) add(p partial) {
	b.list = append(b.list, p)
	if len(b.list) > 2*b.merged+256 {
		b.merge()
	}
}

// merge joins partials with the same sum. Sums of the same terms in another
// order differ by rounding.
func (b *bundles) merge() {
	slices.SortFunc(b.list, func(x, y partial) int { return cmp.Compare(x.past, y.past) })
	out := b.list[:0]
	for _, p := range b.list {
		if n := len(out); n > 0 && p.past-out[n-1].past < 1e-10 {
			out[n-1].ways += p.ways
			continue
		}
		out = append(out, p)
	}
	b.list, b.merged = out, len(out)
}

// pValue returns the chance of tables whose sum is at least that of the table
// seen; ok is false when there was too much to follow. At each node bundles are
// counted whole, dropped, or passed on by what their completions can be.
func (w *network) pValue(maxWork int) (p float64, ok bool) {
	if !w.build(maxWork) {
		return 0, false
	}
	limit := w.seen - math.Log(tieAllowance)
	here := []bundles{{list: []partial{{0, 1}}}}
	work := 0
	for k := range w.levels {
		last := k == len(w.levels)-1
		var next []bundles
		if !last {
			next = make([]bundles, len(w.levels[k+1]))
		}
		for i := range here {
			nd := &w.levels[k][i]
			here[i].merge()
			for _, b := range here[i].list {
				switch {
				case b.past+nd.least >= limit:
					p += b.ways * math.Exp(nd.all-b.past-w.constant)
					continue
				case b.past+nd.most < limit:
					continue
				}
				if work += len(nd.edges); work > 10*maxWork {
					return 0, false
				}
				for _, e := range nd.edges {
					child := &w.levels[k+1][e.to]
					past, ways := b.past+e.add, b.ways*e.ways
					// Settled already: no need to carry it to the child.
					switch {
					case past+child.least >= limit:
						p += ways * math.Exp(child.all-past-w.constant)
						continue
					case past+child.most < limit:
						continue
					}
					next[e.to].add(partial{past, ways})
				}
			}
		}
		here = next
	}
	return min(1, p), true
}
