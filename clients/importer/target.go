package importer

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// What a mapping may set, message by message. Everything else in the contract
// is set by the service, by this package, or by a verb of its own.
var (
	reportItems = []string{"kind", "workplace", "narrative", "language_code", "occur_time", "occur_end_time",
		"occur_precision", "spot", "task_before", "done_right_away", "who_could_be_hurt", "potential", "teller_mode",
		"teller_role", "typed_by_another", "damage"}
	releaseItems = []string{"substance", "quantity", "quantity_unit", "area_square_metres", "water_reached", "steps_taken"}
	harmItems    = []string{"person", "employment_group", "age_band", "description", "illness", "treatment", "death_date"}
	absenceItems = []string{"first_date", "return_date", "rostered_days"}
	facetItems   = []string{"nature", "bodily_location", "mechanism", "breakdown_agency", "agency"}
)

// descriptors of the messages that a mapping fills.
var (
	reportDesc  = (&pb.Report{}).ProtoReflect().Descriptor()
	releaseDesc = (&pb.Release{}).ProtoReflect().Descriptor()
	harmDesc    = (&pb.Harm{}).ProtoReflect().Descriptor()
	absenceDesc = (&pb.Absence{}).ProtoReflect().Descriptor()
	codingDesc  = (&pb.Coding{}).ProtoReflect().Descriptor()
	originDesc  = (&pb.Origin{}).ProtoReflect().Descriptor()
	outcomeDesc = (&pb.OutcomeChange{}).ProtoReflect().Descriptor()
)

// answerable reports whether an item may be "not known": plain booleans are
// not asked of anyone.
func answerable(fd protoreflect.FieldDescriptor) bool {
	return fd.Kind() != protoreflect.BoolKind && fd.Name() != "teller_mode"
}

// isDate reports whether a field holds a day as text.
func isDate(fd protoreflect.FieldDescriptor) bool {
	return fd.Kind() == protoreflect.StringKind && strings.HasSuffix(string(fd.Name()), "_date")
}

// isTime reports whether a field holds an instant.
func isTime(fd protoreflect.FieldDescriptor) bool {
	return fd.Kind() == protoreflect.MessageKind && fd.Message().FullName() == "google.protobuf.Timestamp"
}

// clock is what is needed to read a date.
type clock struct {
	layout layout
	zone   *time.Location // nil where only a day is wanted
}

// set puts the words of a cell into a field. problem says what is wrong with
// them and what to write instead; it never repeats them.
func set(m protoreflect.Message, fd protoreflect.FieldDescriptor, text string, c clock) (problem string) {
	v, problem := value(fd, text, c)
	if problem == "" {
		m.Set(fd, v)
	}
	return problem
}

func value(fd protoreflect.FieldDescriptor, text string, c clock) (v protoreflect.Value, problem string) {
	switch {
	case isTime(fd):
		t, problem := c.layout.read(text, c.zone)
		return protoreflect.ValueOfMessage(timestamppb.New(t).ProtoReflect()), problem
	case isDate(fd):
		t, problem := c.layout.read(text, time.UTC)
		return protoreflect.ValueOfString(t.Format(time.DateOnly)), problem
	case fd.Kind() == protoreflect.EnumKind:
		n, err := words.ParseNumber(fd.Enum(), text)
		if err != nil {
			return v, "is none of " + strings.Join(choices(fd), ", ") + "; give it a line under values in the mapping"
		}
		return protoreflect.ValueOfEnum(n), ""
	case fd.Kind() == protoreflect.BoolKind:
		b, ok := yesNo(text)
		if !ok {
			return v, "is neither yes nor no; give it a line under values in the mapping"
		}
		return protoreflect.ValueOfBool(b), ""
	case fd.Kind() == protoreflect.DoubleKind:
		f, ok := number(text)
		if !ok {
			return v, "is not a plain number; write digits with a decimal point and nothing else"
		}
		return protoreflect.ValueOfFloat64(f), ""
	case fd.Kind() == protoreflect.Int32Kind:
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil {
			return v, "is not a whole number; write digits and nothing else"
		}
		return protoreflect.ValueOfInt32(int32(n)), ""
	case fd.Kind() == protoreflect.StringKind:
		switch fd.Name() {
		case "workplace":
			text = words.Workplace(text)
		case "person":
			text = words.Person(text)
		}
		return protoreflect.ValueOfString(text), tooLong(fd, text)
	}
	return v, "cannot be set from a table"
}

// tooLong says by how much a text is too long for its field, whose limit is
// read from the contract.
func tooLong(fd protoreflect.FieldDescriptor, text string) string {
	limit := limitOf(fd)
	if n := utf8.RuneCountInString(text); limit > 0 && n > limit {
		return fmt.Sprintf("has %d characters, and %d fit; shorten it in the source, or split the record in two", n, limit)
	}
	return ""
}

func limitOf(fd protoreflect.FieldDescriptor) int {
	return int(rules(fd).GetString().GetMaxLen())
}

func rules(fd protoreflect.FieldDescriptor) *validate.FieldRules {
	r, _ := proto.GetExtension(fd.Options(), validate.E_Field).(*validate.FieldRules)
	return r
}

func choices(fd protoreflect.FieldDescriptor) []string {
	_, err := words.ParseNumber(fd.Enum(), "")
	unknown, _ := err.(*words.UnknownError)
	return unknown.Choices
}

func yesNo(text string) (b, ok bool) {
	switch strings.ToLower(text) {
	case "yes", "y", "true", "1":
		return true, true
	case "no", "n", "false", "0":
		return false, true
	}
	return false, false
}

// number reads digits with an optional sign and decimal point.
func number(text string) (float64, bool) {
	if strings.Trim(text, "+-.0123456789") != "" {
		return 0, false
	}
	f, err := strconv.ParseFloat(text, 64)
	return f, err == nil && !math.IsInf(f, 0)
}
