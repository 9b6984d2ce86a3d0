package facts

import (
	"fmt"
	"math"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/harm"
)

// here is the key of reports that were filed and not imported.
const here = "here"

// predicate is a filter compiled against the columns as they are: texts became
// numbers, sets became tables, and each condition that was given became a step
// that goes through a block of rows and keeps those that meet it. It is good
// for as long as the lock is held.
type predicate struct {
	rows  int
	steps []step
}

// step keeps the rows that meet one condition, in place.
type step func(rows []uint32) []uint32

// conditions is a filter in numbers.
type conditions struct {
	voided                                  bool
	first, end                              int32 // days
	workplaces, datasets, kinds, potentials []bool
	outcomes, groups                        uint8 // bits; 0: all
	codes                                   []codeCondition
}

// codeCondition is met by the codes marked in its table, and by having no code
// when none is set. There is one per facet that is asked for.
type codeCondition struct {
	facet int
	codes []bool
	none  bool
}

// compile turns a filter into a predicate over reports, or over persons hurt.
// workplaces replaces that of the filter. What is wrong with the filter is an
// INVALID_ARGUMENT.
func (f *Facts) compile(q *pb.ReportFilter, workplaces []string, harms bool) (*predicate, error) {
	c := f.columns
	k := conditions{voided: q.GetIncludeVoided(), first: math.MinInt32, end: math.MaxInt32}
	var wrong fault.Violations
	k.days(q, &wrong)
	if len(workplaces) > 0 {
		k.workplaces = make([]bool, c.workplaces.size())
		for _, w := range workplaces {
			for _, below := range append(f.tree.Below(w), w) {
				if n, ok := c.workplaces.find(below); ok {
					k.workplaces[n] = true
				}
			}
		}
	}
	if len(q.GetDatasets()) > 0 {
		k.datasets = make([]bool, c.datasets.size())
		for _, d := range q.GetDatasets() {
			if d == here {
				d = ""
			}
			if n, ok := c.datasets.find(d); ok {
				k.datasets[n] = true
			}
		}
	}
	k.kinds = marked(q.GetKinds(), kindCount)
	k.potentials = marked(q.GetPotentials(), potentialCount)
	k.outcomes = bits(q.GetOutcomes(), outcomeCount)
	k.groups = bits(q.GetEmploymentGroups(), groupCount)
	for i, m := range q.GetCodes() {
		if !facetKnown(m.GetFacet()) {
			wrong.Add(fmt.Sprintf("filter.codes[%d].facet", i), "is not a facet; give NATURE, BODILY_LOCATION, MECHANISM, BREAKDOWN_AGENCY or AGENCY")
			continue
		}
		k.code(c, f.codes, m)
	}
	cells := f.cellsOf(q.GetCells(), &wrong)
	if err := wrong.Err(); err != nil {
		return nil, err
	}
	switch {
	case harms:
		steps := append(k.ofEvent(c, c.hurt.report), k.ofPerson(c)...)
		return &predicate{rows: c.hurt.len(), steps: append(append(steps, ofTheirReports(c, cells.ofReports)...), cells.ofPersons...)}, nil
	case len(cells.ofPersons) > 0:
		steps := append(k.ofEvent(c, nil), cells.ofReports...)
		return &predicate{rows: c.len(), steps: append(steps, somebody(c, append(k.ofPerson(c), cells.ofPersons...)))}, nil
	}
	return &predicate{rows: c.len(), steps: append(k.ofReports(c), cells.ofReports...)}, nil
}

func (k *conditions) days(q *pb.ReportFilter, wrong *fault.Violations) {
	read := func(field, text string, to *int32) {
		if text == "" {
			return
		}
		day, err := harm.ParseDay(text)
		if err != nil {
			wrong.Add("filter."+field, text+" is not a day of the calendar; write YYYY-MM-DD")
			return
		}
		*to = int32(day)
	}
	read("start_date", q.GetStartDate(), &k.first)
	read("end_date", q.GetEndDate(), &k.end)
	if len(*wrong) == 0 && k.first >= k.end {
		wrong.Add("filter.end_date", "must be after start_date: it is the day after the last one counted")
	}
}

// code adds a code to the condition of its facet: codes of one facet are
// alternatives, conditions of different facets are all met.
func (k *conditions) code(c *columns, tree CodeTree, m *pb.CodeMatch) {
	facet := facetIndex(m.GetFacet())
	at := -1
	for i := range k.codes {
		if k.codes[i].facet == facet {
			at = i
		}
	}
	if at < 0 {
		at = len(k.codes)
		k.codes = append(k.codes, codeCondition{facet: facet, codes: make([]bool, c.codeTexts[facet].size())})
	}
	if m.GetCode() == "" {
		k.codes[at].none = true
		return
	}
	for n, text := range c.codeTexts[facet].texts[1:] {
		if isBelow(tree, m.GetFacet(), text, m.GetCode()) {
			k.codes[at].codes[n+1] = true
		}
	}
}

// deepest is the number of levels of the deepest list.
const deepest = 4

func isBelow(tree CodeTree, facet pb.Facet, code, above string) bool {
	if code == above {
		return true
	}
	for level := int32(1); level <= deepest; level++ {
		if at, _ := tree.AtLevel(facet, code, level); at == above {
			return true
		}
	}
	return false
}

