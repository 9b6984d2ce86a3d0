package facts_test

import (
	"context"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/record"
)

// naive answers the same questions as Facts by going through every resource of
// the ledger each time. It shares no code with the package.
type naive struct {
	w       *world
	reports []*pb.Report
	codings map[string]map[string]*pb.Coding // by report, by harm
	hours   []*pb.Hours
}

func (w *world) naive(t tb) *naive {
	t.Helper()
	n := &naive{w: w, codings: map[string]map[string]*pb.Coding{}}
	all, err := w.ledger.List(context.Background(), "", "", "", 10_000)
	require.NoError(t, err)
	for _, r := range all {
		switch r.Kind {
		case record.KindReport:
			m := &pb.Report{}
			require.NoError(t, record.Read(r.Body, r.Revision, m))
			n.reports = append(n.reports, m)
		case record.KindCoding:
			m := &pb.Coding{}
			require.NoError(t, record.Read(r.Body, r.Revision, m))
			of, _ := record.ReportOf(r.Name)
			if n.codings[of] == nil {
				n.codings[of] = map[string]*pb.Coding{}
			}
			n.codings[of][m.GetHarmId()] = m
		case record.KindHours:
			m := &pb.Hours{}
			require.NoError(t, record.Read(r.Body, r.Revision, m))
			n.hours = append(n.hours, m)
		}
	}
	return n
}

// instant is what a report is dated by.
func instant(r *pb.Report) time.Time {
	if r.GetOccurTime() != nil {
		return r.GetOccurTime().AsTime()
	}
	return r.GetReceiveTime().AsTime()
}

func (n *naive) date(r *pb.Report) string {
	loc := n.w.tree.Location(r.GetWorkplace())
	if r.GetOccurTime() == nil && r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		loc = time.UTC
	}
	return instant(r).In(loc).Format(time.DateOnly)
}

func facetCode(c *pb.Coding, f pb.Facet) string {
	switch f {
	case pb.Facet_FACET_NATURE:
		return c.GetNature()
	case pb.Facet_FACET_BODILY_LOCATION:
		return c.GetBodilyLocation()
	case pb.Facet_FACET_MECHANISM:
		return c.GetMechanism()
	case pb.Facet_FACET_BREAKDOWN_AGENCY:
		return c.GetBreakdownAgency()
	}
	return c.GetAgency()
}

func worstOf(r *pb.Report) *pb.Harm {
	var worst *pb.Harm
	for _, h := range r.GetHarms() {
		if worst == nil || h.GetOutcome() > worst.GetOutcome() {
			worst = h
		}
	}
	return worst
}

func (n *naive) reportCode(r *pb.Report, f pb.Facet) string {
	if h := worstOf(r); h != nil {
		if code := facetCode(n.codings[r.GetName()][h.GetHarmId()], f); code != "" {
			return code
		}
	}
	return facetCode(n.codings[r.GetName()][""], f)
}

func (n *naive) harmCode(r *pb.Report, h *pb.Harm, f pb.Facet) string {
	if code := facetCode(n.codings[r.GetName()][h.GetHarmId()], f); code != "" {
		return code
	}
	body := f == pb.Facet_FACET_NATURE || f == pb.Facet_FACET_BODILY_LOCATION
	if body && len(r.GetHarms()) > 1 {
		return ""
	}
	return facetCode(n.codings[r.GetName()][""], f)
}

// matches answers for a report, or for one person hurt in it.
func (n *naive) matches(r *pb.Report, h *pb.Harm, q *pb.ReportFilter, workplaces []string) bool {
	for _, cell := range q.GetCells() {
		if cell.GetCountHarms() && h == nil {
			return slices.ContainsFunc(r.GetHarms(), func(h *pb.Harm) bool { return n.matches(r, h, q, workplaces) })
		}
	}
	for _, cell := range q.GetCells() {
		counted := h
		if !cell.GetCountHarms() {
			counted = nil
		}
		for _, s := range cell.GetSides() {
			if n.key(r, counted, s.GetDimension(), int(cell.GetCodeLevel())) != s.GetKey() {
				return false
			}
		}
	}
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED && !q.GetIncludeVoided() {
		return false
	}
	d := n.date(r)
	if q.GetStartDate() != "" && d < q.GetStartDate() || q.GetEndDate() != "" && d >= q.GetEndDate() {
		return false
	}
	if len(workplaces) > 0 && !slices.ContainsFunc(workplaces, func(w string) bool { return n.w.tree.Within(r.GetWorkplace(), w) }) {
		return false
	}
	dataset := r.GetOrigin().GetDataset()
	if dataset == "" {
		dataset = "here"
	}
	if len(q.GetDatasets()) > 0 && !slices.Contains(q.GetDatasets(), dataset) ||
		len(q.GetKinds()) > 0 && !slices.Contains(q.GetKinds(), r.GetKind()) ||
		len(q.GetPotentials()) > 0 && !slices.Contains(q.GetPotentials(), r.GetPotential()) {
		return false
	}
	who := r.GetHarms()
	if h != nil {
		who = []*pb.Harm{h}
	}
	if len(q.GetOutcomes()) > 0 && !slices.ContainsFunc(who, func(h *pb.Harm) bool { return slices.Contains(q.GetOutcomes(), h.GetOutcome()) }) {
		return false
	}
	if len(q.GetEmploymentGroups()) > 0 && !slices.ContainsFunc(who, func(h *pb.Harm) bool {
		return slices.Contains(q.GetEmploymentGroups(), h.GetEmploymentGroup())
	}) {
		return false
	}
	byFacet := map[pb.Facet][]string{}
	for _, c := range q.GetCodes() {
		byFacet[c.GetFacet()] = append(byFacet[c.GetFacet()], c.GetCode())
	}
	for f, wanted := range byFacet {
		var have []string
		if h == nil {
			have = append(have, n.reportCode(r, f))
		}
		for _, h := range who {
			have = append(have, n.harmCode(r, h, f))
		}
		have = slices.DeleteFunc(have, func(c string) bool { return c == "" })
		if !slices.ContainsFunc(wanted, func(w string) bool {
			if w == "" {
				return len(have) == 0
			}
			return slices.ContainsFunc(have, func(c string) bool { return strings.HasPrefix(c, w) })
		}) {
			return false
		}
	}
	return true
}

