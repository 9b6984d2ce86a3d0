package guard_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"fairlead/services/guard"
)

// hurtWorld is a random tree of places with persons hurt by category.
type hurtWorld struct {
	parent []int
	direct [][]int64
	width  int
}

func drawWorld(t *rapid.T, most int) hurtWorld {
	n := rapid.IntRange(1, most).Draw(t, "places")
	w := hurtWorld{width: rapid.IntRange(1, 4).Draw(t, "categories")}
	// Mostly few and nothing, as it is.
	count := rapid.SampledFrom([]int64{0, 0, 0, 1, 1, 2, 3, 4, 5, 7, 11, 20})
	for p := range n {
		above := -1
		if p > 0 {
			above = rapid.IntRange(0, p-1).Draw(t, "above")
		}
		w.parent = append(w.parent, above)
		w.direct = append(w.direct, rapid.SliceOfN(count, w.width, w.width).Draw(t, "direct"))
	}
	return w
}

// within says whether a place is another or below it.
func (w hurtWorld) within(p, above int) bool {
	for ; p >= 0; p = w.parent[p] {
		if p == above {
			return true
		}
	}
	return false
}

func (w hurtWorld) all(place int) (n int64) {
	for p, row := range w.direct {
		if w.within(p, place) {
			for _, c := range row {
				n += c
			}
		}
	}
	return n
}

// told returns the equations that an attacker has who asked every question that
// may be asked: how many were hurt at each place and below it, and at the place
// itself, and every count that is shown.
func (w hurtWorld) told(l *guard.Lattice) (rows [][]float64, values []float64) {
	unknowns := len(w.parent) * w.width
	add := func(value int64, in func(p, c int) bool) {
		row := make([]float64, unknowns)
		for p := range w.parent {
			for c := range w.width {
				if in(p, c) {
					row[p*w.width+c] = 1
				}
			}
		}
		rows, values = append(rows, row), append(values, float64(value))
	}
	for place := range w.parent {
		add(w.all(place), func(p, _ int) bool { return w.within(p, place) })
		own := int64(0)
		for _, n := range w.direct[place] {
			own += n
		}
		add(own, func(p, _ int) bool { return p == place })
		for c := range w.width {
			if !l.Hidden[place][c] {
				add(l.Counts[place][c], func(p, k int) bool { return k == c && w.within(p, place) })
			}
		}
	}
	return rows, values
}

// TestLattice_rank: no small count is a sum or difference of what is told. An
// attacker who asked everything solves the system; a count that follows from it
// adds nothing to its rank.
func TestLattice_rank(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		w := drawWorld(t, 6)
		l := guard.NewLattice(w.parent, w.direct, guard.Smallest)
		if !l.Whole {
			return // nothing is told
		}
		rows, _ := w.told(l)
		was := rank(rows)
		for place := range w.parent {
			for c := range w.width {
				n := l.Counts[place][c]
				require.False(t, n > 0 && n < guard.Smallest && !l.Hidden[place][c], "a small count is shown")
				if n > 0 && n < guard.Smallest {
					row := make([]float64, len(w.parent)*w.width)
					for p := range w.parent {
						if w.within(p, place) {
							row[p*w.width+c] = 1
						}
					}
					require.Greater(t, rank(append(rows, row)), was, "the count %d of category %d at %d follows: %+v", n, c, place, w)
				}
			}
		}
	})
}

// rank is the rank of a matrix of zeros and ones: its singular values are zero
// or far from it.
func rank(rows [][]float64) (n int) {
	m := mat.NewDense(len(rows), len(rows[0]), nil)
	for i, r := range rows {
		m.SetRow(i, r)
	}
	var svd mat.SVD
	if !svd.Factorize(m, mat.SVDNone) {
		panic("guard: the matrix has no singular values")
	}
	for _, s := range svd.Values(nil) {
		if s > 1e-9 {
			n++
		}
	}
	return n
}

