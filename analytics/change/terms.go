package change

import (
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/dist"
)

// Term is one part of a regression: a number, a factor of several levels, or a
// season. Make one with [Numeric], [Factor], [Step], [Waves] or [Months].
type Term struct {
	Name    string
	columns []column
	rows    int
	err     error
}

type column struct {
	name   string
	values []float64
}

// Numeric returns the term of one number per row, such as the month since the
// start. Values must be finite and at most 1e9 in size.
func Numeric(name string, values []float64) Term {
	t := Term{Name: name, rows: len(values), columns: []column{{name, slices.Clone(values)}}}
	for i, v := range values {
		if !(math.Abs(v) <= 1e9) {
			t.err = dist.BadFloat("change: numeric term", fmt.Sprintf("%s[%d]", name, i), v, "must be finite and at most 1e9 in size")
			break
		}
	}
	return t
}

// Factor returns the term of a label per row, compared with the first level
// (treatment contrasts). levels names the levels in order; when empty, the
// labels met are used in alphabetical order. A label outside levels is an error
// of the regression it is used in.
func Factor(name string, labels []string, levels ...string) Term {
	if len(levels) == 0 {
		levels = slices.Clone(labels)
		slices.Sort(levels)
		levels = slices.Compact(levels)
	}
	t := Term{Name: name, rows: len(labels)}
	at := map[string]int{}
	for i, l := range levels {
		if _, twice := at[l]; twice {
			t.err = &dist.DomainError{Op: "change: factor", Arg: name + " levels", Value: l, Need: "must be given once each"}
		}
		at[l] = i
		if i > 0 {
			t.columns = append(t.columns, column{name + l, make([]float64, len(labels))})
		}
	}
	for i, l := range labels {
		j, ok := at[l]
		if !ok && t.err == nil {
			t.err = &dist.DomainError{Op: "change: factor", Arg: fmt.Sprintf("%s[%d]", name, i), Value: l, Need: "must be one of the levels named"}
		}
		if ok && j > 0 {
			t.columns[j-1].values[i] = 1
		}
	}
	return t
}

// Step returns the term that is 0 before row from (counted from 0) and 1 from
// it on: a law, a guard, a new way of reporting.
func Step(name string, rows, from int) Term {
	v := make([]float64, max(0, rows))
	for i := max(0, from); i < len(v); i++ {
		v[i] = 1
	}
	return Numeric(name, v)
}

// Waves returns a season as sine waves: one of the given period (12 for months)
// and, with more harmonics, faster ones. position is where each row stands in
// the period, as 0 for January. Two harmonics suit most yearly patterns and
// cost four coefficients where months cost eleven.
//
// period must be at least 2 and harmonics in [1, period/2].
func Waves(name string, position []int, period, harmonics int) Term {
	t := Term{Name: name, rows: len(position)}
	if period < 2 || period > 1_000_000 {
		t.err = dist.BadInt("change: waves", "period", period, "must be at least 2, such as 12 months")
		return t
	}
	if harmonics < 1 || 2*harmonics > period {
		t.err = dist.BadInt("change: waves", "harmonics", harmonics, "must be at least 1 and at most half the period")
		return t
	}
	for h := 1; h <= harmonics; h++ {
		sin, cos := make([]float64, len(position)), make([]float64, len(position))
		for i, p := range position {
			// Reduced first: the angle of a far position keeps its digits.
			a := 2 * math.Pi * float64(h) * float64(p%period) / float64(period)
			sin[i], cos[i] = math.Sin(a), math.Cos(a)
		}
		t.columns = append(t.columns, column{fmt.Sprintf("%s cos %d", name, h), cos})
		// At half the period the sine is zero in every row.
		if 2*h < period {
			t.columns = append(t.columns, column{fmt.Sprintf("%s sin %d", name, h), sin})
		}
	}
	return t
}

// Months returns a season as one level per month of the year, compared with the
// first; month holds 1 to 12 for each row.
func Months(name string, month []int) Term {
	labels := make([]string, len(month))
	levels := make([]string, 12)
	for i := range levels {
		levels[i] = fmt.Sprintf("%02d", i+1)
	}
	for i, m := range month {
		labels[i] = fmt.Sprintf("%02d", m)
	}
	return Factor(name, labels, levels...)
}