// newest returns the names that match, newest first.
func (n *naive) newest(q *pb.ReportFilter, workplaces []string) []string {
	var found []*pb.Report
	for _, r := range n.reports {
		if n.matches(r, nil, q, workplaces) {
			found = append(found, r)
		}
	}
	sort.Slice(found, func(i, j int) bool {
		a, b := instant(found[i]), instant(found[j])
		if !a.Equal(b) {
			return a.After(b)
		}
		return found[i].GetName() > found[j].GetName()
	})
	var names []string
	for _, r := range found {
		names = append(names, r.GetName())
	}
	return names
}

// key returns the category of a report, or of a person hurt in it.
func (n *naive) key(r *pb.Report, h *pb.Harm, d pb.Dimension, level int) string {
	code := func(f pb.Facet) string {
		c := n.reportCode(r, f)
		if h != nil {
			c = n.harmCode(r, h, f)
		}
		if level > 0 {
			c = c[:min(len(c), level)]
		}
		return c
	}
	person := h
	if person == nil {
		person = worstOf(r)
	}
	named := func(number int32, text string) string {
		if number == 0 {
			return ""
		}
		return text
	}
	switch d {
	case pb.Dimension_DIMENSION_KIND:
		return named(int32(r.GetKind()), r.GetKind().String())
	case pb.Dimension_DIMENSION_WORKPLACE:
		return r.GetWorkplace()
	case pb.Dimension_DIMENSION_MONTH:
		return n.date(r)[:7]
	case pb.Dimension_DIMENSION_YEAR:
		return n.date(r)[:4]
	case pb.Dimension_DIMENSION_MECHANISM:
		return code(pb.Facet_FACET_MECHANISM)
	case pb.Dimension_DIMENSION_BREAKDOWN_AGENCY:
		return code(pb.Facet_FACET_BREAKDOWN_AGENCY)
	case pb.Dimension_DIMENSION_AGENCY:
		return code(pb.Facet_FACET_AGENCY)
	case pb.Dimension_DIMENSION_NATURE:
		return code(pb.Facet_FACET_NATURE)
	case pb.Dimension_DIMENSION_BODILY_LOCATION:
		return code(pb.Facet_FACET_BODILY_LOCATION)
	case pb.Dimension_DIMENSION_OUTCOME:
		return named(int32(person.GetOutcome()), person.GetOutcome().String())
	case pb.Dimension_DIMENSION_EMPLOYMENT_GROUP:
		return named(int32(person.GetEmploymentGroup()), person.GetEmploymentGroup().String())
	case pb.Dimension_DIMENSION_POTENTIAL:
		return named(int32(r.GetPotential()), r.GetPotential().String())
	case pb.Dimension_DIMENSION_DATASET:
		if d := r.GetOrigin().GetDataset(); d != "" {
			return d
		}
		return "here"
	}
	return "count"
}

// counts is a table as a map from row and column keys.
type counts map[[2]string]int64

func (n *naive) tabulate(q *pb.ReportFilter, workplaces []string, rows, columns pb.Dimension, level int, harms bool) counts {
	out := counts{}
	for _, r := range n.reports {
		if !harms {
			if n.matches(r, nil, q, workplaces) {
				out[[2]string{n.key(r, nil, rows, level), n.key(r, nil, columns, level)}]++
			}
			continue
		}
		for _, h := range r.GetHarms() {
			if n.matches(r, h, q, workplaces) {
				out[[2]string{n.key(r, h, rows, level), n.key(r, h, columns, level)}]++
			}
		}
	}
	return out
}

// hoursByMonth sums the hours of a branch, by month and group.
func (n *naive) hoursByMonth(workplaces []string) map[string]float64 {
	out := map[string]float64{}
	for _, h := range n.hours {
		in := len(workplaces) == 0
		for _, w := range workplaces {
			in = in || n.w.tree.Within(h.GetWorkplace(), w) || n.w.tree.Within(w, h.GetWorkplace())
		}
		if in {
			out[h.GetMonth()+" "+strconv.Itoa(int(h.GetEmploymentGroup()))] += h.GetHoursWorked()
		}
	}
	return out
}