// TestLattice_worlds: what a linear system cannot see, that counts are whole and
// not below nothing, may tell more. In small houses every world is tried that
// would look the same: in one of them each small count is not small.
func TestLattice_worlds(t *testing.T) {
	t.Parallel()
	const smallest = 3
	rapid.Check(t, func(t *rapid.T) {
		w := drawWorld(t, 3)
		w.width = min(w.width, 3)
		for p := range w.direct {
			w.direct[p] = w.direct[p][:w.width]
			for c := range w.direct[p] {
				w.direct[p][c] = min(w.direct[p][c], 4)
			}
		}
		l := guard.NewLattice(w.parent, w.direct, smallest)
		if !l.Whole {
			return
		}
		rows, values := w.told(l)
		large := make([]bool, len(w.parent)*w.width)
		seen := 0
		worlds(rows, values, func(x []int64) {
			seen++
			for place := range w.parent {
				for c := range w.width {
					sum := int64(0)
					for p := range w.parent {
						if w.within(p, place) {
							sum += x[p*w.width+c]
						}
					}
					large[place*w.width+c] = large[place*w.width+c] || sum >= smallest
				}
			}
		})
		require.Positive(t, seen, "the world itself is one of them")
		for place := range w.parent {
			for c := range w.width {
				if n := l.Counts[place][c]; n > 0 && n < smallest {
					require.True(t, large[place*w.width+c], "category %d at %d is known to be small: %+v %v", c, place, w, l.Hidden)
				}
			}
		}
	})
}

// worlds visits every list of whole numbers, none below nothing, that meets the
// equations.
func worlds(rows [][]float64, values []float64, visit func([]int64)) {
	x := make([]int64, len(rows[0]))
	left := make([]int64, len(values))
	last := make([]int, len(values))
	for i, v := range values {
		left[i] = int64(v)
		for k, a := range rows[i] {
			if a > 0 {
				last[i] = k
			}
		}
	}
	var try func(k int)
	try = func(k int) {
		if k == len(x) {
			visit(x)
			return
		}
		most, exact := int64(1<<30), int64(-1)
		for i, r := range rows {
			if r[k] > 0 {
				most = min(most, left[i])
				if last[i] == k {
					if exact >= 0 && exact != left[i] {
						return
					}
					exact = left[i]
				}
			}
		}
		from := int64(0)
		if exact >= 0 {
			if exact > most {
				return
			}
			from, most = exact, exact
		}
		for n := from; n <= most; n++ {
			x[k] = n
			for i, r := range rows {
				left[i] -= int64(r[k]) * n
			}
			try(k + 1)
			for i, r := range rows {
				left[i] += int64(r[k]) * n
			}
		}
		x[k] = 0
	}
	try(0)
}

// TestLatticeByHand is a house of two depots.
func TestLatticeByHand(t *testing.T) {
	t.Parallel()
	// The house, north with its tree crew, quarry; wounds, burns, strains.
	l := guard.NewLattice([]int{-1, 0, 1, 0}, [][]int64{{0, 0, 0}, {6, 0, 8}, {7, 2, 9}, {12, 9, 30}}, 5)
	require.True(t, l.Whole)
	require.Equal(t, []int64{25, 11, 47}, l.Counts[0])
	require.Equal(t, []bool{false, false, false}, l.Hidden[0], "the whole house is told")
	require.True(t, l.Hidden[2][1] && l.Hidden[1][1] && l.Hidden[3][1], "two burnt in the tree crew are held back, at the depot above it, and at the other, from which they would follow")
	require.False(t, l.Hidden[2][2] && l.Hidden[2][0])

	// Where all that were hurt are few, nobody is told what was wrong with them.
	l = guard.NewLattice([]int{-1, 0, 0}, [][]int64{{0, 0}, {2, 1}, {20, 30}}, 5)
	require.Equal(t, []bool{true, true}, l.Hidden[1])

	// One place, and one thing: nothing can stand in for it.
	require.False(t, guard.NewLattice([]int{-1}, [][]int64{{3}}, 5).Whole)
	require.True(t, guard.NewLattice(nil, nil, 5).Whole)
	require.True(t, guard.NewLattice([]int{-1}, [][]int64{{0, 0}}, 5).Whole)
}
