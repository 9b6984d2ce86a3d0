package guard

import (
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

// HeldBack stands in place of a count that is not shown.
const HeldBack = -1

// Smallest is the least count that is shown to whoever has no need of smaller
// ones, unless the house says otherwise (common practice, no published source;
// offices use 3 to 10).
const Smallest = 5

// Floor is the least that a house may set, and the least count in whatever is
// made to be handed over: below it a count of two tells each of the two about
// the other.
const Floor = 3

// open are the roles that read the reports themselves, health facts and all.
var open = []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_AUDITOR, pb.Role_ROLE_SUPERVISOR}

// Applies reports whether small counts of the workplaces (each with all below
// it; empty is the whole tree) are held back from who: from everybody who could
// not read all the reports behind them. Whoever supervises one place and sits
// on the committee for all of them counts, beyond that place, as the committee.
func Applies(who access.Principal, t access.Tree, workplaces []string) bool {
	reads := who.As(open)
	if !slices.ContainsFunc(open, reads.Has) {
		return true
	}
	if len(reads.Workplaces) == 0 {
		return false
	}
	if len(workplaces) == 0 {
		return true
	}
	return slices.ContainsFunc(workplaces, func(w string) bool { return !access.Sees(reads, t, w) })
}

// Health reports whether a dimension says what is wrong with somebody's body:
// sensitivity 2. Such counts are told to those they are held back from by whole
// years only, see [Lattice].
func Health(d pb.Dimension) bool {
	return d == pb.Dimension_DIMENSION_NATURE || d == pb.Dimension_DIMENSION_BODILY_LOCATION
}

// nobodyHurt are the kinds of reports in which nobody was hurt, by what they are.
var nobodyHurt = []pb.ReportKind{pb.ReportKind_REPORT_KIND_HAZARD, pb.ReportKind_REPORT_KIND_NEAR_MISS}

// NobodyHurt are the kinds of reports whose codes are told by any period.
func NobodyHurt() []pb.ReportKind { return slices.Clone(nobodyHurt) }

// Personal reports whether a question is about facts of persons who were hurt:
// it counts by such facts, or picks by them, and may find people. kinds are
// those that the question is confined to, besides those of the filter; empty is
// all. Whoever does not read the reports is answered by whole settled years
// only, see [Lattice]: of any shorter or later stretch, what two answers leave
// between them would tell about single persons.
//
// What set off a hazard or a near miss is about nobody: of those, and of the
// kind, place and day of everything, any period is told.
func Personal(f *pb.ReportFilter, kinds []pb.ReportKind, harms bool, dims ...pb.Dimension) bool {
	if !AsksPersons(f) && !slices.ContainsFunc(dims, Tells) {
		return false
	}
	if harms || len(f.GetOutcomes())+len(f.GetEmploymentGroups()) > 0 || slices.ContainsFunc(f.GetCells(), (*pb.CellMatch).GetCountHarms) ||
		slices.ContainsFunc(dims, ofPersons) || anySide(f, ofPersons) {
		return true
	}
	for _, c := range f.GetCodes() {
		if c.GetFacet() == pb.Facet_FACET_NATURE || c.GetFacet() == pb.Facet_FACET_BODILY_LOCATION {
			return true
		}
	}
	only := func(ks []pb.ReportKind) bool {
		return len(ks) > 0 && !slices.ContainsFunc(ks, func(k pb.ReportKind) bool { return !slices.Contains(nobodyHurt, k) })
	}
	return !only(f.GetKinds()) && !only(kinds)
}

// ofPersons reports whether a dimension can have no value where nobody was hurt.
func ofPersons(d pb.Dimension) bool {
	return Health(d) || d == pb.Dimension_DIMENSION_OUTCOME || d == pb.Dimension_DIMENSION_EMPLOYMENT_GROUP
}

// Tells reports whether counts by a dimension are about persons or about codes,
// so that small ones are held back. Kind, workplace, month, year, data set and
// worst credible outcome are not: they are facts of an event that whoever works
// there knows, charts by month could not do without them, and the figures of
// AS 1885.1 by workplace are made of them.
func Tells(d pb.Dimension) bool {
	switch d {
	case pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_BREAKDOWN_AGENCY, pb.Dimension_DIMENSION_AGENCY,
		pb.Dimension_DIMENSION_OUTCOME, pb.Dimension_DIMENSION_EMPLOYMENT_GROUP:
		return true
	}
	return Health(d)
}

// AsksPersons reports whether a filter picks by facts of which small counts are
// held back.
func AsksPersons(f *pb.ReportFilter) bool {
	return len(f.GetCodes())+len(f.GetOutcomes())+len(f.GetEmploymentGroups()) > 0 || anySide(f, Tells) ||
		slices.ContainsFunc(f.GetCells(), (*pb.CellMatch).GetCountHarms)
}

func anySide(f *pb.ReportFilter, is func(pb.Dimension) bool) bool {
	for _, c := range f.GetCells() {
		for _, s := range c.GetSides() {
			if is(s.GetDimension()) {
				return true
			}
		}
	}
	return false
}

// List says which counts of a list with its sum must not be shown: those from 1
// to smallest-1, and further ones, the smallest first, until at least two are
// hidden that come to smallest together. total is false when there are not
// enough of them: then the sum would give them away and must be held back too.
func List(counts []int64, smallest int64) (hidden []bool, total bool) {
	hidden = make([]bool, len(counts))
	var n, sum int64
	for i, c := range counts {
		if c > 0 && c < smallest {
			hidden[i] = true
			n, sum = n+1, sum+c
		}
	}
	for n == 1 || n > 1 && sum < smallest {
		next := -1
		for i, c := range counts {
			if c > 0 && !hidden[i] && (next < 0 || c < counts[next]) {
				next = i
			}
		}
		if next < 0 {
			return hidden, false
		}
		hidden[next] = true
		n, sum = n+1, sum+counts[next]
	}
	return hidden, true
}

// Table holds back, in place, the counts of a table from 1 to smallest-1, be
// they cells or totals, and further ones until none of them can be worked out
// from what is shown: neither from one row or column, nor from several together.
// It returns how many cells it held back. With smallest at most 1 nothing is
// held back.
func Table(t *pb.Table, smallest int64) int32 {
	if smallest <= 1 || len(t.GetRows()) == 0 || len(t.GetColumns()) == 0 {
		return 0
	}
	g := newGrid(t, smallest)
	if len(t.GetColumns()) == 1 {
		g.list()
	} else {
		g.suppress()
	}
	return g.write(t)
}

// write marks in the table what is hidden.
func (g *grid) write(t *pb.Table) (held int32) {
	mark := func(r, c int, to *int64) {
		if g.hidden[r*g.cols+c] {
			*to = HeldBack
		}
	}
	for r := range t.Rows {
		for c := range t.Columns {
			at := &t.Counts[r*len(t.Columns)+c]
			mark(r, c, at)
			if *at == HeldBack {
				held++
			}
		}
		mark(r, g.cols-1, &t.Rows[r].Total)
		if t.Rows[r].GetKey() == "" && t.Rows[r].GetTotal() == HeldBack {
			t.RowsUnknown = HeldBack
		}
	}
	for c := range t.Columns {
		mark(g.rows-1, c, &t.Columns[c].Total)
		if t.Columns[c].GetKey() == "" && t.Columns[c].GetTotal() == HeldBack {
			t.ColumnsUnknown = HeldBack
		}
	}
	mark(g.rows-1, g.cols-1, &t.Total)
	return held
}
