package measure

import (
	"context"
	"fmt"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/harm"
)

// question is a request for rates or a chart, read and checked.
type question struct {
	convention convention
	rules      []rule
	// scope is the workplaces, each with all below it; empty is the whole tree.
	scope  []string
	period span
	level  float64
	// groups are those asked for; empty is all that work hours.
	groups []pb.EmploymentGroup
	// datasets are those asked for; empty is what was filed here.
	datasets []string
	// filter holds further conditions, without workplaces, dates and data sets.
	filter *pb.ReportFilter
	// asAt is the day on which days lost are counted: today.
	asAt harm.Day
	// thisMonth is the month that is not over yet.
	thisMonth month

	kind     pb.ChartKind
	baseline int

	// guarded says that what tells about few persons is held back.
	guarded bool
}

var unknownConvention = fault.Violation{Field: "convention", Description: "is not one of the known conventions; see the contract, or leave it out for AS 1885.1"}

const (
	maxMonths     = 600
	rateMonths    = 12
	chartMonths   = 36
	baselineFirst = 24
)

// readRates reads and checks a request for rates.
func (s *view) readRates(ctx context.Context, req *pb.ComputeRatesRequest) (*question, error) {
	q := &question{level: req.GetLevel(), groups: req.GetEmploymentGroups(), datasets: req.GetDatasets(), filter: &pb.ReportFilter{}}
	if q.level == 0 {
		q.level = 0.95
	}
	var wrong fault.Violations
	if !(q.level >= 0.5 && q.level <= 0.999) {
		wrong.Add("level", "must be from 0.5 to 0.999; leave it out for 0.95")
	}
	if s.readConvention(q, req.GetConvention(), &wrong) {
		q.readMeasures(req.GetMeasures(), func(i int) string { return fmt.Sprintf("measures[%d]", i) }, &wrong)
	}
	s.readCommon(q, req.GetPeriod(), rateMonths, &wrong)
	return q, s.readScope(ctx, q, req.GetWorkplace(), wrong)
}

// readChart reads and checks a request for a chart.
func (s *view) readChart(ctx context.Context, req *pb.ComputeChartRequest) (*question, error) {
	q := &question{level: 0.95, groups: req.GetEmploymentGroups(), datasets: req.GetFilter().GetDatasets(),
		kind: req.GetKind(), baseline: int(req.GetBaselineMonths())}
	var wrong fault.Violations
	if s.readConvention(q, req.GetConvention(), &wrong) {
		q.readMeasures([]string{req.GetMeasure()}, func(int) string { return "measure" }, &wrong)
	}
	if len(q.rules) == 1 {
		q.checkChart(req, &wrong)
	}
	if q.baseline < 0 || q.baseline > maxMonths {
		wrong.Add("baseline_months", "must be from 0 to 600")
	}
	f := req.GetFilter()
	for field, given := range map[string]bool{"workplaces": len(f.GetWorkplaces()) > 0, "start_date": f.GetStartDate() != "", "end_date": f.GetEndDate() != ""} {
		if given {
			wrong.Add("filter."+field, "must be empty: give workplace and period beside the filter")
		}
	}
	if f.GetIncludeVoided() {
		wrong.Add("filter.include_voided", "must be false: voided reports are in no chart")
	}
	for i, m := range f.GetCodes() {
		if _, ok := pb.Facet_name[int32(m.GetFacet())]; !ok || m.GetFacet() == 0 {
			wrong.Add(fmt.Sprintf("filter.codes[%d].facet", i), "is not one of the facets; see the contract")
		}
	}
	q.filter = &pb.ReportFilter{Kinds: f.GetKinds(), Outcomes: f.GetOutcomes(), Potentials: f.GetPotentials(),
		Codes: f.GetCodes(), EmploymentGroups: f.GetEmploymentGroups(), Cells: f.GetCells()}
	s.readCommon(q, req.GetPeriod(), chartMonths, &wrong)
	slices.SortFunc(wrong, func(a, b fault.Violation) int { return strings.Compare(a.Field, b.Field) })
	return q, s.readScope(ctx, q, req.GetWorkplace(), wrong)
}

