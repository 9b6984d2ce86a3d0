package cause

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// TableTest is a test of whether the rows of a table of counts are alike. Its
// figures mean something only when Defined is true.
type TableTest struct {
	N           int     // reports counted
	Rows, Cols  int     // with at least one report; empty ones are left out
	Statistic   float64 // Pearson's chi-square
	DF          int
	PValue      float64
	CramersV    float64     // strength, 0 to 1
	MinExpected float64     // least count to be expected by chance; below 5 prefer FisherTable
	Residuals   [][]float64 // standardised: beyond about 2 a cell stands out by itself; 0 in empty rows and columns
	Defined     bool
	Reason      string // why it is undefined; empty when it is defined
}

// Bounds of the tables taken.
const (
	maxLines      = 2000
	maxTableTotal = 1_000_000_000
)

// margins are the totals of a table.
type margins struct {
	rows, cols []int
	n          int
}

func newMargins(op string, table [][]int) (margins, error) {
	var m margins
	if len(table) > maxLines {
		return m, dist.BadInt(op, "table", len(table), "must have at most 2,000 rows")
	}
	m.rows = make([]int, len(table))
	for i, row := range table {
		if i == 0 {
			if len(row) > maxLines {
				return m, dist.BadInt(op, "table[0]", len(row), "must have at most 2,000 columns")
			}
			m.cols = make([]int, len(row))
		}
		if len(row) != len(m.cols) {
			return m, dist.BadInt(op, fmt.Sprintf("table[%d]", i), len(row), fmt.Sprintf("must have %d counts like the first row", len(m.cols)))
		}
		for j, n := range row {
			if n < 0 || n > maxTableTotal {
				return m, dist.BadInt(op, fmt.Sprintf("table[%d][%d]", i, j), n, "must be at least 0 and at most 1e9")
			}
			m.rows[i] += n
			m.cols[j] += n
			m.n += n
		}
	}
	if m.n > maxTableTotal {
		return m, dist.BadInt(op, "table", m.n, "must add up to at most 1e9")
	}
	return m, nil
}

// filled returns the indices of totals above zero.
func filled(totals []int) []int {
	var out []int
	for i, n := range totals {
		if n > 0 {
			out = append(out, i)
		}
	}
	return out
}

// obstacle says in words why there is nothing to test, or nothing.
func (m margins) obstacle() string {
	if len(filled(m.rows)) < 2 || len(filled(m.cols)) < 2 {
		return "fewer than two rows or columns have reports: there is nothing to compare"
	}
	return ""
}

// ChiSquare tests whether the rows of a table have the same shares by column,
// by Pearson's statistic. Rows and columns without reports are left out. It is
// approximate: where MinExpected is below about 5 use [FisherTable].
//
// The table must be rectangular with at most 2,000 rows and columns and counts
// in [0, 1e9] that add up to at most 1e9; otherwise the error wraps
// [dist.ErrDomain].
//
// Pearson (1900); standardised residuals by Haberman (1973), Biometrics
// 29:205-220.
func ChiSquare(table [][]int) (TableTest, error) {
	const op = "cause: chi-square"
	m, err := newMargins(op, table)
	if err != nil {
		return TableTest{}, err
	}
	t := TableTest{N: m.n, Rows: len(filled(m.rows)), Cols: len(filled(m.cols))}
	if t.Reason = m.obstacle(); t.Reason != "" {
		return t, nil
	}
	t.Statistic, t.MinExpected = m.statistic(table)
	t.DF = (t.Rows - 1) * (t.Cols - 1)
	if t.PValue, err = dist.ChiSquareTail(t.Statistic, float64(t.DF)); err != nil {
		return TableTest{}, fmt.Errorf("%s: %w", op, err)
	}
	t.CramersV = min(1, math.Sqrt(t.Statistic/float64(m.n)/float64(min(t.Rows, t.Cols)-1)))
	n := float64(m.n)
	for i, row := range table {
		r := make([]float64, len(row))
		for j, o := range row {
			if m.rows[i] > 0 && m.cols[j] > 0 {
				x, y := float64(m.rows[i])/n, float64(m.cols[j])/n
				r[j] = (float64(o) - x*y*n) / math.Sqrt(x*y*n*(1-x)*(1-y))
			}
		}
		t.Residuals = append(t.Residuals, r)
	}
	t.Defined = true
	return t, nil
}

// statistic returns Pearson's chi-square and the least expected count.
func (m margins) statistic(table [][]int) (sum, least float64) {
	least = math.Inf(1)
	for i, row := range table {
		for j, o := range row {
			if m.rows[i] == 0 || m.cols[j] == 0 {
				continue
			}
			e := float64(m.rows[i]) * float64(m.cols[j]) / float64(m.n)
			least = min(least, e)
			sum += (float64(o) - e) * (float64(o) - e) / e
		}
	}
	return sum, least
}