// ofEvent makes the steps that ask about the report alone. index leads from a
// row to its report; nil when rows are reports.
func (k *conditions) ofEvent(c *columns, index []uint32) []step {
	want, mask := known, known|voided
	if k.voided {
		mask = known
	}
	var steps []step
	if index != nil {
		steps = append(steps, when(index, nil, func(r uint32) bool { return r != free }))
	}
	steps = append(steps, when(c.flags, index, func(f uint8) bool { return f&mask == want }))
	if k.first != math.MinInt32 || k.end != math.MaxInt32 {
		steps = append(steps, when(c.day, index, func(d int32) bool { return d >= k.first && d < k.end }))
	}
	if k.workplaces != nil {
		steps = append(steps, when(c.workplace, index, func(w uint32) bool { return k.workplaces[w] }))
	}
	if k.kinds != nil {
		steps = append(steps, when(c.kind, index, func(n uint8) bool { return k.kinds[n] }))
	}
	if k.potentials != nil {
		steps = append(steps, when(c.potential, index, func(n uint8) bool { return k.potentials[n] }))
	}
	if k.datasets != nil {
		steps = append(steps, when(c.dataset, index, func(n uint32) bool { return k.datasets[n] }))
	}
	return steps
}

// ofReports makes the steps for reports: conditions on persons hurt are met by
// any of them, and conditions on codes by any code of the report.
func (k *conditions) ofReports(c *columns) []step {
	steps := k.ofEvent(c, nil)
	if k.outcomes != 0 {
		steps = append(steps, when(c.outcomes, nil, func(b uint8) bool { return b&k.outcomes != 0 }))
	}
	if k.groups != 0 {
		steps = append(steps, when(c.groups, nil, func(b uint8) bool { return b&k.groups != 0 }))
	}
	for _, code := range k.codes {
		steps = append(steps, func(rows []uint32) []uint32 {
			return keep(rows, func(r uint32) bool { return code.anyOf(c, r) })
		})
	}
	return steps
}

// ofPerson makes the steps that ask about the person hurt: outcome, group and
// codes.
func (k *conditions) ofPerson(c *columns) []step {
	var steps []step
	if k.outcomes != 0 {
		steps = append(steps, when(c.hurt.outcome, nil, func(o uint8) bool { return k.outcomes&(1<<o) != 0 }))
	}
	if k.groups != 0 {
		steps = append(steps, when(c.hurt.group, nil, func(g uint8) bool { return k.groups&(1<<g) != 0 }))
	}
	for _, code := range k.codes {
		steps = append(steps, func(rows []uint32) []uint32 {
			return keep(rows, func(h uint32) bool { return code.met(c.harmCode(code.facet, h)) })
		})
	}
	return steps
}

func (k *codeCondition) met(code uint16) bool { return k.codes[code] || k.none && code == 0 }

func (k *codeCondition) anyOf(c *columns, r uint32) bool {
	code := c.reportCode(k.facet, r)
	some := code != 0
	if k.codes[code] {
		return true
	}
	for h := c.first[r]; h < c.first[r]+uint32(c.people[r]); h++ {
		code := c.harmCode(k.facet, h)
		some = some || code != 0
		if k.codes[code] {
			return true
		}
	}
	return k.none && !some
}

// when makes a step that asks about one column.
func when[T any](column []T, index []uint32, ok func(T) bool) step {
	if index == nil {
		return func(rows []uint32) []uint32 {
			k := 0
			for _, r := range rows {
				rows[k] = r
				if ok(column[r]) {
					k++
				}
			}
			return rows[:k]
		}
	}
	return func(rows []uint32) []uint32 {
		k := 0
		for _, r := range rows {
			rows[k] = r
			if ok(column[index[r]]) {
				k++
			}
		}
		return rows[:k]
	}
}

func keep(rows []uint32, ok func(uint32) bool) []uint32 {
	k := 0
	for _, r := range rows {
		if ok(r) {
			rows[k] = r
			k++
		}
	}
	return rows[:k]
}

func marked[E ~int32](values []E, count int) []bool {
	if len(values) == 0 {
		return nil
	}
	out := make([]bool, count)
	for _, v := range values {
		if n := small(v, count); n != 0 {
			out[n] = true
		}
	}
	return out
}

func bits[E ~int32](values []E, count int) (out uint8) {
	for _, v := range values {
		if n := small(v, count); n != 0 {
			out |= 1 << n
		}
	}
	return out
}

// blockRows is how many rows are worked on at a time: few enough to stay in the
// nearest cache, many enough that a block costs next to nothing.
const blockRows = 2048

// scan hands the rows that match to visit, a block at a time and in order.
func (p *predicate) scan(visit func(rows []uint32)) {
	var block [blockRows]uint32
	for start := 0; start < p.rows; start += blockRows {
		rows := block[:min(blockRows, p.rows-start)]
		for i := range rows {
			rows[i] = uint32(start + i)
		}
		if rows = p.keep(rows); len(rows) > 0 {
			visit(rows)
		}
	}
}

// keep leaves only the rows that match.
func (p *predicate) keep(rows []uint32) []uint32 {
	for _, s := range p.steps {
		rows = s(rows)
	}
	return rows
}

// match says whether one row matches.
func (p *predicate) match(r uint32) bool {
	row := [1]uint32{r}
	return len(p.keep(row[:])) == 1
}
