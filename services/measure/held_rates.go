package measure

import (
	"fmt"
	"maps"
	"slices"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
	"fairlead/services/harm"
)

// What is held back of figures, from whoever does not read the reports:
//
// Cases by workplace and period are told however few they are: they are the
// figures of AS 1885.1 that a committee is there to see, and that somebody was
// away is known where they work.
//
// Cases of some employment groups are not: what two answers leave between them
// would tell about the one contractor of a crew.
//
// Who was ill is a health fact, and so is who was away for longer than some days.
// Conventions that leave illness out, or short absences, are told only where the
// house goes by such a one, and then the others are not: between the two lie
// those who were ill.
//
// How long people were away is a health fact of each of them. Days, and shares
// made of them, are told for the whole organisation, whose averages AS 1885.1
// asks for, and below it by whole years that are settled, of workplaces that have
// enough cases and leave enough to the others.

// GoesBy sets the convention whose definitions are told to whoever does not read
// the reports, before the first question. It is AS 1885.1 unless set.
func (s *Service) GoesBy(c pb.Convention) error {
	by, ok := conventionOf(c)
	if !ok {
		return fmt.Errorf("measure: %v is not one of the known conventions", c)
	}
	s.goesBy = by
	return nil
}

// wholeHouse reports whether a question is about the whole organisation.
func (s *Service) wholeHouse(q *question) bool {
	return len(q.scope) == 0 || slices.Equal(q.scope, []string{s.tree.Root()})
}

// heldCases says why cases are not charted; "" when they are.
func (s *Service) heldCases(q *question) string {
	if !q.guarded {
		return ""
	}
	if why := heldPersons(true, q.filter, q.rules[0].pick.kinds, false); why != "" {
		return why
	}
	if why := s.heldRule(q, q.rules[0]); why != "" {
		return capital(why) + "."
	}
	return ""
}

// heldRule says why figures by a rule are not told, whatever they are.
func (s *Service) heldRule(q *question, r rule) string {
	switch {
	case !q.guarded || r.pick.ofReports():
		return ""
	case len(q.groups) > 0:
		return "held back: how many of an employment group were hurt is open to those who read the reports; ask without employment groups, or ask the safety adviser"
	case r.pick.everybody || r.pick.sameCases(s.goesBy):
		return ""
	case r.pick.overDays > 0:
		return "held back: this counts only who was away for more than " + number(float64(r.pick.overDays), "day", "days") + ", and laid beside the figures by " + s.goesBy.name + " it would tell how long single persons were; ask by " + s.goesBy.name
	}
	return "held back: between this convention and " + s.goesBy.name + ", by which this house goes, stand those who were ill, and they would be told; ask by " + s.goesBy.name
}

// sameCases reports whether a pick goes by the same rules of who is a case as a
// convention does.
func (p pick) sameCases(c convention) bool {
	return slices.ContainsFunc(c.rules, func(r rule) bool {
		return !r.pick.ofReports() && !r.pick.everybody && r.pick.injuries == p.injuries && r.pick.overDays == p.overDays
	})
}

// byDays reports whether a figure rests on how long each person was away.
func (r rule) byDays() bool {
	return r.form == daysPerCase || r.form == daysPerHours || r.form == shareOfCases
}

// heldFigure says why a figure is not told; "" when it is.
func (s *Service) heldFigure(q *question, r rule) (string, error) {
	if why := s.heldRule(q, r); why != "" || !q.guarded || !r.byDays() || s.wholeHouse(q) {
		return why, nil
	}
	years := guard.Years(q.period.start.start(), q.period.end.start(), maxMonths/12)
	if len(years) == 0 || len(q.scope) != 1 || s.wall().Before(guard.Settled(years[len(years)-1])) {
		return "held back: how long people of one workplace were away is told by whole years from July to June, three months after they end; ask for such a year, or for the whole organisation", nil
	}
	for _, y := range years {
		told, err := s.daysTold(q, r, y)
		if err != nil || !told {
			return fmt.Sprintf("held back: it is of fewer than %d persons, or leaves fewer than that to workplaces around it", s.smallest), err
		}
	}
	return "", nil
}

// daysTold reports whether the days of a year are told of the workplace of a
// question.
func (s *Service) daysTold(q *question, r rule, year int) (bool, error) {
	wide := *q
	first, after := guard.YearDays(year)
	wide.scope, wide.period = nil, span{monthOf(harm.DayOf(first, time.UTC)), monthOf(harm.DayOf(after, time.UTC))}
	g, err := s.gather(&wide)
	if err != nil {
		return false, err
	}
	places := newPlaces(s.tree)
	places.add(q.scope[0])
	direct := g.tally(&wide, r).byPlace
	for _, w := range slices.Sorted(maps.Keys(direct)) {
		places.add(w)
	}
	persons := make([]int64, len(places.names))
	for i, w := range places.names {
		persons[i] = int64(direct[w])
	}
	told := guard.Branches(places.parent, persons, s.smallest)
	return told[slices.Index(places.names, q.scope[0])], nil
}

// holdBack takes everything out of a figure that tells it.
func (q *question) holdBack(v *pb.MeasureValue, t *tally, why string) {
	v.HeldBack, v.Defined = true, false
	v.Value, v.Lower, v.Upper = nil, nil, nil
	v.Numerator = guard.HeldBack
	if t.rule.form == shareOfCases || t.rule.form == daysPerCase {
		v.Denominator = nil
	}
	v.Notes, v.IntervalMethod = nil, "none: it is held back"
	v.UndefinedReason = why
	v.Sentence = capital(why) + "."
}

// heldChart is a chart that is held back.
func (s *Service) heldChart(q *question, why string) *pb.Chart {
	return &pb.Chart{Definition: q.rules[0].definition(q.convention), Scope: s.scopeWords(q), Period: q.period.message(),
		Kind: pb.ChartKind_CHART_KIND_TOO_FEW, KindReason: why, Sentence: why, HeldBackReason: why}
}

// anyFew reports whether a month of a chart has few.
func (s *Service) anyFew(c *pb.Chart) bool {
	return slices.ContainsFunc(c.GetPoints(), func(p *pb.ChartPoint) bool { return p.GetCount() > 0 && p.GetCount() < s.smallest })
}
