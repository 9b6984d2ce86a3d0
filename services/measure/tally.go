package measure

import (
	"fmt"
	"maps"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// tally is what one rule counts within the period, and what it could not count.
type tally struct {
	rule    rule
	count   int            // cases or reports
	byMonth []int          // the same by month
	byPlace map[string]int // the same by workplace
	days    int            // days lost, where the rule counts them
	severe  int            // cases of severeDays or more, or fatal
	// lack marks the months whose exposure is missing for what is counted.
	lack []bool

	unset                              int // persons without an employment group, counted as employees
	noDays                             int // lost-time cases without any day recorded
	public                             int
	noHours                            map[string]int // left out: who or where, and how many
	estimated, open, charged, atTheCap int
}

// severeDays is from when a case is severe (WA public sector).
const severeDays = 60

// tally counts by one rule.
func (g *gathered) tally(q *question, r rule) *tally {
	t := &tally{rule: r, byMonth: make([]int, q.period.len()), lack: make([]bool, q.period.len()), byPlace: map[string]int{}, noHours: map[string]int{}}
	if r.form.hasExposure() {
		copy(t.lack, g.hours.without(r.form))
	}
	if r.pick.ofReports() {
		for _, x := range g.reports {
			if r.pick.report(x.kind) {
				t.add(q, g.hours, x.workplace, anyGroup, x.month)
			}
		}
		return t
	}
	for _, p := range g.people {
		if !r.pick.person(p.harm, p.day, q.asAt) {
			continue
		}
		group := p.group
		if group == pb.EmploymentGroup_EMPLOYMENT_GROUP_UNSPECIFIED {
			group = pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE
		}
		if r.form == plainCount && len(q.groups) > 0 && !slices.Contains(q.groups, group) {
			continue
		}
		if r.form != plainCount && group == pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC {
			t.public++
			continue
		}
		if !t.add(q, g.hours, p.workplace, group, p.month) {
			continue
		}
		if group != p.group && (r.form != plainCount || len(q.groups) > 0) {
			t.unset++
		}
		t.addDays(q, p)
	}
	return t
}

// add counts a case or report if its people are below the line too. Averages
// over cases are of the same people as the rates, so that the severity rate is
// the frequency rate times the average; a month without hours is no matter to
// them.
func (t *tally) add(q *question, e *exposure, workplace string, g pb.EmploymentGroup, m month) bool {
	i := q.period.index(m)
	if t.rule.form != plainCount {
		switch e.covers(workplace, g, m, t.rule.form == perWorkers) {
		case notAsked:
			switch {
			case len(q.groups) > 0:
			case q.guarded:
				t.noHours["of other groups"]++
			default:
				t.noHours["of "+groupWords(g)]++
			}
			return false
		case neverHad:
			t.noHours["at "+e.s.title(workplace)]++
			return false
		case missing:
			t.lack[i] = true
		}
	}
	t.count++
	t.byMonth[i]++
	t.byPlace[workplace]++
	return true
}

func (t *tally) addDays(q *question, p person) {
	if q.convention.days == 0 || t.rule.form != daysPerCase && t.rule.form != daysPerHours && t.rule.form != shareOfCases {
		return
	}
	d := harm.Count(p.harm, p.day, q.convention.days, q.asAt)
	t.days += d.Away
	if d.Away == 0 && p.harm.GetOutcome() == lostTime {
		t.noDays++
	}
	if d.Away >= severeDays || p.harm.GetOutcome() == death {
		t.severe++
	}
	t.estimated += one(d.Estimated)
	t.open += one(d.Open)
	t.charged += one(d.Charged)
	t.atTheCap += one(d.Capped)
}

func one(is bool) int {
	if is {
		return 1
	}
	return 0
}

// hasExposure says whether a form divides by hours or workers.
func (f form) hasExposure() bool {
	return f == perHours || f == perWorkers || f == daysPerHours || f == hoursPerCase
}

// without returns the months without the exposure of a form.
func (e *exposure) without(f form) []bool {
	if f == perWorkers {
		return e.noHeads
	}
	return e.noHours
}

// notes says what was left out, assumed and estimated.
func (t *tally) notes(q *question, e *exposure) []string {
	var out []string
	single, many := t.rule.one, t.rule.many
	if t.rule.form == daysPerCase || t.rule.form == daysPerHours || t.rule.form == shareOfCases {
		single, many = "case", "cases"
	}
	if t.unset > 0 {
		out = append(out, fmt.Sprintf("%s without an employment group %s counted among the employees.", capital(q.some(t.unset, single, many)), q.isAre(t.unset)))
	}
	if t.public > 0 {
		out = append(out, fmt.Sprintf("%s of visitors or the public %s not counted: they work no hours here.", capital(q.some(t.public, single, many)), q.isAre(t.public)))
	}
	for _, who := range slices.Sorted(maps.Keys(t.noHours)) {
		n := t.noHours[who]
		out = append(out, fmt.Sprintf("%s %s %s not counted: no hours are kept for them, so they would stand above the line only.", capital(q.some(n, single, many)), who, q.isAre(n)))
	}
	if t.rule.form.hasExposure() {
		out = append(out, e.lacking...)
		out = append(out, e.starting...)
		if e.overlaps > 0 {
			out = append(out, fmt.Sprintf("%s left out because the same hours are kept at a workplace above; ask an administrator to mend the hours.", capital(number(float64(e.overlaps), "block of hours is", "blocks of hours are"))))
		}
		if len(q.groups) == 0 && len(e.first) > 0 && !t.rule.pick.ofReports() {
			var groups []string
			for _, g := range e.groups {
				groups = append(groups, groupWords(g))
			}
			out = append(out, "Counted above and below the line: "+list(groups)+".")
		}
	}
	if t.noDays > 0 {
		out = append(out, fmt.Sprintf("No day away is recorded yet for %s: the days are more than is counted here.", q.some(t.noDays, "lost-time case", "lost-time cases")))
	}
	if t.charged > 0 {
		out = append(out, fmt.Sprintf("%s %s charged by the schedule, not by days counted.", capital(q.some(t.charged, "case", "cases")), q.isAre(t.charged)))
	}
	if t.estimated > 0 {
		out = append(out, fmt.Sprintf("The days of %s are estimated: the roster is not recorded, so weekdays were counted.", q.some(t.estimated, "case", "cases")))
	}
	if t.open > 0 {
		out = append(out, fmt.Sprintf("%s %s still away; days are counted up to %s and will rise.", capital(q.some(t.open, "person", "people")), q.isAre(t.open), q.asAt))
	}
	if t.atTheCap > 0 {
		has := "have"
		if t.atTheCap == 1 && !q.guarded {
			has = "has"
		}
		out = append(out, fmt.Sprintf("%s %s more days than the convention counts.", capital(q.some(t.atTheCap, "case", "cases")), has))
	}
	return out
}

// some says how many persons a note is about, to whoever may know.
func (q *question) some(n int, one, many string) string {
	if q.guarded {
		return "some " + many
	}
	return number(float64(n), one, many)
}

func (q *question) isAre(n int) string {
	if n == 1 && !q.guarded {
		return "is"
	}
	return "are"
}
