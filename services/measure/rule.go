package measure

import (
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// form is how a measure is worked out.
type form int

const (
	perHours     form = iota // cases or reports over hours worked
	perWorkers               // cases over the average number of workers
	daysPerCase              // days lost over the cases that lost them
	daysPerHours             // days lost over hours worked
	hoursPerCase             // hours worked over cases
	shareOfCases             // severe cases over the cases among which they are
	plainCount               // a count, over nothing
)

// rule is one measure of one convention: the table in conventions.go is made of
// them.
type rule struct {
	id, title string
	// formula and counts say in words how it is worked out and what counts.
	formula, counts string
	// one and many name what the numerator counts.
	one, many string
	pick      pick
	form      form
	base      float64
	source    string
	// riseIsWorse is false where a rise is good news or no news.
	riseIsWorse bool
}

// pick says which persons hurt, or which reports, count.
type pick struct {
	// outcomes are the classes that count; a case sits in one only.
	outcomes []pb.OutcomeClass
	// injuries leaves illnesses out.
	injuries bool
	// overDays, when not 0, counts lost-time and restricted-work cases only
	// when more consecutive days than that were lost, restricted ones included.
	overDays int
	// kinds are the kinds of reports that count; reports and everybody count
	// them all, and all persons hurt.
	kinds              []pb.ReportKind
	reports, everybody bool
}

// ofReports says whether the measure counts reports rather than persons hurt.
func (p pick) ofReports() bool { return p.reports || len(p.kinds) > 0 }

func (p pick) report(k pb.ReportKind) bool { return p.reports || slices.Contains(p.kinds, k) }

// person says whether a person hurt counts.
func (p pick) person(h *pb.Harm, event, asAt harm.Day) bool {
	if p.everybody {
		return true
	}
	if p.injuries && h.GetIllness() || !slices.Contains(p.outcomes, h.GetOutcome()) {
		return false
	}
	if p.overDays > 0 && (h.GetOutcome() == lostTime || h.GetOutcome() == restricted) {
		days, _ := harm.ConsecutiveAway(h, event, asAt, true)
		return days > p.overDays
	}
	return true
}

// Outcome classes, for the table.
const (
	medical    = pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT
	restricted = pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK
	lostTime   = pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME
	lasting    = pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY
	death      = pb.OutcomeClass_OUTCOME_CLASS_DEATH
)

// convention is whose definitions a figure follows.
type convention struct {
	id   pb.Convention
	name string
	// days is how days are counted; 0 where the convention has no days.
	days  harm.Convention
	rules []rule
	// cautions must be read with every figure of the convention.
	cautions []string
}

func (c convention) rule(id string) (rule, bool) {
	for _, r := range c.rules {
		if r.id == id {
			return r, true
		}
	}
	return rule{}, false
}

// conventionOf returns a convention; unset is AS 1885.1.
func conventionOf(id pb.Convention) (convention, bool) {
	if id == pb.Convention_CONVENTION_UNSPECIFIED {
		id = pb.Convention_CONVENTION_AS_1885_1
	}
	for _, c := range conventions {
		if c.id == id {
			return c, true
		}
	}
	return convention{}, false
}

// definition returns what a rule is, for a reply.
func (r rule) definition(c convention) *pb.MeasureDefinition {
	return &pb.MeasureDefinition{
		Measure: r.id, Title: r.title, Formula: r.formula, NumeratorRule: r.counts, Denominator: r.denominator(),
		Base: r.base, Unit: r.unit(), Convention: c.id, Source: r.source, RiseIsWorse: r.riseIsWorse,
	}
}

func (r rule) denominator() string {
	switch r.form {
	case perHours, daysPerHours:
		return "hours worked"
	case perWorkers:
		return "workers"
	case daysPerCase, shareOfCases:
		return "cases"
	case hoursPerCase:
		return r.many
	}
	return "nothing: a count"
}

// unit is the unit of the result.
func (r rule) unit() string {
	switch r.form {
	case perHours:
		return r.many + " per " + baseWords(r.base) + " hours"
	case daysPerHours:
		return "days per " + baseWords(r.base) + " hours"
	case perWorkers:
		return r.many + " per " + baseWords(r.base) + " workers"
	case daysPerCase:
		return "days per case"
	case hoursPerCase:
		return "hours per " + r.one
	case shareOfCases:
		return "per cent of cases"
	}
	return r.many
}

// baseWords writes a base as it is spoken: `million`, `200,000`.
func baseWords(base float64) string {
	switch base {
	case perMillion:
		return "million"
	case perHundredMillion:
		return "100 million"
	}
	return whole(base)
}