func (s *view) readConvention(q *question, id pb.Convention, wrong *fault.Violations) bool {
	var ok bool
	if q.convention, ok = conventionOf(id); !ok {
		*wrong = append(*wrong, unknownConvention)
	}
	return ok
}

// readMeasures picks the rules that were asked for, in the order of the table.
func (q *question) readMeasures(ids []string, field func(i int) string, wrong *fault.Violations) {
	if len(ids) == 0 {
		q.rules = q.convention.rules
		return
	}
	for i, id := range ids {
		if _, ok := q.convention.rule(id); !ok {
			var known []string
			for _, r := range q.convention.rules {
				known = append(known, r.id)
			}
			wrong.Add(field(i), fmt.Sprintf("%s has no such measure; it has %s", q.convention.name, list(known)))
		}
	}
	for _, r := range q.convention.rules {
		if slices.Contains(ids, r.id) {
			q.rules = append(q.rules, r)
		}
	}
}

// checkChart says what a measure cannot be charted as.
func (q *question) checkChart(req *pb.ComputeChartRequest, wrong *fault.Violations) {
	r := q.rules[0]
	switch r.form {
	case perHours, perWorkers, plainCount:
	default:
		wrong.Add("measure", r.id+" is not a count of cases or reports, so it has no control chart; ask ComputeRates for it, or chart the cases")
	}
	switch q.kind {
	case pb.ChartKind_CHART_KIND_UNSPECIFIED, pb.ChartKind_CHART_KIND_C:
	case pb.ChartKind_CHART_KIND_U:
		if r.form == plainCount {
			wrong.Add("kind", r.id+" has no hours, and a u-chart needs them; ask for a c-chart or leave the kind out")
		}
	default:
		wrong.Add("kind", "ask for a c-chart or a u-chart, or leave it out and the data choose")
	}
	if r.pick.ofReports() {
		if len(r.pick.kinds) > 0 && len(req.GetFilter().GetKinds()) > 0 {
			wrong.Add("filter.kinds", r.id+" says already which kinds count; leave them out, or chart the measure `reports`")
		}
		if len(q.groups) > 0 {
			wrong.Add("employment_groups", "a report belongs to no employment group; leave them out, or chart cases")
		}
	}
	if r.form != plainCount && len(req.GetFilter().GetEmploymentGroups()) > 0 {
		wrong.Add("filter.employment_groups", "would count some groups over the hours of all; give employment_groups beside the filter")
	}
}

// readCommon reads what rates and charts share.
func (s *view) readCommon(q *question, p *pb.Period, months int, wrong *fault.Violations) {
	for i, g := range q.groups {
		if g < pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE || g > pb.EmploymentGroup_EMPLOYMENT_GROUP_VOLUNTEER {
			wrong.Add(fmt.Sprintf("employment_groups[%d]", i), "is not a group that works hours; give EMPLOYEE, LABOUR_HIRE, CONTRACTOR or VOLUNTEER")
		}
	}
	q.asAt = harm.DayOf(s.clock(), s.tree.Location(""))
	q.thisMonth = monthOf(q.asAt)
	if p == nil {
		q.period = span{q.thisMonth - month(months), q.thisMonth}
		return
	}
	start, okStart := parseMonth(p.GetStartMonth())
	end, okEnd := parseMonth(p.GetEndMonth())
	if !okStart {
		wrong.Add("period.start_month", "must be a month like 2026-03")
	}
	if !okEnd {
		wrong.Add("period.end_month", "must be a month like 2026-03")
	}
	if !okStart || !okEnd {
		return
	}
	q.period = span{start, end}
	switch {
	case start < 1950*12:
		wrong.Add("period.start_month", "must not be before 1950-01")
	case end <= start:
		wrong.Add("period.end_month", "must be after start_month: it is the month after the last one")
	case q.period.len() > maxMonths:
		wrong.Add("period", fmt.Sprintf("has %d months; at most %d can be asked for", q.period.len(), maxMonths))
	case end > q.thisMonth+1:
		wrong.Add("period.end_month", fmt.Sprintf("lies ahead: the last month that has begun is %s, so give %s at most", q.thisMonth, q.thisMonth+1))
	}
}

