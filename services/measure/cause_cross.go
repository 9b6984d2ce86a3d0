package measure

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/cause"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
	"fairlead/services/fault"
	"fairlead/services/guard"
)

const (
	crossPairs    = 100
	maxCrossPairs = 2000
	crossSupport  = 5
	// Bounds of the table: what is larger tests so many pairs that next to none
	// of them could stand.
	maxCrossCells = 40_000
	maxCrossLines = 2000
)

// crossQuestion is a request for a cross-table, read and checked.
type crossQuestion struct {
	*causeQuestion
	rate    float64
	support int
	pairs   int
}

func (s *view) readCross(ctx context.Context, req *pb.CrossCausesRequest) (*crossQuestion, error) {
	var wrong fault.Violations
	x := &crossQuestion{
		rate:    readRate("false_discovery_rate", req.GetFalseDiscoveryRate(), &wrong),
		support: readCount("min_support", req.GetMinSupport(), crossSupport, 1_000_000, &wrong),
		pairs:   readCount("pair_limit", req.GetPairLimit(), crossPairs, maxCrossPairs, &wrong),
	}
	level := readLevel(req.GetLevel(), &wrong)
	rows, columns := side{field: "rows", is: req.GetRows()}, side{field: "columns", is: req.GetColumns()}
	months := func(d pb.Dimension) bool {
		return d == pb.Dimension_DIMENSION_MONTH || d == pb.Dimension_DIMENSION_YEAR
	}
	switch {
	case rows.is == columns.is:
		columns.flaw = "is the same as rows; choose another dimension"
	case months(rows.is) && months(columns.is):
		columns.flaw = "follows from rows: a month has one year; choose another dimension"
	}
	var err error
	if x.causeQuestion, err = s.readCauses(ctx, req, causeMonths, []side{rows, columns}, wrong); err != nil {
		return nil, err
	}
	x.level = level
	return x, nil
}

// cross answers a request for a cross-table.
func (s *Service) cross(q *crossQuestion) (*pb.CauseCross, error) {
	// What has no value takes a row and a column more.
	c, b, err := s.count(q.causeQuestion, maxCrossCells+2*maxCrossLines, q.dims...)
	if err != nil {
		return nil, err
	}
	if height, width := len(c.Sides[0].Heads)-c.Sides[0].Known(), len(c.Sides[1].Heads)-c.Sides[1].Known(); c.Counts == nil || height*width > maxCrossCells || height > maxCrossLines || width > maxCrossLines {
		return nil, fault.Invalid(fault.Violation{Field: "columns", Description: fmt.Sprintf(
			"%s by %s makes %d × %d pairs, more than %s: use a coarser code_level or years, or narrow the filter",
			dimensionNames[q.dims[0]], dimensionNames[q.dims[1]], height, width, whole(maxCrossCells))})
	}
	t := &crossing{q: q, cube: c}
	out, err := t.build()
	if err != nil {
		return nil, err
	}
	out.Scope, out.SequenceNumber = s.scopeWords(&q.question), c.Seq
	out.Sentence = t.sentence(out)
	out.Method = q.countedHow() + fmt.Sprintf(" Each pair is set against all the rest, over those with a value on both, by Fisher's exact test (two-sided). "+
		"The p-values are corrected over all %s tried, listed or not (%s), so that of the pairs that stand about %s at most are false. "+
		"Odds ratios are exact, given the margins, where the table is small enough, and Woolf's elsewhere; the intervals of pairs that stand or are apart are widened for having been picked.",
		number(float64(out.GetTried()), "pair", "pairs"), out.GetCorrection(), percent(q.rate))
	out.Source = "Fisher 1935, Journal of the Royal Statistical Society 98:39-82; Benjamini and Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300; intervals: Benjamini and Yekutieli 2005, Journal of the American Statistical Association 100:71-81."
	out.Cautions = append([]string{cautionTogether}, q.cautions(b, out.GetHeldBack(), out.GetRowsUnreviewed(), out.GetColumnsUnreviewed())...)
	if q.harms {
		out.Cautions = append(out.Cautions, cautionPersons)
	}
	if out.GetKnown() < fewCauses {
		out.Cautions = append(out.Cautions, cautionFewCause)
	}
	return out, nil
}

// fewCauses is below how many reports a table is said to rest on few. It is this
// project's own line; no source fixes it.
const fewCauses = 30

// crossing is a cross-table in the making.
type crossing struct {
	q    *crossQuestion
	cube *cube.Cube
	// rows and columns lead from the lines shown to those of the cube.
	rows, columns []int
	counts        [][]int
	// table is what is shown, with what is held back.
	table  *pb.Table
	result cause.Cross
}

