package intake

import (
	pb "fairlead/proto/gen/fairlead/v1"
)

// What a filing is told. These are cautions in general words: the law in force
// and the regulator decide, and no note ever clears anyone of a duty.
const (
	noteNotACall = "This is not an emergency call. If someone needs help now, ring for help."

	noteNotify = "This may have to be notified to the regulator now, by the fastest way there is. " +
		"The law in force and the regulator decide. If unsure, ring them."
	noteScene = "Leave the scene as it is, except to help someone, to see to a body, to make it safe, " +
		"or when police or the regulator say so."
	noteCouldHave = "This could have killed someone or left lasting harm. Some dangerous incidents must be notified at once " +
		"even when nobody is hurt. Tell the adviser now; if unsure, ring the regulator."
	noteDanger = "This could kill someone or leave lasting harm. Keep people away, or stop the work, " +
		"until somebody competent has looked."
	noteInjury = "Some injuries must be notified at once, such as loss of a body part, electric shock, " +
		"or serious head, eye, spine or burn injuries. If it may be one of these, or gets worse, tell the adviser now; if unsure, ring the regulator."
	noteWater = "A release to a drain or to water may have to be notified to the environment regulator at once. " +
		"If unsure, ring them."
	noteRelease = "Some releases must be notified to the environment regulator. If unsure, ring them."

	noteHarmsAside   = "Somebody hurt is named here, but the kind says otherwise. It is kept as told; the adviser will ask."
	noteNobodyNamed  = "Nobody hurt is described yet. Whoever looks into it can add who was hurt, and how."
	noteNoSubstance  = "What got out is not described yet. Add what, how much and where it went when you know."
	noteStillUnknown = "The day it happened is not known yet. It is counted on the day it was received until someone gives it."
)

// notes returns what to tell whoever filed a report. It depends on the report
// alone, so that a replay is told the same.
func notes(r *pb.Report) []string {
	var out []string
	worst := pb.OutcomeClass_OUTCOME_CLASS_UNSPECIFIED
	inPatient := false
	for _, h := range r.GetHarms() {
		worst = max(worst, h.GetOutcome())
		inPatient = inPatient || h.GetTreatment() == pb.Treatment_TREATMENT_IN_PATIENT
	}
	grave := r.GetPotential() >= pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING
	hazard := r.GetKind() == pb.ReportKind_REPORT_KIND_HAZARD
	injury := len(r.GetHarms()) > 0 || r.GetKind() == pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS
	switch {
	case inPatient || worst >= pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY:
		out = append(out, noteNotify, noteScene)
	case grave && hazard:
		out = append(out, noteDanger)
	case grave:
		out = append(out, noteCouldHave, noteScene)
	case injury:
		out = append(out, noteInjury)
	}
	switch water := r.GetRelease().GetWaterReached(); {
	case water == pb.WaterReached_WATER_REACHED_DRAIN || water == pb.WaterReached_WATER_REACHED_WATER:
		out = append(out, noteWater)
	case r.GetRelease() != nil || r.GetKind() == pb.ReportKind_REPORT_KIND_RELEASE:
		out = append(out, noteRelease)
	}
	switch kind := r.GetKind(); {
	case len(r.GetHarms()) > 0 && (hazard || kind == pb.ReportKind_REPORT_KIND_NEAR_MISS):
		out = append(out, noteHarmsAside)
	case len(r.GetHarms()) == 0 && kind == pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS:
		out = append(out, noteNobodyNamed)
	case r.GetRelease() == nil && kind == pb.ReportKind_REPORT_KIND_RELEASE:
		out = append(out, noteNoSubstance)
	}
	if r.GetOccurTime() == nil && !hazard {
		out = append(out, noteStillUnknown)
	}
	return append(out, noteNotACall)
}
