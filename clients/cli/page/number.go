package page

import "fairlead/analytics/figure"

// Count writes a count with marks between thousands.
func Count(v float64) string { return figure.Count(v) }

// Rate writes a rate with one decimal, and with more only where the figure is
// so small that one decimal would hide it.
func Rate(v float64) string {
	d := 1
	for x := v; x > 0 && x < 1 && d < 4; x *= 10 {
		d++
	}
	return figure.Number(v, d)
}