func (t *crossing) build() (*pb.CauseCross, error) {
	q, down, across := t.q, t.cube.Sides[0], t.cube.Sides[1]
	t.known(down, across)
	var known int64
	for _, h := range t.table.GetRows() {
		known += h.GetTotal()
	}
	missing := t.cube.Total - known
	var err error
	t.result, err = cause.CrossTab(t.counts, int(missing), cause.SearchOptions{Q: q.rate, MinSupport: q.support, Level: q.level})
	if err != nil {
		return nil, fmt.Errorf("measure: cross: %w", err)
	}
	out := &pb.CauseCross{Rows: q.dims[0], Columns: q.dims[1], CodeLevel: q.codeLevel, CountHarms: q.harms, Period: q.period.message(),
		Total: t.cube.Total, RowsUnknown: down.Unknown(), ColumnsUnknown: across.Unknown(),
		FalseDiscoveryRate: q.rate, Correction: string(t.result.Correction), MinSupport: int32(q.support), Level: q.level, Tried: int32(t.result.Tried)}
	if q.guarded {
		out.HeldBack = guard.Table(t.table, q.smallest)
		if err := t.judgeShown(); err != nil {
			return nil, err
		}
	}
	out.RowHeads, out.ColumnHeads, out.Counts = t.table.GetRows(), t.table.GetColumns(), t.table.GetCounts()
	if err := t.beside(out, missing); err != nil {
		return nil, err
	}
	if w := t.result.Whole; w.Defined && out.GetHeldBack() == 0 {
		out.Whole = &pb.WholeTableTest{ChiSquare: w.Statistic, DegreesOfFreedom: int32(w.DF), PValue: w.PValue, CramersV: w.CramersV, MinExpected: w.MinExpected}
	}
	return out, t.pairs(out)
}

// beside says what is in no cell, as far as it gives nothing away that is held
// back: of those known, those missing, and all, any two tell the third.
func (t *crossing) beside(out *pb.CauseCross, missing int64) (err error) {
	q, down, across := t.q, t.cube.Sides[0], t.cube.Sides[1]
	out.Known = t.table.GetTotal()
	veiled := q.small(missing) || out.Known == guard.HeldBack
	if veiled {
		out.Total = guard.HeldBack
	}
	if q.small(down.Unknown()) {
		out.RowsUnknown = guard.HeldBack
	}
	if q.small(across.Unknown()) {
		out.ColumnsUnknown = guard.HeldBack
	}
	if out.Missing, err = proportion(missing, t.cube.Total, q.level, veiled); err != nil {
		return err
	}
	if out.RowsUnreviewed, err = unreviewed(down, q.level, veiled || q.small(down.Unknown())); err != nil {
		return err
	}
	out.ColumnsUnreviewed, err = unreviewed(across, q.level, veiled || q.small(across.Unknown()))
	return err
}

// known takes out of the cube what has a value on both sides.
func (t *crossing) known(down, across cube.Side) {
	width := len(across.Heads)
	rowTotals, columnTotals := make([]int64, len(down.Heads)), make([]int64, width)
	for i := down.Known(); i < len(down.Heads); i++ {
		for j := across.Known(); j < width; j++ {
			n := t.cube.Counts[i*width+j]
			rowTotals[i] += n
			columnTotals[j] += n
		}
	}
	t.table = &pb.Table{}
	head := func(h *pb.TableHead, total int64) *pb.TableHead {
		return &pb.TableHead{Key: h.GetKey(), Title: h.GetTitle(), Facet: h.GetFacet(), Total: total}
	}
	for j, n := range columnTotals {
		if n > 0 {
			t.columns = append(t.columns, j)
			t.table.Columns = append(t.table.Columns, head(across.Heads[j], n))
		}
	}
	for i, n := range rowTotals {
		if n == 0 {
			continue
		}
		t.rows = append(t.rows, i)
		t.table.Rows = append(t.table.Rows, head(down.Heads[i], n))
		t.table.Total += n
		line := make([]int, len(t.columns))
		for k, j := range t.columns {
			line[k] = int(t.cube.Counts[i*width+j])
			t.table.Counts = append(t.table.Counts, int64(line[k]))
		}
		t.counts = append(t.counts, line)
	}
}

// hidden says whether a pair is held back: its count is, or a total that its
// expectation would give away.
func (t *crossing) hidden(i, j int) bool {
	return t.table.GetCounts()[i*len(t.columns)+j] == guard.HeldBack || t.table.GetTotal() == guard.HeldBack ||
		t.table.GetRows()[i].GetTotal() == guard.HeldBack || t.table.GetColumns()[j].GetTotal() == guard.HeldBack
}

// judgeShown corrects the p-values anew with those of cells held back set to 1:
// they were tried, but may neither stand nor, through the correction of the
// others, tell what they are. The others only lose by it.
func (t *crossing) judgeShown() error {
	var ps []float64
	var cells []*cause.CrossCell
	for i := range t.result.Cells {
		for j := range t.result.Cells[i] {
			c := &t.result.Cells[i][j]
			if !c.Tried {
				continue
			}
			if cells = append(cells, c); t.hidden(i, j) {
				ps = append(ps, 1)
			} else {
				ps = append(ps, c.PValue)
			}
		}
	}
	adjusted, err := cause.Adjust(ps, t.result.Correction)
	if err != nil {
		return fmt.Errorf("measure: cross: %w", err)
	}
	for k, c := range cells {
		c.Adjusted = adjusted[k]
		found := ps[k] < 1 && adjusted[k] <= t.q.rate
		c.Marked = found && c.Lift > 1 && c.Count >= t.q.support
		c.Scarce = found && c.Lift < 1
	}
	return nil
}

