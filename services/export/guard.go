package export

import pb "fairlead/proto/gen/fairlead/v1"

// heldBack marks a cell that is not shown.
const heldBack = -1

// guard holds back the cells of a two-way table that could name a person:
// every count from 1 to smallest-1, then, in each row and column of which only
// one cell is held back, the smallest further cell, until no held-back count
// follows from a total. Row and column totals stay unless they are small
// themselves. It returns how many cells it held back.
//
// This is the usual complementary suppression of statistical offices, done
// greedily (Hundepool and others, Statistical Disclosure Control, 2012, ch. 4:
// from memory). It guards one table; two overlapping summaries could still be
// compared, which the access room's guard is for.
func guard(t *pb.Table, smallest int64) int32 {
	rows, cols := len(t.GetRows()), len(t.GetColumns())
	if smallest <= 1 || rows == 0 || cols == 0 {
		return 0
	}
	at := func(r, c int) int { return r*cols + c }
	hidden := make([]bool, len(t.Counts))
	for i, n := range t.Counts {
		hidden[i] = n > 0 && n < smallest
	}
	// With one column the rows' totals are the cells, so only columns matter.
	for changed := true; changed; {
		changed = false
		for r := range rows {
			if cols > 1 && protect(t, hidden, smallest, cols, func(i int) int { return at(r, i) }) {
				changed = true
			}
		}
		for c := range cols {
			if protect(t, hidden, smallest, rows, func(i int) int { return at(i, c) }) {
				changed = true
			}
		}
	}
	held := int32(0)
	for i := range t.Counts {
		if hidden[i] {
			t.Counts[i] = heldBack
			held++
		}
	}
	for r, h := range t.Rows {
		hideTotal(h, smallest, cols == 1 && hidden[at(r, 0)])
	}
	for _, h := range t.Columns {
		hideTotal(h, smallest, false)
	}
	return held
}

// protect hides one more cell of a line in which exactly one is hidden, or in
// which the hidden ones together are still worth fewer than they need to be.
// It reports whether it did.
func protect(t *pb.Table, hidden []bool, smallest int64, n int, at func(int) int) bool {
	count, sum, best := 0, int64(0), -1
	for i := range n {
		k := at(i)
		if hidden[k] {
			count++
			sum += t.Counts[k]
			continue
		}
		// A zero cell protects nobody: a reader may take an empty cell of
		// a rare category to be empty anyway.
		if t.Counts[k] > 0 && (best < 0 || t.Counts[k] < t.Counts[at(best)]) {
			best = i
		}
	}
	if count == 0 || best < 0 || count > 1 && sum >= smallest {
		return false
	}
	hidden[at(best)] = true
	return true
}

func hideTotal(h *pb.TableHead, smallest int64, cell bool) {
	if cell || h.GetTotal() > 0 && h.GetTotal() < smallest {
		h.Total = heldBack
	}
}
