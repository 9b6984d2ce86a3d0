package facts

import (
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// cellSteps are the cells of a filter as steps: those of tables of reports, over
// rows of reports, and those of tables of persons hurt, over rows of persons.
type cellSteps struct{ ofReports, ofPersons []step }

// cellsOf compiles the cells of a filter. A cell counts by the very axes that
// tables are made of, so that what it finds is what they counted.
func (f *Facts) cellsOf(cells []*pb.CellMatch, wrong *fault.Violations) (out cellSteps) {
	for i, cell := range cells {
		if len(cell.GetSides()) == 0 {
			wrong.Add(fmt.Sprintf("filter.cells[%d].sides", i), "say where the cell stands: at least one dimension and its key")
		}
		for j, side := range cell.GetSides() {
			if _, ok := pb.Dimension_name[int32(side.GetDimension())]; !ok || side.GetDimension() == pb.Dimension_DIMENSION_UNSPECIFIED {
				wrong.Add(fmt.Sprintf("filter.cells[%d].sides[%d].dimension", i, j), "is not a dimension of a table; see the contract")
				continue
			}
			s := f.axisOf(side.GetDimension(), cell.GetCodeLevel(), cell.GetCountHarms()).only(side.GetKey())
			if cell.GetCountHarms() {
				out.ofPersons = append(out.ofPersons, s)
			} else {
				out.ofReports = append(out.ofReports, s)
			}
		}
	}
	return out
}

// only makes a step that keeps the rows of the category with a key; none when
// the axis has no such category. It must come after the steps that leave only
// what is known of.
func (a *axis) only(key string) step {
	in := make([]bool, len(a.categories))
	for raw, category := range a.categories {
		in[raw] = a.heads[category].key == key
	}
	var raws []uint32
	return func(rows []uint32) []uint32 {
		if len(raws) < len(rows) {
			raws = make([]uint32, len(rows))
		}
		a.read(rows, raws)
		k := 0
		for i, r := range rows {
			rows[k] = r
			if in[raws[i]-a.base] {
				k++
			}
		}
		return rows[:k]
	}
}

// ofTheirReports turns steps over reports into steps over the persons hurt in
// them.
func ofTheirReports(c *columns, steps []step) []step {
	var out []step
	for _, s := range steps {
		var reports []uint32
		out = append(out, func(rows []uint32) []uint32 {
			reports = reports[:0]
			for _, h := range rows {
				if r := c.hurt.report[h]; len(reports) == 0 || reports[len(reports)-1] != r {
					reports = append(reports, r)
				}
			}
			// Persons of one report are neighbours, so that its report is in the list
			// once, and what is kept of the list is in the same order.
			kept, at := s(reports), 0
			last, in := free, false
			return keep(rows, func(h uint32) bool {
				if r := c.hurt.report[h]; r != last {
					last, in = r, at < len(kept) && kept[at] == r
					if in {
						at++
					}
				}
				return in
			})
		})
	}
	return out
}

// somebody makes a step that keeps the reports in which one person hurt meets
// all the steps given.
func somebody(c *columns, steps []step) step {
	people := predicate{steps: steps}
	var hurt []uint32
	return func(rows []uint32) []uint32 {
		hurt = hurt[:0]
		for _, r := range rows {
			for h := c.first[r]; h < c.first[r]+uint32(c.people[r]); h++ {
				hurt = append(hurt, h)
			}
		}
		kept, at := people.keep(hurt), 0
		return keep(rows, func(r uint32) bool {
			// Both are in the order of rows.
			found := false
			for at < len(kept) && c.hurt.report[kept[at]] == r {
				at, found = at+1, true
			}
			return found
		})
	}
}
