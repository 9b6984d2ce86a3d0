package cause

import (
	"fmt"

	"fairlead/analytics/dist"
	"fairlead/analytics/rate"
)

// Find options shared by the searches of this package.
const (
	defaultQ       = 0.05
	defaultSupport = 5
)

// SearchOptions say what a search shows. The zero value keeps the share of
// false finds at 5 % over all that was tried, shows nothing with fewer than
// five reports, and gives 95 % intervals.
type SearchOptions struct {
	Q          float64    // share of false finds among finds, or chance of one, by Correction; 0 means 0.05
	MinSupport int        // fewest reports of a find; 0 means 5
	Level      float64    // of intervals; 0 means 0.95
	Correction Correction // empty means BenjaminiHochberg
}

func (o *SearchOptions) complete(op string) error {
	if o.Q == 0 {
		o.Q = defaultQ
	}
	if o.MinSupport == 0 {
		o.MinSupport = defaultSupport
	}
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	if o.Correction == "" {
		o.Correction = BenjaminiHochberg
	}
	if err := dist.CheckLevel(op, o.Level); err != nil {
		return err
	}
	switch {
	case !(o.Q > 0 && o.Q <= 0.5):
		return dist.BadFloat(op, "q", o.Q, "must be above 0 and at most 0.5, such as 0.05")
	case o.MinSupport < 1:
		return dist.BadInt(op, "least support", o.MinSupport, "must be at least 1 report")
	}
	_, err := Adjust(nil, o.Correction)
	return err
}

// Cross is a cross-table with what stands out in it, after allowing for every
// cell that was looked at.
type Cross struct {
	Cells   [][]CrossCell
	Rows    []int // reports by row, known in both
	Cols    []int
	Known   int // reports with both known
	Missing int // reports with either unknown: not in the cells
	// MissingShare is Missing out of all reports.
	MissingShare rate.Share
	Whole        TableTest // of the table as a whole
	Tried        int       // cells tested
	Finds        int       // cells marked
	Q            float64
	Correction   Correction
}

// CrossCell is one cell against all the rest.
type CrossCell struct {
	Count    int
	Expected float64 // by chance, given the totals of its row and column
	Lift     float64 // Count over Expected; 0 where nothing was to be expected
	PValue   float64 // exact, two-sided, by itself
	Adjusted float64 // allowing for all cells tried
	Tried    bool    // false in a row or column that is empty, or holds everything
	Marked   bool    // more than chance: Adjusted at most Q, Count at least the support asked for, and above Expected
	Scarce   bool    // less than chance: Adjusted at most Q and below Expected
}

// CrossTab counts one coding against another: counts[i][j] reports have row
// category i and column category j, missing reports lack either. Each cell is
// tested against all the rest by Fisher's exact test, and the p-values are
// corrected over all cells, shown or not. Cells of one table depend on each
// other a little; on shuffled data the promise holds all the same (see the
// tests of this package).
//
// The table has the domain of [ChiSquare] with at most 40,000 cells; missing
// must be in [0, 1e9); otherwise the error wraps [dist.ErrDomain].
func CrossTab(counts [][]int, missing int, o SearchOptions) (Cross, error) {
	const op = "cause: cross-table"
	if err := o.complete(op); err != nil {
		return Cross{}, err
	}
	m, err := newMargins(op, counts)
	if err != nil {
		return Cross{}, err
	}
	switch {
	case len(m.rows)*len(m.cols) > 40_000:
		return Cross{}, dist.BadInt(op, "counts", len(m.rows)*len(m.cols), "must be at most 40,000 cells: group some categories")
	case missing < 0 || missing >= maxCell || m.n+missing >= maxCell:
		return Cross{}, dist.BadInt(op, "missing", missing, "must be at least 0, and below 1e9 together with the counts")
	}
	c := Cross{Rows: m.rows, Cols: m.cols, Known: m.n, Missing: missing, Q: o.Q, Correction: o.Correction}
	if c.MissingShare, err = rate.ShareOf(missing, m.n+missing, o.Level); err != nil {
		return Cross{}, fmt.Errorf("%s: %w", op, err)
	}
	if c.Whole, err = ChiSquare(counts); err != nil {
		return Cross{}, fmt.Errorf("%s: %w", op, err)
	}
	var ps []float64
	var where [][2]int
	for i, row := range counts {
		cells := make([]CrossCell, len(row))
		for j, n := range row {
			cells[j] = CrossCell{Count: n, PValue: 1, Adjusted: 1}
			t := Fourfold{Both: n, ExposureOnly: m.rows[i] - n, OutcomeOnly: m.cols[j] - n, Neither: m.n - m.rows[i] - m.cols[j] + n}
			if m.n > 0 {
				cells[j].Expected = float64(m.rows[i]) / float64(m.n) * float64(m.cols[j])
			}
			if cells[j].Expected > 0 {
				cells[j].Lift = float64(n) / cells[j].Expected
			}
			if t.obstacle() != "" {
				continue
			}
			if cells[j].PValue, err = t.pValue(); err != nil {
				return Cross{}, fmt.Errorf("%s: %w", op, err)
			}
			cells[j].Tried = true
			ps, where = append(ps, cells[j].PValue), append(where, [2]int{i, j})
		}
		c.Cells = append(c.Cells, cells)
	}
	adjusted, err := Adjust(ps, o.Correction)
	if err != nil {
		return Cross{}, fmt.Errorf("%s: %w", op, err)
	}
	c.Tried = len(ps)
	for k, a := range adjusted {
		cell := &c.Cells[where[k][0]][where[k][1]]
		cell.Adjusted = a
		found := a <= o.Q
		cell.Marked = found && cell.Count >= o.MinSupport && cell.Lift > 1
		cell.Scarce = found && cell.Lift < 1
		if cell.Marked {
			c.Finds++
		}
	}
	return c, nil
}

// pValue returns Fisher's two-sided p-value, with the chi-square one standing
// in for tables too large to follow.
func (t Fourfold) pValue() (float64, error) {
	if lo, hi := t.support(); hi-lo > exactSupport {
		s := Association{Fourfold: t}
		if err := s.test(); err != nil {
			return 0, err
		}
		return s.PearsonP, nil
	}
	f, err := t.fisher(1)
	return f.TwoSided, err
}
