package harm

import (
	pb "fairlead/proto/gen/fairlead/v1"
)

// Outcome returns the class in which a harm stands: the last entry of its
// history, or worse where its absences say so. A full day or shift away after
// the day of the event makes a lost-time case (AS 1885.1), whenever the absence
// began; a day on restricted duties makes a restricted-work case. A harm that
// says nothing stands in no class.
//
// Treatment alone decides nothing: a visit to a doctor may be for observation
// or first aid only, so medical treatment is recorded as an outcome by whoever
// knows.
//
// event is the day of the event, or NoDay.
func Outcome(h *pb.Harm, event Day) pb.OutcomeClass {
	worst := pb.OutcomeClass_OUTCOME_CLASS_UNSPECIFIED
	if n := len(h.GetOutcomeHistory()); n > 0 {
		worst = h.GetOutcomeHistory()[n-1].GetOutcome()
	}
	if lost(h.GetRestrictions(), event) {
		worst = max(worst, pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK)
	}
	if lost(h.GetAbsences(), event) {
		worst = max(worst, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME)
	}
	return worst
}

// lost reports whether one of the periods holds a day after the event. A period
// in which the roster had no day or shift loses none.
func lost(periods []*pb.Absence, event Day) bool {
	for _, s := range spans(periods, event, lastDay) {
		if s.end > s.first && (!s.rostered.known || s.rostered.days > 0) {
			return true
		}
	}
	return false
}
