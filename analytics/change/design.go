package change

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// design is the matrix of a regression, without the rows that have no exposure.
type design struct {
	columns []column
	full    []column // the same with all rows
	term    []string // of each column
	y       []float64
	offset  []float64 // logarithm of exposure
	row     []int     // in the data handed in
	rows    int
	left    int
	cases   int
}

const maxColumns = 200

func newDesign(op string, counts []int, exposures []float64, terms []Term) (design, error) {
	cases, _, err := checkSeries(op, counts, exposures)
	if err != nil {
		return design{}, err
	}
	d := design{rows: len(counts), cases: cases}
	for i, n := range counts {
		e := exposureAt(exposures, i)
		if e == 0 {
			d.left++
			continue
		}
		d.y = append(d.y, float64(n))
		d.offset = append(d.offset, math.Log(e))
		d.row = append(d.row, i)
	}
	one := make([]float64, len(counts))
	for i := range one {
		one[i] = 1
	}
	d.add(intercept, column{intercept, one})
	for _, t := range terms {
		if t.err != nil {
			return design{}, fmt.Errorf("%s: %w", op, t.err)
		}
		if t.rows != len(counts) {
			return design{}, dist.BadInt(op, "term "+t.Name, t.rows, fmt.Sprintf("must have a value for each of the %d counts", len(counts)))
		}
		for _, c := range t.columns {
			d.add(t.Name, c)
		}
	}
	if len(d.columns) > maxColumns {
		return design{}, dist.BadInt(op, "terms", len(d.columns), "make more than 200 coefficients: group some levels")
	}
	return d, nil
}

func (d *design) add(term string, c column) {
	v := make([]float64, len(d.row))
	for i, r := range d.row {
		v[i] = c.values[r]
	}
	d.columns = append(d.columns, column{c.name, v})
	d.full = append(d.full, c)
	d.term = append(d.term, term)
}

// obstacle says in words why there can be no fit, or nothing.
func (d design) obstacle() string {
	switch {
	case len(d.y) == 0:
		return "no row has hours: there is no rate to explain"
	case d.cases == 0:
		return "no case in any row: there is no rate to explain"
	case len(d.y) < len(d.columns):
		return fmt.Sprintf("%d rows cannot tell %d coefficients apart", len(d.y), len(d.columns))
	}
	return ""
}

// nullDeviance is the deviance of the fit of the intercept alone.
func (d design) nullDeviance(theta float64) float64 {
	null := d
	null.columns, null.term = d.columns[:1], d.term[:1]
	var w working
	if w.fit(null, theta) != "" {
		return 0 // not reached: one intercept over some cases always fits
	}
	return w.deviance
}
