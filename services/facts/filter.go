package facts

import (
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// here is the key of reports that were filed and not imported.
const here = "here"

// predicate is a filter compiled against the columns as they are: texts became
// numbers, sets became tables. It is good for as long as the lock is held.
type predicate struct {
	c *columns

	state, want uint8
	first, end  int32
	workplaces  []bool // by number; nil: all
	datasets    []bool
	kinds       []bool
	potentials  []bool
	outcomes    uint8 // bits; 0: all
	groups      uint8
	codes       []codeCondition // one per facet that is asked for
}

// codeCondition is met by the codes marked in its table, and by having no code
// when none is set.
type codeCondition struct {
	facet int
	codes []bool
	none  bool
}

// compile turns a filter into a predicate. workplaces replaces that of the
// filter. What is wrong with the filter is an INVALID_ARGUMENT.
func (f *Facts) compile(q *pb.ReportFilter, workplaces []string) (*predicate, error) {
	c := f.columns
	p := &predicate{c: c, state: known | voided, want: known, first: firstDay, end: endDay}
	if q.GetIncludeVoided() {
		p.state = known
	}
	var wrong fault.Violations
	p.days(q, &wrong)
	if len(workplaces) > 0 {
		p.workplaces = make([]bool, c.workplaces.size())
		for _, w := range workplaces {
			for _, below := range append(f.tree.Below(w), w) {
				if n, ok := c.workplaces.find(below); ok {
					p.workplaces[n] = true
				}
			}
		}
	}
	if len(q.GetDatasets()) > 0 {
		p.datasets = make([]bool, c.datasets.size())
		for _, d := range q.GetDatasets() {
			if d == here {
				d = ""
			}
			if n, ok := c.datasets.find(d); ok {
				p.datasets[n] = true
			}
		}
	}
	p.kinds = marked(q.GetKinds(), kindCount)
	p.potentials = marked(q.GetPotentials(), potentialCount)
	p.outcomes = bits(q.GetOutcomes(), outcomeCount)
	p.groups = bits(q.GetEmploymentGroups(), groupCount)
	for i, m := range q.GetCodes() {
		if !facetKnown(m.GetFacet()) {
			wrong.Add(fmt.Sprintf("filter.codes[%d].facet", i), "is not a facet; give NATURE, BODILY_LOCATION, MECHANISM, BREAKDOWN_AGENCY or AGENCY")
			continue
		}
		p.code(f.codes, m)
	}
	return p, wrong.Err()
}

func (p *predicate) days(q *pb.ReportFilter, wrong *fault.Violations) {
	read := func(field, text string, to *int32) {
		if text == "" {
			return
		}
		day, ok := parseDay(text)
		if !ok {
			wrong.Add("filter."+field, text+" is not a day of the calendar; write YYYY-MM-DD")
			return
		}
		*to = day
	}
	read("start_date", q.GetStartDate(), &p.first)
	read("end_date", q.GetEndDate(), &p.end)
	if len(*wrong) == 0 && p.first >= p.end {
		wrong.Add("filter.end_date", "must be after start_date: it is the day after the last one counted")
	}
}

// code adds a code to the condition of its facet: codes of one facet are
// alternatives, conditions of different facets are all met.
func (p *predicate) code(tree CodeTree, m *pb.CodeMatch) {
	facet := facetIndex(m.GetFacet())
	at := -1
	for i := range p.codes {
		if p.codes[i].facet == facet {
			at = i
		}
	}
	if at < 0 {
		at = len(p.codes)
		p.codes = append(p.codes, codeCondition{facet: facet, codes: make([]bool, p.c.codeTexts[facet].size())})
	}
	if m.GetCode() == "" {
		p.codes[at].none = true
		return
	}
	for n, text := range p.c.codeTexts[facet].texts[1:] {
		if isBelow(tree, m.GetFacet(), text, m.GetCode()) {
			p.codes[at].codes[n+1] = true
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

// of says whether everything but the conditions on persons hurt is met.
func (p *predicate) of(r uint32) bool {
	c := p.c
	if c.flags[r]&p.state != p.want {
		return false
	}
	if d := c.day[r]; d < p.first || d >= p.end {
		return false
	}
	return (p.workplaces == nil || p.workplaces[c.workplace[r]]) &&
		(p.kinds == nil || p.kinds[c.kind[r]]) &&
		(p.potentials == nil || p.potentials[c.potential[r]]) &&
		(p.datasets == nil || p.datasets[c.dataset[r]])
}

// report says whether a report matches: conditions on persons hurt are met by
// any of them, and conditions on codes by any code of the report.
func (p *predicate) report(r uint32) bool {
	if !p.of(r) {
		return false
	}
	c := p.c
	if p.outcomes != 0 && p.outcomes&c.outcomes[r] == 0 || p.groups != 0 && p.groups&c.groups[r] == 0 {
		return false
	}
	for i := range p.codes {
		if !p.codes[i].anyOf(c, r) {
			return false
		}
	}
	return true
}

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

// harm says whether a person hurt matches: the report does, and the conditions
// on outcome, group and codes are met by this person.
func (p *predicate) harm(h uint32) bool {
	c := p.c
	r := c.hurt.report[h]
	if r == free || !p.of(r) {
		return false
	}
	if p.outcomes != 0 && p.outcomes&(1<<c.hurt.outcome[h]) == 0 || p.groups != 0 && p.groups&(1<<c.hurt.group[h]) == 0 {
		return false
	}
	for _, k := range p.codes {
		code := c.harmCode(k.facet, h)
		if !k.codes[code] && !(k.none && code == 0) {
			return false
		}
	}
	return true
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

// scan hands the rows that match to visit, a block at a time. It visits reports,
// or persons hurt.
func (p *predicate) scan(harms bool, visit func(rows []uint32)) {
	n, match := p.c.len(), p.report
	if harms {
		n, match = p.c.hurt.len(), p.harm
	}
	var block [blockRows]uint32
	for start := 0; start < n; start += blockRows {
		k := 0
		for r := uint32(start); r < uint32(min(start+blockRows, n)); r++ {
			if match(r) {
				block[k] = r
				k++
			}
		}
		if k > 0 {
			visit(block[:k])
		}
	}
}
