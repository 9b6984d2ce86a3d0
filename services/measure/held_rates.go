package measure

import (
	"fmt"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// What is held back of figures, from whoever does not read the reports:
//
// Cases by workplace and period are told however few they are: they are the
// figures of AS 1885.1 that a committee is there to see, and that somebody was
// away is known where they work.
//
// How long people were away is a health fact of each of them. Days, and shares
// made of them, are told of few persons only for the whole organisation, whose
// totals are never held back.
//
// Cases of some employment groups are told when they are not few and the other
// groups are not either, so that neither follows from the other.

// of is a question about more, within which a question is asked: the workplace
// above, or all employment groups.
func (s *Service) of(q *question) *question {
	wide := *q
	switch {
	case len(q.groups) > 0:
		wide.groups = nil
	case len(q.scope) == 1:
		path := s.tree.Path(q.scope[0])
		if len(path) < 2 {
			return nil
		}
		wide.scope = []string{path[len(path)-2]}
	default:
		return nil
	}
	return &wide
}

// around gathers what stands around a question from which things may be held
// back: nil when nothing may be, or nothing does.
func (s *Service) around(q *question) (*gathered, error) {
	wide := s.of(q)
	if !q.guarded || wide == nil {
		return nil, nil
	}
	return s.gather(wide)
}

// wholeHouse reports whether a question is about the whole organisation.
func (s *Service) wholeHouse(q *question) bool {
	return len(q.scope) == 0 || slices.Equal(q.scope, []string{s.tree.Root()})
}

// tellsFew reports whether a figure would tell about few persons, by itself or
// by what it leaves of the figure around it.
func (s *Service) tellsFew(q *question, t *tally, around *gathered) bool {
	if !q.guarded || t.rule.pick.ofReports() {
		return false
	}
	byDays := t.rule.form == daysPerCase || t.rule.form == daysPerHours || t.rule.form == shareOfCases
	if len(q.groups) == 0 && (!byDays || s.wholeHouse(q)) {
		return false
	}
	few := func(n int) bool { return n > 0 && int64(n) < s.smallest }
	if few(t.count) {
		return true
	}
	return around != nil && few(around.tally(s.of(q), t.rule).count-t.count)
}

// holdBack takes everything out of a figure that tells it.
func (q *question) holdBack(v *pb.MeasureValue, t *tally, smallest int64) {
	v.HeldBack, v.Defined = true, false
	v.Value, v.Lower, v.Upper = nil, nil, nil
	v.Numerator = guard.HeldBack
	if t.rule.form == shareOfCases || t.rule.form == daysPerCase {
		v.Denominator = nil
	}
	v.Notes, v.IntervalMethod = nil, "none: it is held back"
	v.UndefinedReason = fmt.Sprintf("held back: it is of fewer than %d persons, or leaves fewer than that of a figure around it", smallest)
	v.Sentence = capital(v.GetUndefinedReason()) + "."
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
