package measure

import (
	"fmt"
	"math"

	"fairlead/analytics/rate"
	pb "fairlead/proto/gen/fairlead/v1"
)

// How intervals were made, or why there is none.
const (
	methodExact  = "exact Poisson (Garwood 1936)"
	methodTurned = "exact Poisson limits of the count (Garwood 1936), turned over"
	methodShare  = "exact binomial (Clopper and Pearson 1934)"
	methodNone   = "none: days are not independent counts, a few long cases make most of them; look at the cases and their days"
)

// rates answers a request for rates.
func (s *Service) rates(q *question) (*pb.ComputeRatesResponse, error) {
	g, err := s.gather(q)
	if err != nil {
		return nil, err
	}
	resp := &pb.ComputeRatesResponse{Scope: s.scopeWords(q), Period: q.period.message(), SequenceNumber: g.seq}
	few := 0
	for _, r := range q.rules {
		t := g.tally(q, r)
		v, err := q.value(t, g.hours)
		if err != nil {
			return nil, err
		}
		why, err := s.heldFigure(q, r)
		if err != nil {
			return nil, err
		}
		if why != "" {
			q.holdBack(v, t, why)
			resp.Values = append(resp.Values, v)
			continue
		}
		resp.Values = append(resp.Values, v)
		if r.form != plainCount && !r.pick.ofReports() {
			few = max(few, t.count)
		}
	}
	resp.Cautions = q.cautions(g, few)
	return resp, nil
}

// value makes one figure of a tally.
func (q *question) value(t *tally, e *exposure) (*pb.MeasureValue, error) {
	r := t.rule
	v := &pb.MeasureValue{Definition: r.definition(q.convention), Level: q.level, Numerator: float64(t.count), NumeratorName: r.many}
	if r.form == daysPerCase || r.form == daysPerHours {
		v.Numerator = float64(t.days)
	}
	if r.form == shareOfCases {
		v.Numerator = float64(t.severe)
	}
	if r.form.hasExposure() {
		v.ProvisionalMonths = q.period.names(e.provisional)
		v.MissingMonths = q.period.names(t.lack)
		if !anyOf(t.lack) {
			v.Denominator = ptr(e.total(r.form))
		}
	}
	v.Notes = t.notes(q, e)
	if r.form == perWorkers && q.period.len() != rateMonths {
		v.Notes = append(v.Notes, fmt.Sprintf("Cases of %s over the workers of an average month: not a yearly rate; compare it with like periods only.", number(float64(q.period.len()), "month", "months")))
	}
	v.UndefinedReason = q.whyNot(t, e)
	var err error
	if v.UndefinedReason == "" {
		err = q.workOut(t, e, v)
	} else {
		v.IntervalMethod = "none: there is no figure"
	}
	v.Sentence = sentence(q, t, v)
	return v, err
}

// total is the exposure of the whole period: the hours, or the average of the
// heads of its months.
func (e *exposure) total(f form) float64 {
	sum := 0.0
	if f == perWorkers {
		for _, h := range e.heads {
			sum += h
		}
		return sum / float64(len(e.heads))
	}
	for _, h := range e.hours {
		sum += h
	}
	return sum
}

// whyNot says why there is no figure; empty when there is one.
func (q *question) whyNot(t *tally, e *exposure) string {
	r := t.rule
	if r.form != plainCount && r.pick.ofReports() && len(q.groups) > 0 {
		return "reports belong to no employment group, so they cannot stand over the hours of some groups; ask without groups"
	}
	switch {
	case r.form.hasExposure() && anyOf(t.lack):
		what := "hours"
		if r.form == perWorkers {
			what = "head count"
		}
		return e.reason(t.lack, what)
	case r.form.hasExposure() && e.total(r.form) == 0 && r.form == perWorkers:
		return "the head count of this period is 0"
	case r.form.hasExposure() && e.total(r.form) == 0:
		return "the hours of this period are 0"
	case (r.form == daysPerCase || r.form == shareOfCases) && t.count == 0:
		return "no cases to divide by"
	case t.noDays > 0 && t.noDays == t.count:
		return "no day away is recorded yet for these lost-time cases"
	}
	return ""
}

