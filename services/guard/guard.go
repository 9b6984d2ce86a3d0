package guard

import (
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

// HeldBack stands in place of a count that is not shown.
const HeldBack = -1

// Smallest is the least count that is shown to whoever has no need of smaller
// ones (common practice, no published source; offices use 3 to 10).
const Smallest = 5

// Applies reports whether small counts are held back from who: from everybody
// but advisers and auditors, who read the reports themselves.
func Applies(who access.Principal) bool {
	return !who.Has(pb.Role_ROLE_ADVISER) && !who.Has(pb.Role_ROLE_AUDITOR)
}

// List says which counts of a list with its sum must not be shown: those from 1
// to smallest-1, and further ones, the smallest first, until at least two are
// hidden that come to smallest together. total is false when there are not
// enough of them: then the sum would give them away and must be held back too.
func List(counts []int64, smallest int64) (hidden []bool, total bool) {
	hidden = make([]bool, len(counts))
	var n, sum int64
	for i, c := range counts {
		if c > 0 && c < smallest {
			hidden[i] = true
			n, sum = n+1, sum+c
		}
	}
	for n == 1 || n > 1 && sum < smallest {
		next := -1
		for i, c := range counts {
			if c > 0 && !hidden[i] && (next < 0 || c < counts[next]) {
				next = i
			}
		}
		if next < 0 {
			return hidden, false
		}
		hidden[next] = true
		n, sum = n+1, sum+counts[next]
	}
	return hidden, true
}

// Table holds back, in place, the counts of a table from 1 to smallest-1, be
// they cells or totals, and further ones until none of them can be worked out
// from what is shown: neither from one row or column, nor from several together.
// It returns how many cells it held back. With smallest at most 1 nothing is
// held back.
func Table(t *pb.Table, smallest int64) int32 {
	if smallest <= 1 || len(t.GetRows()) == 0 || len(t.GetColumns()) == 0 {
		return 0
	}
	g := newGrid(t, smallest)
	if len(t.GetColumns()) == 1 {
		g.list()
	} else {
		g.suppress()
	}
	return g.write(t)
}

// write marks in the table what is hidden.
func (g *grid) write(t *pb.Table) (held int32) {
	mark := func(r, c int, to *int64) {
		if g.hidden[r*g.cols+c] {
			*to = HeldBack
		}
	}
	for r := range t.Rows {
		for c := range t.Columns {
			at := &t.Counts[r*len(t.Columns)+c]
			mark(r, c, at)
			if *at == HeldBack {
				held++
			}
		}
		mark(r, g.cols-1, &t.Rows[r].Total)
		if t.Rows[r].GetKey() == "" && t.Rows[r].GetTotal() == HeldBack {
			t.RowsUnknown = HeldBack
		}
	}
	for c := range t.Columns {
		mark(g.rows-1, c, &t.Columns[c].Total)
		if t.Columns[c].GetKey() == "" && t.Columns[c].GetTotal() == HeldBack {
			t.ColumnsUnknown = HeldBack
		}
	}
	mark(g.rows-1, g.cols-1, &t.Total)
	return held
}
