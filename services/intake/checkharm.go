package intake

import (
	"context"
	"slices"
	"strconv"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/answers"
	"fairlead/services/harm"
	"fairlead/services/record"
)

// codingOfReport is the id under which a report as a whole is coded; no harm may
// have it.
const codingOfReport = "report"

// maxAhead is how many days ahead a day of return may lie: a certificate says
// when somebody is expected back.
const maxAhead = 366

// eventDay returns the day on which it happened, or NoDay. A month that is all
// that is known stands for its first day; see settle.
func (x *examination) eventDay(r *pb.Report) harm.Day {
	if t := r.GetOccurTime(); t != nil && t.IsValid() {
		return harm.DayOf(t.AsTime(), x.zone)
	}
	return harm.NoDay
}

// harms checks every harm of a report.
func (x *examination) harms(ctx context.Context, from getter, r *pb.Report) error {
	event := x.eventDay(r)
	seen := map[string]bool{}
	for i, h := range r.GetHarms() {
		at := index("harms", i)
		switch {
		case h.GetHarmId() == codingOfReport:
			x.add(at+".harm_id", "must not be `report`, which stands for the report as a whole; use h1, h2 and so on")
		case h.GetHarmId() != "" && seen[h.GetHarmId()]:
			x.add(at+".harm_id", "is used twice; give each harm its own, or leave it out")
		}
		seen[h.GetHarmId()] = true
		if h.GetPerson() != "" {
			there, err := x.exists(ctx, from, h.GetPerson(), record.KindPerson)
			if err != nil {
				return err
			}
			if !there {
				x.add(at+".person", "is not a person here; check the name, or leave it out")
			}
		}
		x.outcomes(h, at, event)
		x.periods(h.GetAbsences(), at+".absences", event)
		x.periods(h.GetRestrictions(), at+".restrictions", event)
		x.vs = append(x.vs, answers.Check(h, x.at+"."+at)...)
	}
	return nil
}

// outcomes checks the outcome history of a harm and its date of death.
func (x *examination) outcomes(h *pb.Harm, at string, event harm.Day) {
	for i, c := range h.GetOutcomeHistory() {
		if c.GetEffectiveDate() != "" {
			x.day(c.GetEffectiveDate(), at+"."+index("outcome_history", i)+".effective_date", event)
		}
	}
	if h.GetDeathDate() == "" {
		return
	}
	field := at + ".death_date"
	n := len(h.GetOutcomeHistory())
	if n == 0 || h.GetOutcomeHistory()[n-1].GetOutcome() != pb.OutcomeClass_OUTCOME_CLASS_DEATH {
		x.add(field, "is for a death only; give the outcome DEATH, or leave the date out")
		return
	}
	x.day(h.GetDeathDate(), field, event)
}

// day checks a day on which something held: it exists, is not before the day of
// the event and not after today.
func (x *examination) day(text, field string, event harm.Day) harm.Day {
	d, err := harm.ParseDay(text)
	switch {
	case err != nil:
		x.add(field, "is not a day that exists; write it like 2026-03-31")
	case d < earliest:
		x.add(field, "must not be before 1950")
	case event != harm.NoDay && d < event:
		x.add(field, "is before the day it happened, "+event.String()+"; check both")
	case d > harm.DayOf(x.now, x.zone):
		x.add(field, "is after today; record it when it has come")
	default:
		return d
	}
	return harm.NoDay
}

// periods checks periods away or on restricted duties.
func (x *examination) periods(list []*pb.Absence, at string, event harm.Day) {
	type span struct {
		first, back harm.Day
		i           int
		open        bool
	}
	today := harm.DayOf(x.now, x.zone)
	var good []span
	for i, p := range list {
		field := index(at, i)
		s := span{i: i, first: x.day(p.GetFirstDate(), field+".first_date", event)}
		if s.first == harm.NoDay {
			continue
		}
		if p.GetReturnDate() == "" {
			s.open, s.back = true, today+1
			if p.RosteredDays != nil {
				x.add(field+".rostered_days", "must wait for the day of return; leave it out while the person is away")
			}
			good = append(good, s)
			continue
		}
		back, err := harm.ParseDay(p.GetReturnDate())
		switch {
		case err != nil:
			x.add(field+".return_date", "is not a day that exists; write it like 2026-03-31")
			continue
		case back <= s.first:
			x.add(field+".return_date", "must be after first_date: the day of return is the first day back")
			continue
		case back > today+maxAhead:
			x.add(field+".return_date", "is more than a year ahead; leave it out while the person is away")
			continue
		}
		if length := int(back - s.first); p.RosteredDays != nil && int(p.GetRosteredDays()) > length {
			x.add(field+".rostered_days", "is more than the "+strconv.Itoa(length)+" days from first_date to return_date; check all three")
		}
		s.back = back
		good = append(good, s)
	}
	slices.SortStableFunc(good, func(a, b span) int { return int(a.first - b.first) })
	for k := 1; k < len(good); k++ {
		a, b := good[k-1], good[k]
		switch {
		case a.open:
			x.add(index(at, b.i)+".first_date", "comes after a period without a day of return, which began "+a.first.String()+
				"; give that one its return_date first")
		case b.first < a.back:
			x.add(index(at, b.i)+".first_date", "overlaps the period from "+a.first.String()+" to "+a.back.String()+
				"; the later one must begin on or after that return")
		}
	}
}