// readScope narrows the workplaces to those that the caller may see, and gives
// what is wrong with the request. Whether a workplace exists is told only to
// whoever may see it.
func (s *view) readScope(ctx context.Context, q *question, workplace string, wrong fault.Violations) error {
	var asked []string
	if workplace != "" {
		asked = []string{workplace}
	}
	var err error
	if q.scope, err = s.narrow(ctx, asked); err != nil {
		return err
	}
	q.guarded = s.guarded(ctx, q.scope)
	if err := wrong.Err(); err != nil {
		return err
	}
	if workplace != "" {
		if _, ok := s.tree.Get(workplace); !ok {
			return fault.NotFound(workplace)
		}
	}
	return nil
}

// readTable checks a request for a table and returns the workplaces that the
// caller may see of those asked for.
func (s *view) readTable(ctx context.Context, req *pb.TabulateRequest) ([]string, error) {
	workplaces, err := s.narrow(ctx, req.GetFilter().GetWorkplaces())
	if err != nil {
		return nil, err
	}
	var wrong fault.Violations
	known := func(d pb.Dimension) bool { _, ok := pb.Dimension_name[int32(d)]; return ok }
	if req.GetRows() == pb.Dimension_DIMENSION_UNSPECIFIED || !known(req.GetRows()) {
		wrong.Add("rows", "say what the rows are; see the contract for the dimensions")
	}
	if !known(req.GetColumns()) {
		wrong.Add("columns", "is not one of the dimensions; leave it out for one column of counts")
	}
	if req.GetRows() == req.GetColumns() && known(req.GetRows()) && req.GetRows() != 0 {
		wrong.Add("columns", "is the same as rows; leave it out, or choose another dimension")
	}
	if l := req.GetCodeLevel(); l < 0 || l > 4 {
		wrong.Add("code_level", "must be from 0 (as coded) to 4")
	}
	for i, w := range req.GetFilter().GetWorkplaces() {
		if _, ok := s.tree.Get(w); !ok {
			wrong.Add(fmt.Sprintf("filter.workplaces[%d]", i), "there is no "+w+"; check the name")
		}
	}
	return workplaces, wrong.Err()
}

// scopeWords says where, and for whom, in words.
func (s *Service) scopeWords(q *question) string {
	var text string
	switch names := s.titles(q.scope); len(names) {
	case 0:
		text = s.title(s.tree.Root()) + " and everything below it"
		if s.tree.Root() == "" {
			text = "no workplaces yet"
		}
	case 1:
		text = names[0] + " and everything below it"
	default:
		text = list(names) + ", with everything below them"
	}
	if len(q.groups) > 0 {
		var groups []string
		for _, g := range q.groups {
			groups = append(groups, groupWords(g))
		}
		text += "; " + list(groups)
	}
	if len(q.datasets) > 0 && !slices.Equal(q.datasets, []string{here}) {
		text += "; data sets: " + list(q.datasets)
	}
	if len(q.filter.GetKinds())+len(q.filter.GetOutcomes())+len(q.filter.GetPotentials())+len(q.filter.GetCodes())+len(q.filter.GetEmploymentGroups())+len(q.filter.GetCells()) > 0 {
		text += "; only what the filter picks"
	}
	return text
}

func (s *Service) titles(workplaces []string) []string {
	var out []string
	for _, w := range workplaces {
		out = append(out, s.title(w))
	}
	return out
}

func (s *Service) title(workplace string) string {
	if w, ok := s.tree.Get(workplace); ok {
		return w.GetTitle()
	}
	return workplace
}

// here is the data set of what was filed here.
const here = "here"

// inScope says whether a workplace is in the scope.
func (s *Service) inScope(q *question, workplace string) bool {
	return len(q.scope) == 0 || slices.ContainsFunc(q.scope, func(w string) bool { return s.tree.Within(workplace, w) })
}
