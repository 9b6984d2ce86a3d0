package answers

import (
	"slices"
	"sort"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// Short names of the states.
const (
	known        = pb.AnswerState_ANSWER_STATE_KNOWN
	notKnown     = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	doesNotApply = pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY
	notAsked     = pb.AnswerState_ANSWER_STATE_NOT_ASKED
)

// items lists what is asked, message by message, in the order of the contract.
// Fields that the house sets, plain booleans and references that only the
// house makes are not asked of anyone.
var items = map[protoreflect.Name][]string{
	"Report": {"kind", "workplace", "narrative", "language_code", "occur_time", "occur_end_time", "occur_precision",
		"spot", "task_before", "done_right_away", "who_could_be_hurt", "potential", "teller_role", "harms", "release",
		"damage", "links"},
	"Harm": {"person", "employment_group", "age_band", "description", "treatment", "outcome", "absences", "restrictions",
		"death_date"},
	"Release": {"substance", "quantity", "quantity_unit", "area_square_metres", "water_reached", "steps_taken"},
	"Coding":  {"nature", "bodily_location", "mechanism", "breakdown_agency", "agency"},
}

// aliases are names by which an item may also be called: whoever fills in a
// harm writes its outcome into outcome_history.
var aliases = map[protoreflect.Name]map[string]string{
	"Harm": {"outcome_history": "outcome"},
}

// Items returns the names of the items of a message that can be asked, in the
// order of the contract; nil for a message that keeps no states.
func Items(m proto.Message) []string {
	return slices.Clone(items[m.ProtoReflect().Descriptor().Name()])
}

// State returns the state of one item. A name that is no item is not asked.
func State(m proto.Message, item string) pb.AnswerState {
	item = canonical(m, item)
	if !isItem(m, item) {
		return notAsked
	}
	if Has(m, item) {
		return known
	}
	switch s := stated(m)[item]; s {
	case notKnown, doesNotApply:
		return s
	}
	return notAsked
}

// Has reports whether an item has a value. An unspecified enum value, an empty
// text, list or message is none.
func Has(m proto.Message, item string) bool {
	item = canonical(m, item)
	r := m.ProtoReflect()
	fd := r.Descriptor().Fields().ByName(protoreflect.Name(item))
	if fd == nil || !r.IsValid() {
		return false
	}
	if h, ok := m.(*pb.Harm); ok && item == "outcome" && len(h.GetOutcomeHistory()) > 0 {
		return true
	}
	if !r.Has(fd) {
		return false
	}
	if fd.Message() != nil && !fd.IsList() && !fd.IsMap() {
		// A time of zero is a time; another message without a field set says
		// nothing.
		return strings.HasPrefix(string(fd.Message().FullName()), "google.protobuf.") ||
			proto.Size(r.Get(fd).Message().Interface()) > 0
	}
	return true
}

// Check returns what is wrong with the states that a message gives: names that
// are no items, a value beside a state that denies it, and a state that
// promises a value which is not there. path is put before the field names, for
// example "report.harms[0]"; empty for none.
func Check(m proto.Message, path string) []fault.Violation {
	var vs []fault.Violation
	if path != "" {
		path += "."
	}
	given := stated(m)
	keys := make([]string, 0, len(given))
	for k := range given {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, key := range keys {
		item, state := canonical(m, key), given[key]
		field := path + "answers." + key
		switch {
		case !isItem(m, item):
			vs = append(vs, fault.Violation{Field: field, Description: "is not an item of " +
				string(m.ProtoReflect().Descriptor().Name()) + "; items are " + strings.Join(Items(m), ", ")})
		case Has(m, item) && (state == notKnown || state == doesNotApply || state == notAsked):
			vs = append(vs, fault.Violation{Field: field,
				Description: "says there is no answer, but " + item + " has a value; leave out one of the two"})
		case !Has(m, item) && state == known:
			vs = append(vs, fault.Violation{Field: field,
				Description: "says the answer is known, but " + item + " has no value; give it, or say NOT_KNOWN"})
		case item != key && given[item] != state && hasKey(given, item):
			vs = append(vs, fault.Violation{Field: field,
				Description: "is the same item as " + item + " and says something else; give one of the two"})
		}
	}
	return vs
}

// Normalise leaves in the map only what it adds: items without a value that are
// not known or do not apply. Call it after Check found nothing, or after an
// amendment gave values to items that had none.
func Normalise(m proto.Message) {
	given := stated(m)
	for key, state := range given {
		item := canonical(m, key)
		if Has(m, item) || !isItem(m, item) || (state != notKnown && state != doesNotApply) {
			delete(given, key)
			continue
		}
		if item != key {
			delete(given, key)
			given[item] = state
		}
	}
	if len(given) == 0 {
		dropEmpty(m)
	}
}

// stated returns the map of a message itself, not a copy.
func stated(m proto.Message) map[string]pb.AnswerState {
	switch m := m.(type) {
	case *pb.Report:
		return m.GetAnswers()
	case *pb.Harm:
		return m.GetAnswers()
	case *pb.Release:
		return m.GetAnswers()
	case *pb.Coding:
		return m.GetAnswers()
	}
	return nil
}

// dropEmpty drops an empty map, so that a message with none encodes as one that
// never had any.
func dropEmpty(m proto.Message) {
	if !m.ProtoReflect().IsValid() {
		return
	}
	switch m := m.(type) {
	case *pb.Report:
		m.Answers = nil
	case *pb.Harm:
		m.Answers = nil
	case *pb.Release:
		m.Answers = nil
	case *pb.Coding:
		m.Answers = nil
	}
}

func canonical(m proto.Message, item string) string {
	if other, ok := aliases[m.ProtoReflect().Descriptor().Name()][item]; ok {
		return other
	}
	return item
}

func isItem(m proto.Message, item string) bool {
	return slices.Contains(items[m.ProtoReflect().Descriptor().Name()], item)
}

func hasKey(m map[string]pb.AnswerState, key string) bool { _, ok := m[key]; return ok }
