package figure

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Table holds the same facts as a figure, in words and numbers.
type Table struct {
	// Caption names the table.
	Caption string
	// Headers name the columns, units included.
	Headers []string
	// Numeric tells which columns hold numbers and align right.
	Numeric []bool
	// Rows have as many cells as Headers.
	Rows [][]string
	// Notes are facts that belong to the whole figure: centre, baseline,
	// runs, flags.
	Notes []string
}

// col appends a column heading.
func (t *Table) col(name string, numeric bool) {
	t.Headers = append(t.Headers, name)
	t.Numeric = append(t.Numeric, numeric)
}

// finite tells whether a number can be drawn.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Count writes a whole number with a comma between thousands, "412,000".
func Count(v float64) string {
	if !finite(v) {
		return "not known"
	}
	if math.Abs(v) >= 1e15 {
		return strings.ReplaceAll(strconv.FormatFloat(v, 'g', 4, 64), "-", "−")
	}
	s := strconv.FormatFloat(math.Abs(math.Round(v)), 'f', 0, 64)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	if math.Round(v) < 0 {
		s = "−" + s
	}
	return s
}

// Decimals returns how many decimals suit numbers as large as v: three figures
// from 1 on, two below.
func Decimals(v float64) int {
	v = math.Abs(v)
	switch {
	case !finite(v) || v >= 100 || v == 0:
		return 0
	case v >= 10:
		return 1
	case v >= 1:
		return 2
	case v < 1e-9:
		return 12
	}
	return 1 + int(math.Ceil(-math.Log10(v)))
}

// Number writes v with a fixed number of decimals, a comma between thousands
// and a true minus sign.
func Number(v float64, decimals int) string {
	if !finite(v) {
		return "not known"
	}
	if decimals <= 0 || math.Abs(v) >= 1e15 {
		return Count(v)
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	dot := strings.IndexByte(s, '.')
	whole, frac := s[:dot], s[dot:]
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if v < 0 && strings.Trim(s, "0.") != "" {
		return "−" + whole + frac
	}
	return whole + frac
}

// plural writes "1 point", "2 points".
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
