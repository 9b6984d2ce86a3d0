package measure

import (
	"fmt"
	"slices"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// Workplaces are listed in the order of the tree and never of their counts: by
// counts the list would be a league table, in which the largest place, and the
// one that tells most, come out worst. Hours stand beside the counts, and places
// are compared in a funnel, which allows for hours and chance.

// worked is what a workplace worked in a period.
type workedHours struct {
	hours float64
	// missing counts the months whose hours are not known.
	missing int
}

// places reports whether workplaces are listed.
func (q *rankQuestion) places() bool { return q.dims[0] == pb.Dimension_DIMENSION_WORKPLACE }

// placeHours adds up the hours recorded for each workplace itself. A month is
// missing when it has none, or none of a group that had some before, unless the
// workplace is closed by then.
func (s *Service) placeHours(q *rankQuestion) (map[string]workedHours, int64, error) {
	blocks, first := map[block]float64{}, map[unit]month{}
	seq, err := s.facts.Walk(&pb.ReportFilter{}, q.scope, nil, nil, func(h *pb.Hours) {
		m, ok := parseMonth(h.GetMonth())
		groups := q.filter.GetEmploymentGroups()
		if !ok || m >= q.period.end || len(groups) > 0 && !slices.Contains(groups, h.GetEmploymentGroup()) {
			return
		}
		u := unit{h.GetWorkplace(), h.GetEmploymentGroup()}
		if was, ok := first[u]; !ok || m < was {
			first[u] = m
		}
		blocks[block{u, m}] = h.GetHoursWorked()
	})
	if err != nil {
		return nil, 0, fmt.Errorf("measure: hours of places: %w", err)
	}
	units := map[string][]unit{}
	for u := range first {
		units[u.workplace] = append(units[u.workplace], u)
	}
	out := map[string]workedHours{}
	for w, of := range units {
		var sum workedHours
		for m := q.period.start; m < q.period.end; m++ {
			begun, whole := false, true
			for _, u := range of {
				hours, there := blocks[block{u, m}]
				sum.hours += hours
				begun = begun || there
				whole = whole && (there || first[u] > m)
			}
			if !(begun && whole) && !s.tree.ClosedAt(w, time.Date(m.year(), time.Month(m.of()), 1, 0, 0, 0, 0, s.tree.Location(w))) {
				sum.missing++
			}
		}
		out[w] = sum
	}
	return out, seq, nil
}

// inTree orders workplaces as the tree is read: each before those below it,
// neighbours by title. What is not in the tree comes last.
func (s *Service) inTree(a, b string) int {
	p, q := s.tree.Path(a), s.tree.Path(b)
	if (len(p) == 0) != (len(q) == 0) {
		return len(q) - len(p)
	}
	title := func(name string) string {
		w, _ := s.tree.Get(name)
		return w.GetTitle()
	}
	for i := range min(len(p), len(q)) {
		if p[i] == q[i] {
			continue
		}
		if d := strings.Compare(title(p[i]), title(q[i])); d != 0 {
			return d
		}
		return strings.Compare(p[i], q[i])
	}
	if d := len(p) - len(q); d != 0 {
		return d
	}
	return strings.Compare(a, b)
}

// listPlaces puts the rows in the order of the tree, without ranks, ties, gaps
// or running shares, and the hours beside them.
func (r *ranking) listPlaces(out *pb.CauseRanking) {
	order := make([]int, len(r.pareto.Rows))
	for i := range order {
		order[i] = i
	}
	label := func(n int) string { return r.pareto.Rows[n].Label }
	slices.SortFunc(order, func(a, b int) int { return r.s.inTree(label(a), label(b)) })
	for _, n := range order {
		p, hidden := r.pareto.Rows[n], r.hidden[r.at[label(n)]]
		if hidden {
			out.HeldBack++
		} else {
			r.shown = append(r.shown, n)
		}
		if len(out.Rows) == r.q.rows {
			if !hidden {
				out.Others += int64(p.Count)
				out.OtherRows++
			}
			continue
		}
		row := r.row(r.at[p.Label])
		switch {
		case hidden:
		case r.veiled():
			row.Share = &pb.Proportion{Count: guard.HeldBack, Of: guard.HeldBack}
		default:
			row.Share = &pb.Proportion{Count: int64(p.Count), Of: int64(r.pareto.Known), Value: ptr(p.Share.Value), Lower: ptr(p.Share.Lo), Upper: ptr(p.Share.Hi)}
		}
		months := r.q.period.len()
		if h, ok := r.hours[p.Label]; !ok {
			row.MonthsWithoutHours = int32(months)
		} else if row.MonthsWithoutHours = int32(h.missing); h.missing == 0 {
			row.Hours = ptr(h.hours)
		}
		out.Rows = append(out.Rows, row)
	}
	if r.side.Known() == 1 && r.hidden[0] {
		out.HeldBack++
	}
}

// placesSentence says what there is, and what the list is not.
func (r *ranking) placesSentence() string {
	of := "At"
	if !r.veiled() {
		of = capital(r.q.how(int64(r.pareto.Known))) + " at"
	}
	s := fmt.Sprintf("%s %s, in the order of the tree and not of their counts. Places are compared by their hours, in a funnel.", of,
		number(float64(len(r.pareto.Rows)), "workplace", "workplaces"))
	if u := r.side.Unknown(); u > 0 && !r.veiled() {
		s += fmt.Sprintf(" %s no workplace.", number(float64(u), "has", "have"))
	}
	return s
}

// placesHow is how a list of workplaces was made.
const placesHow = " In the order of the tree, each workplace without those below it; nothing is ranked. Those without a value stand first; shares are of those with a value, with exact limits. Hours are those recorded for the workplace itself, and not known unless every month of the period has them, of every group that had some before."
