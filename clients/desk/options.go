package desk

import (
	"slices"
	"strconv"
	"strings"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// option is one answer of a list: what the form sends and what people read.
type option struct{ Slug, Words string }

// options are the lists of answers that more than one form offers, by name.
var options = map[string][]option{
	"kind": {{"hazard", "hazard"}, {"near-miss", "near miss"}, {"injury-or-illness", "injury or illness"}, {"damage", "damage"},
		{"release", "spill or release"}, {"not-sure", "not sure yet"}},
	"potential": {{"fatal", "death"}, {"life-changing", "lasting injury"}, {"serious", "time off work"}, {"minor", "first aid at most"}},
	"outcome": {{"no-injury", "no injury"}, {"first-aid", "first aid"}, {"medical-treatment", "medical treatment"}, {"restricted-work", "restricted work"},
		{"lost-time", "lost time"}, {"permanent-incapacity", "permanent incapacity"}, {"death", "death"}},
	"group":     {{"employee", "employee"}, {"labour-hire", "labour hire"}, {"contractor", "contractor"}, {"volunteer", "volunteer"}, {"public", "member of the public"}},
	"treatment": {{"none", "none"}, {"first-aid", "first aid"}, {"medical", "a doctor or clinic"}, {"in-patient", "kept in hospital"}},
	"water":     {{"no", "no"}, {"drain", "a drain"}, {"water", "a creek, lake or the sea"}},
	"facet": {{"mechanism", "what happened to the person"}, {"breakdown-agency", "where it began to go wrong"}, {"agency", "what did the harm"},
		{"nature", "the injury or disease"}, {"bodily-location", "the part of the body"}},
	"dimension": {{"kind", "kind of report"}, {"workplace", "workplace"}, {"month", "month"}, {"year", "year"}, {"mechanism", "mechanism"},
		{"breakdown-agency", "breakdown agency"}, {"agency", "agency of injury"}, {"nature", "nature of injury"}, {"bodily-location", "bodily location"},
		{"outcome", "outcome"}, {"potential", "worst credible outcome"}, {"employment-group", "employment group"}, {"dataset", "data set"}},
	"convention": {{"as-1885-1", "AS 1885.1"}, {"us", "29 CFR 1904 (US)"}, {"ilo", "ILO"}, {"wa-mining", "WA mining"}, {"uk", "UK"}, {"iogp", "IOGP"},
		{"ansi-z16", "ANSI Z16.1 (history)"}},
	"level": {{"1", "in groups"}, {"2", "finer"}, {"3", "finest"}},
	"cause": {{"mechanism", "mechanism"}, {"breakdown-agency", "breakdown agency"}, {"agency", "agency of injury"}, {"nature", "nature of injury"},
		{"bodily-location", "bodily location"}, {"workplace", "workplace"}},
	"pile": {{"kind", "kind of report"}, {"mechanism", "mechanism"}, {"breakdown-agency", "breakdown agency"}, {"agency", "agency of injury"}, {"nature", "nature of injury"},
		{"bodily-location", "bodily location"}, {"outcome", "outcome"}, {"potential", "worst credible outcome"}},
	"keepstart": {{"event", "the event"}, {"receipt", "receipt"}, {"last-change", "the last change"}},
	"keepstep": {{"keep", "nothing before it is over: kept whole"}, {"tellers", "who told is taken out"},
		{"identities", "who told and who was hurt are taken out"}, {"words", "words, photos and names are taken out"}},
	"stage": {{"made-safe", "made safe for now"}, {"in-hand", "somebody is working on it"}, {"decided", "decided what will be done"}, {"done", "done"},
		{"nothing-done", "nothing will be done"}},
	"placelevel": {{"organisation", "the organisation"}, {"site", "a site"}, {"area", "an area"}, {"crew", "a crew"}},
	"role": {{"worker", "reports what happens"}, {"supervisor", "supervises"}, {"representative", "represents a work group"}, {"adviser", "advises on safety"},
		{"committee", "sits on the safety committee"}, {"officer", "is an officer of the business"}, {"auditor", "audits"}, {"administrator", "looks after access"},
		{"integration", "is a program"}},
	"basis": {{"all-places", "all places"}, {"report-mix", "what else the place told"}, {"own-past", "its own past"}},
}

// verbs are the entries of a history in words.
var verbs = map[string]string{
	"file": "filed", "import": "brought in", "amend": "amended", "void": "taken out of the figures", "attach": "photo or sound added", "detach": "photo or sound removed", "add-harm": "person hurt added",
	"record-outcome": "outcome recorded", "record-absence": "time away recorded", "code": "coded", "open-teller": "who told was looked at", "close": "the name closed to its keepers", "share": "the name shared with all keepers",
	"ask": "who told was asked", "tell": "who told was told", "answer": "who told wrote", "acknowledge": "who told has read a message",
	"erase": "something was taken out for good",
}

func verbWords(verb string) string {
	if w, ok := verbs[verb]; ok {
		return w
	}
	return strings.ReplaceAll(verb, "-", " ")
}

// fieldNames are the items of a report in words, by their names in the
// contract. What is not listed is read as it is called there.
var fieldNames = map[string]string{
	"workplace": "where", "narrative": "what happened", "language_code": "language", "occur_time": "when", "occur_end_time": "until when",
	"occur_precision": "how well the time is known", "attachments": "photos and sound", "spot": "exact spot", "task_before": "just before", "done_right_away": "done right away",
	"who_could_be_hurt": "who could have been hurt", "potential": "worst credible outcome", "teller_mode": "who may know who told",
	"teller_role": "role of who told", "typed_by_another": "typed by another", "links": "links to other reports", "state": "state", "void_reason": "why it was voided",
	"answers": "what is not known", "teller": "who told", "outcome_history": "outcome", "absences": "time away", "restrictions": "restricted duties",
	"employment_group": "works here as", "death_date": "date of death", "quantity_unit": "unit", "water_reached": "water reached", "steps_taken": "steps taken",
}

// fieldWords says which items a change touched, each once.
func fieldWords(r *pb.Report, fields []string) string {
	var out []string
	for _, f := range fields {
		w := ""
		switch parts := strings.Split(f, "."); {
		case parts[0] == "codings":
			w = "codes"
			if len(parts) > 1 && len(r.GetHarms()) > 1 {
				w += " of " + personWords(r, parts[1])
			}
		case parts[0] == "harms" && len(parts) == 2:
			w = personWords(r, parts[1])
		case parts[0] == "harms" && len(parts) > 2:
			w = nameOf(parts[2])
			if len(r.GetHarms()) > 1 {
				w += " of " + personWords(r, parts[1])
			}
		default:
			w = nameOf(parts[len(parts)-1])
		}
		if !slices.Contains(out, w) {
			out = append(out, w)
		}
	}
	return strings.Join(out, ", ")
}

func nameOf(field string) string {
	if w, ok := fieldNames[field]; ok {
		return w
	}
	return strings.ReplaceAll(field, "_", " ")
}

// personWords calls somebody hurt by their place in the report: "person 2".
func personWords(r *pb.Report, harmID string) string {
	for i, h := range r.GetHarms() {
		if h.GetHarmId() == harmID {
			if len(r.GetHarms()) == 1 {
				return "the person hurt"
			}
			return "person " + strconv.Itoa(i+1)
		}
	}
	return "the report"
}

// outcomesWords sums up what came of a report for the persons hurt: "lost time,
// first aid (2)".
func outcomesWords(harms []*pb.Harm) []string {
	n := map[pb.OutcomeClass]int{}
	for _, h := range harms {
		n[h.GetOutcome()]++
	}
	var out []string
	for o := pb.OutcomeClass_OUTCOME_CLASS_DEATH; o >= 0; o-- {
		if n[o] == 0 {
			continue
		}
		w := words.Of(o)
		if o == 0 {
			w = "outcome not known"
		}
		if n[o] > 1 {
			w += " (" + strconv.Itoa(n[o]) + ")"
		}
		out = append(out, w)
	}
	return out
}
