package figure

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Estimate is one row of an interval chart: a value with what would also fit.
type Estimate struct {
	// Label names the row: a workplace, a cause, a study.
	Label string
	// Facts are the counts behind the value, written beside it: "3 in 412,000
	// hours".
	Facts string
	// Value with its limits Lo and Hi. An infinite Hi, or a Hi beyond the
	// figure, ends in an arrow.
	Value, Lo, Hi float64
	// HasInterval tells whether Lo and Hi are given.
	HasInterval bool
	// Missing marks a row without a value; Why says it in a few words, empty
	// is "too few to say".
	Missing bool
	Why     string
	// Summary draws the row as a diamond across its interval, under a thin
	// rule: the whole, the pooled value.
	Summary bool
}

// Intervals is a chart of values with their intervals, one row each: a dot
// with a line and the counts beside it. With Log and a Reference of 1 it is a
// forest plot of ratios. Rows keep the caller's order, which must not be a
// ranking of crews or sites by value.
type Intervals struct {
	// Title names the chart for screen readers and the table.
	Title string
	// Unit is the quantity on the axis with its unit.
	Unit string
	// RowName heads the first column of the table: "workplace".
	RowName string
	// IntervalName is the interval in words; empty is "95 % interval".
	IntervalName string
	// Reference, when HasReference, is a vertical line with its name: the
	// whole, or no difference.
	Reference     float64
	HasReference  bool
	ReferenceName string
	// Log draws ratios on a logarithmic axis; values at or below zero are
	// then drawn as reaching its left end.
	Log bool
	// Decimals of written values; zero chooses by size, negative writes whole
	// numbers.
	Decimals int

	Rows []Estimate
}

func (r Estimate) shown() bool { return !r.Missing && drawable(r.Value) }

func (r Estimate) bounded() bool {
	return r.shown() && r.HasInterval && !math.IsNaN(r.Lo) && !math.IsNaN(r.Hi) && r.Lo <= r.Hi
}

func (r Estimate) why() string { return or(r.Why, "too few to say") }

func (c Intervals) decimals() int {
	if c.Decimals != 0 {
		return min(max(0, c.Decimals), 12)
	}
	var v []float64
	for _, r := range c.Rows {
		if r.shown() && r.Value != 0 {
			v = append(v, math.Abs(r.Value))
		}
	}
	if len(v) == 0 {
		return 0
	}
	sort.Float64s(v)
	return min(max(1, Decimals(v[len(v)/2])), 3)
}

// bound writes one end of an interval.
func (c Intervals) bound(v float64) string {
	if math.IsInf(v, 1) {
		return "no upper end"
	}
	if math.IsInf(v, -1) {
		return "no lower end"
	}
	return Number(v, c.decimals())
}

// value writes "7.3 (1.5 to 21.3)".
func (c Intervals) value(r Estimate) string {
	if !r.shown() {
		return r.why()
	}
	s := Number(r.Value, c.decimals())
	if r.bounded() {
		s += fmt.Sprintf(" (%s to %s)", c.bound(r.Lo), c.bound(r.Hi))
	}
	return s
}

// Table returns the facts of the chart without laying it out.
func (c Intervals) Table() Table {
	t := Table{Caption: c.Title}
	t.col(capitalise(or(c.RowName, "row")), false)
	t.col(capitalise(or(c.Unit, "value")), true)
	t.col(or(c.IntervalName, "95 % interval"), true)
	t.col("Counts", false)
	for _, r := range c.Rows {
		row := []string{r.Label, r.why(), "–", r.Facts}
		if r.shown() {
			row[1] = Number(r.Value, c.decimals())
		}
		if r.bounded() {
			row[2] = c.bound(r.Lo) + " to " + c.bound(r.Hi)
		}
		t.Rows = append(t.Rows, row)
	}
	if c.HasReference && drawable(c.Reference) {
		t.Notes = append(t.Notes, fmt.Sprintf("%s: %s.", capitalise(or(c.ReferenceName, "reference")), Number(c.Reference, c.decimals())))
	}
	return t
}

func (c Intervals) describe() string {
	if len(c.Rows) == 0 {
		return "No rows yet."
	}
	var s []string
	for _, r := range c.Rows {
		one := r.Label + ": " + c.value(r)
		if r.Facts != "" {
			one += ", " + r.Facts
		}
		s = append(s, one+".")
	}
	return strings.Join(append(s, c.Table().Notes...), " ")
}