// place is where a pair stands in the table.
type place struct{ i, j int }

// pairs lists the pairs, those that stand first, then those that are apart, then
// the rest, each the surest first.
func (t *crossing) pairs(out *pb.CauseCross) error {
	var all []place
	for i, line := range t.result.Cells {
		for j, c := range line {
			if !c.Tried || t.hidden(i, j) {
				continue
			}
			all = append(all, place{i, j})
			if c.Marked {
				out.Standing++
			}
			if c.Scarce {
				out.Apart++
			}
		}
	}
	class := func(p place) int {
		switch c := t.at(p); {
		case c.Marked:
			return 0
		case c.Scarce:
			return 1
		}
		return 2
	}
	slices.SortFunc(all, func(a, b place) int {
		return cmp.Or(cmp.Compare(class(a), class(b)), cmp.Compare(t.at(a).PValue, t.at(b).PValue), cmp.Compare(t.at(b).Count, t.at(a).Count),
			cmp.Compare(a.i, b.i), cmp.Compare(a.j, b.j))
	})
	// Of the intervals of pairs that were picked for being remarkable no more
	// may miss than was asked for: each is that much stricter.
	strict := t.q.level
	if picked := out.GetStanding() + out.GetApart(); picked > 0 {
		strict = min(1-1e-12, 1-(1-t.q.level)*float64(picked)/float64(t.result.Tried))
	}
	for _, p := range all[:min(len(all), t.q.pairs)] {
		level := t.q.level
		if class(p) < 2 {
			level = strict
		}
		pair, err := t.pair(p, level)
		if err != nil {
			return err
		}
		out.Pairs = append(out.Pairs, pair)
	}
	return nil
}

func (t *crossing) at(p place) cause.CrossCell { return t.result.Cells[p.i][p.j] }

// pair measures one pair against all the rest.
func (t *crossing) pair(p place, level float64) (*pb.CausePair, error) {
	c, row, column := t.at(p), t.result.Rows[p.i], t.result.Cols[p.j]
	out := &pb.CausePair{Row: int32(p.i), Column: int32(p.j), Count: int64(c.Count), Expected: c.Expected, Lift: c.Lift,
		Reports: t.cube.Reports[t.cube.At(t.rows[p.i], t.columns[p.j])],
		PValue:  max(c.PValue, leastP), QValue: max(c.Adjusted, leastP), Stands: c.Marked, Apart: c.Scarce,
		Filter: t.q.leadTo(t.table.GetRows()[p.i].GetKey(), t.table.GetColumns()[p.j].GetKey())}
	a, err := cause.Associate(cause.Fourfold{Both: c.Count, ExposureOnly: row - c.Count, OutcomeOnly: column - c.Count,
		Neither: t.result.Known - row - column + c.Count}, level)
	if err != nil {
		return nil, fmt.Errorf("measure: cross: %w", err)
	}
	o := a.Odds()
	out.OddsMethod, out.OddsLevel = o.Method, o.Level
	if !o.Open {
		out.OddsRatio = ptr(o.Value)
	}
	if o.Bounded {
		out.OddsLower = ptr(o.Lo)
		if !o.HiOpen && !math.IsInf(o.Hi, 1) {
			out.OddsUpper = ptr(o.Hi)
		}
	}
	return out, nil
}

// sentence says in words what the table says.
func (t *crossing) sentence(out *pb.CauseCross) string {
	_, many := t.q.unit()
	rows, columns := dimensionNames[t.q.dims[0]], dimensionNames[t.q.dims[1]]
	switch {
	case t.cube.Total == 0:
		return fmt.Sprintf("No %s in this period.", many)
	case len(t.rows) == 0:
		return fmt.Sprintf("No %s with both %s and %s yet.", many, article(rows), article(columns))
	case t.result.Tried == 0:
		return "Nothing can be said: " + t.result.Whole.Reason + "."
	case out.GetStanding() == 0:
		s := fmt.Sprintf("No more than chance: none of %s tried goes together more often.", number(float64(out.GetTried()), "pair", "pairs"))
		if out.GetHeldBack() > 0 {
			s += " Pairs whose counts are held back could not stand."
		}
		return s
	}
	var found []string
	for _, p := range out.GetPairs() {
		if p.GetStands() {
			found = append(found, fmt.Sprintf("%s with %s (%s together, %s by chance)",
				named(out.GetRowHeads()[p.GetRow()]), named(out.GetColumnHeads()[p.GetColumn()]), whole(float64(p.GetCount())), few(p.GetExpected())))
		}
	}
	tried := number(float64(out.GetTried()), "pair", "pairs")
	if out.GetStanding() == 1 {
		return fmt.Sprintf("More than chance: 1 of %s tried goes together. It is %s.", tried, found[0])
	}
	return fmt.Sprintf("More than chance: %s of %s tried go together. The surest are %s.", whole(float64(out.GetStanding())), tried, some(found, 3))
}

// leastP is the smallest p-value given: below it the arithmetic has no figures
// left, and nobody can tell the difference.
const leastP = 1e-300
