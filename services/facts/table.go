package facts

import (
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// maxCells bounds the counts of one table: what nobody can read is refused with
// a way to narrow it, before it fills the memory of the server or the reader.
const maxCells = 250_000

// Tabulate counts the reports that match, or the persons hurt in them, by one or
// two dimensions. level is the level of codes: 1 groups, deeper finer, 0 as
// coded. workplaces, each with all below it, replaces that of the filter; empty
// is the whole tree. Rows and columns that nothing was counted in are left out,
// except between the first and the last month or year.
func (f *Facts) Tabulate(q *pb.ReportFilter, workplaces []string, rows, columns pb.Dimension, level int32, harms bool) (*pb.Table, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	p, err := f.compile(q, workplaces, harms)
	if err != nil {
		return nil, err
	}
	across, down := f.axisOf(columns, level, harms), f.axisOf(rows, level, harms)
	rowTotals, columnTotals := make([]int64, len(down.heads)), make([]int64, len(across.heads))
	var total int64
	if n := len(down.heads) * len(across.heads); n <= maxCells {
		// Few enough cells to count at once and leave out the empty ones after.
		cells := count(p, down, across, len(across.heads))
		for i, v := range cells {
			rowTotals[i/len(across.heads)] += v
			columnTotals[i%len(across.heads)] += v
			total += v
		}
		t := f.table(down, across, rowTotals, columnTotals)
		t.fill(func(r, c uint32) int64 { return cells[int(r)*len(across.heads)+int(c)] })
		return t.finish(f, total, level, harms), nil
	}
	// Otherwise first see which categories occur.
	for _, a := range []*axis{down, across} {
		totals := rowTotals
		if a == across {
			totals = columnTotals
		}
		var buf [blockRows]uint32
		p.scan(func(rows []uint32) {
			a.fill(rows, buf[:])
			for _, n := range buf[:len(rows)] {
				totals[n]++
			}
		})
	}
	for _, v := range rowTotals {
		total += v
	}
	t := f.table(down, across, rowTotals, columnTotals)
	if n := len(t.rows) * len(t.columns); n > maxCells {
		return nil, fault.Invalid(fault.Violation{Field: "columns", Description: fmt.Sprintf(
			"%s by %s makes %d × %d cells, more than %d: narrow the filter, or use coarser codes or years",
			dimensionWord(rows), dimensionWord(columns), len(t.rows), len(t.columns), maxCells)})
	}
	squeeze(down, t.rows)
	squeeze(across, t.columns)
	cells := count(p, down, across, len(t.columns))
	copy(t.out.Counts, cells)
	return t.finish(f, total, level, harms), nil
}

// count counts into cells, row by row of width.
func count(p *predicate, down, across *axis, width int) []int64 {
	height := 0
	for _, n := range down.categories {
		height = max(height, int(n)+1)
	}
	cells := make([]int64, max(height, len(down.heads))*width)
	var r, c [blockRows]uint32
	p.scan(func(rows []uint32) {
		down.fill(rows, r[:])
		across.fill(rows, c[:])
		for i := range rows {
			cells[int(r[i])*width+int(c[i])]++
		}
	})
	return cells
}

// squeeze numbers the categories of an axis by their place among those shown.
func squeeze(a *axis, shown []uint32) {
	place := make([]uint32, len(a.heads))
	for i, n := range shown {
		place[n] = uint32(i)
	}
	for i, n := range a.categories {
		a.categories[i] = place[n]
	}
	a.heads = a.heads[:0]
}

// table is a table in the making.
type table struct {
	rows, columns []uint32
	down, across  *axis
	out           *pb.Table
}

func (f *Facts) table(down, across *axis, rowTotals, columnTotals []int64) *table {
	t := &table{rows: down.shown(rowTotals), columns: across.shown(columnTotals), down: down, across: across, out: &pb.Table{}}
	for _, n := range t.rows {
		t.out.Rows = append(t.out.Rows, down.tableHead(n, rowTotals[n]))
	}
	for _, n := range t.columns {
		t.out.Columns = append(t.out.Columns, across.tableHead(n, columnTotals[n]))
	}
	if down.heads[0].key == "" {
		t.out.RowsUnknown = rowTotals[0]
	}
	if across.heads[0].key == "" {
		t.out.ColumnsUnknown = columnTotals[0]
	}
	if n := len(t.rows) * len(t.columns); n <= maxCells {
		t.out.Counts = make([]int64, n)
	}
	return t
}

func (t *table) fill(cell func(row, column uint32) int64) {
	for i, r := range t.rows {
		for j, c := range t.columns {
			t.out.Counts[i*len(t.columns)+j] = cell(r, c)
		}
	}
}

func (t *table) finish(f *Facts, total int64, level int32, harms bool) *pb.Table {
	t.out.Total = total
	t.out.SequenceNumber = f.columns.seq
	t.out.Method = method(t.down, t.across, level, harms)
	return t.out
}

// method says in words what a table counts and how.
func method(down, across *axis, level int32, harms bool) string {
	coded := down.facet != 0 || across.facet != 0
	s := "Reports, each counted once, by the day of the event in the workplace's time zone (the day of receipt where the event's is not known)."
	if harms {
		s = "Persons hurt, each counted once, by the day of the event in the workplace's time zone (the day of receipt where the event's is not known)."
	}
	hurt := func(d pb.Dimension) bool {
		return d == pb.Dimension_DIMENSION_OUTCOME || d == pb.Dimension_DIMENSION_EMPLOYMENT_GROUP
	}
	if !harms && (hurt(down.dimension) || hurt(across.dimension)) {
		s += " Outcome and employment group are those of the person worst hurt."
	}
	if coded && harms {
		s += " Codes are those of the person, else of the report; nature and bodily location are taken from the report only where one person was hurt."
	}
	if coded && !harms {
		s += " Codes are those of the person worst hurt, else of the report."
	}
	if coded && level > 0 {
		s += fmt.Sprintf(" Codes are gathered at level %d of their list.", level)
	}
	if down.dimension == pb.Dimension_DIMENSION_WORKPLACE || across.dimension == pb.Dimension_DIMENSION_WORKPLACE {
		s += " A workplace is counted without those below it."
	}
	return s + " Voided reports are left out unless asked for; what has no value stands under a head of its own."
}

// Count counts the named reports by each of the dimensions, in one pass: for each
// all of them in order of the dimension, with what has no value first. Whoever
// names a report has chosen it, so a voided one counts like any other; names
// that are not here are left out.
func (f *Facts) Count(names []string, dimensions ...pb.Dimension) [][]*pb.TableHead {
	f.mu.RLock()
	defer f.mu.RUnlock()
	axes, totals := make([]*axis, len(dimensions)), make([][]int64, len(dimensions))
	for i, d := range dimensions {
		axes[i] = f.axisOf(d, 0, false)
		totals[i] = make([]int64, len(axes[i].heads))
	}
	var rows, categories [blockRows]uint32
	n := 0
	flush := func() {
		for i, a := range axes {
			a.fill(rows[:n], categories[:])
			for _, k := range categories[:n] {
				totals[i][k]++
			}
		}
		n = 0
	}
	for _, name := range names {
		if r, ok := f.columns.find(name); ok && f.columns.flags[r]&known != 0 {
			rows[n] = r
			if n++; n == blockRows {
				flush()
			}
		}
	}
	flush()
	out := make([][]*pb.TableHead, len(dimensions))
	for i, a := range axes {
		for _, k := range a.shown(totals[i]) {
			out[i] = append(out[i], a.tableHead(k, totals[i][k]))
		}
	}
	return out
}