// workOut works the figure and its interval out.
func (q *question) workOut(t *tally, e *exposure, v *pb.MeasureValue) error {
	o := rate.Options{Level: q.level}
	switch r := t.rule; r.form {
	case perHours, perWorkers:
		x, err := rate.Of(t.count, e.total(r.form), r.base, o)
		if err != nil {
			return err
		}
		set(v, x.Value, x.Lo, x.Hi, methodExact)
	case plainCount:
		lo, hi, err := rate.PoissonInterval(t.count, q.level)
		if err != nil {
			return err
		}
		set(v, float64(t.count), lo, hi, methodExact+", for the number to be expected")
	case hoursPerCase:
		x, err := rate.MeanBetween(t.count, e.total(r.form), q.level)
		if err != nil {
			return err
		}
		if !x.Defined {
			v.UndefinedReason = fmt.Sprintf("no case in %s hours: at least %s hours between cases would fit", whole(math.Round(x.Exposure)), limit(x.Lo))
			v.IntervalMethod = methodTurned
			return nil
		}
		set(v, x.Value, x.Lo, x.Hi, methodTurned)
	case shareOfCases:
		x, err := rate.ShareOf(t.severe, t.count, q.level)
		if err != nil {
			return err
		}
		v.Denominator = ptr(float64(t.count))
		set(v, r.base*x.Value, r.base*x.Lo, r.base*x.Hi, methodShare)
	case daysPerCase, daysPerHours:
		below := float64(t.count)
		if r.form == daysPerHours {
			below = e.total(r.form)
		}
		x, err := rate.Ratio(float64(t.days), below, r.base, r.denominator())
		if err != nil {
			return err
		}
		v.Defined, v.Value, v.Denominator, v.IntervalMethod = true, ptr(x.Value), ptr(below), methodNone
		v.Notes = append([]string{fmt.Sprintf("%s in %s.", capital(number(float64(t.days), r.one, r.many)), number(float64(t.count), "case", "cases"))}, v.Notes...)
	}
	return nil
}

func set(v *pb.MeasureValue, value, lower, upper float64, method string) {
	v.Defined, v.Value, v.Lower, v.Upper, v.IntervalMethod = true, ptr(value), ptr(lower), ptr(upper), method
}

func ptr(v float64) *float64 { return &v }

// sentence says a figure in words: the count and what it is over first, then the
// rate, then how far it can be trusted.
func sentence(q *question, t *tally, v *pb.MeasureValue) string {
	r := t.rule
	what := number(v.GetNumerator(), r.one, r.many)
	if !v.GetDefined() {
		if r.form == hoursPerCase && t.count == 0 && v.GetMissingMonths() == nil && v.Denominator != nil {
			return capital(v.GetUndefinedReason()) + "."
		}
		return capital(what) + "; no figure: " + v.GetUndefinedReason() + "."
	}
	below := v.GetDenominator()
	fits := func(value string) string {
		if v.GetNumerator() == 0 {
			return value + ", and anything up to " + limit(v.GetUpper()) + " would fit. None seen is not none to come."
		}
		return value + ", and anything from " + limit(v.GetLower()) + " to " + limit(v.GetUpper()) + " would fit."
	}
	switch r.form {
	case perHours:
		return fits(fmt.Sprintf("%s in %s hours: %s per %s", whole(v.GetNumerator()), hoursWords(below), ratio(v.GetNumerator(), r.base, below), baseWords(r.base)))
	case perWorkers:
		return fits(fmt.Sprintf("%s among %s workers: %s per %s", whole(v.GetNumerator()), limitWorkers(below), ratio(v.GetNumerator(), r.base, below), baseWords(r.base)))
	case daysPerHours:
		return fmt.Sprintf("%s in %s hours: %s per %s. No interval: days are not counts.", capital(what), hoursWords(below), ratio(v.GetNumerator(), r.base, below), baseWords(r.base))
	case daysPerCase:
		return fmt.Sprintf("%s in %s: %s days a case. No interval: days are not counts.", capital(what), number(below, "case", "cases"), ratio(v.GetNumerator(), 1, below))
	case hoursPerCase:
		return fmt.Sprintf("%s in %s hours: one in %s hours, and anything from %s to %s would fit.", whole(v.GetNumerator()), hoursWords(below), ratio(below, 1, v.GetNumerator()), limit(v.GetLower()), limit(v.GetUpper()))
	case shareOfCases:
		return fmt.Sprintf("%s of %s: %s per cent, and anything from %s to %s would fit.", whole(v.GetNumerator()), number(below, "case", "cases"), ratio(v.GetNumerator(), r.base, below), limit(v.GetLower()), limit(v.GetUpper()))
	}
	return fmt.Sprintf("%s in %s.", capital(what), number(float64(q.period.len()), "month", "months"))
}

// hoursWords writes hours without a fraction nobody measured.
func hoursWords(v float64) string { return whole(math.Round(v)) }

// limitWorkers writes an average of heads.
func limitWorkers(v float64) string {
	if v == math.Trunc(v) {
		return whole(v)
	}
	return ratio(v, 1, 1)
}
