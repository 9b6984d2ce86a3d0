package answers_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/answers"
)

const (
	known    = pb.AnswerState_ANSWER_STATE_KNOWN
	notKnown = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	notApply = pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY
	notAsked = pb.AnswerState_ANSWER_STATE_NOT_ASKED
)

func Example() {
	r := &pb.Report{
		Kind:    pb.ReportKind_REPORT_KIND_NEAR_MISS,
		Answers: map[string]pb.AnswerState{"occur_time": notKnown, "damage": notApply},
	}
	for _, item := range []string{"kind", "occur_time", "damage", "spot"} {
		fmt.Println(item, answers.State(r, item))
	}
	// Output:
	// kind ANSWER_STATE_KNOWN
	// occur_time ANSWER_STATE_NOT_KNOWN
	// damage ANSWER_STATE_DOES_NOT_APPLY
	// spot ANSWER_STATE_NOT_ASKED
}

func TestItemsAreFields(t *testing.T) {
	t.Parallel()
	for _, m := range []proto.Message{&pb.Report{}, &pb.Harm{}, &pb.Release{}, &pb.Coding{}} {
		require.NotEmpty(t, answers.Items(m))
		for _, item := range answers.Items(m) {
			fd := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(item))
			require.NotNil(t, fd, item)
			require.NotEqual(t, protoreflect.BoolKind, fd.Kind(), "%s: a boolean always has a value", item)
		}
	}
	require.Nil(t, answers.Items(&pb.Teller{}))
	require.Equal(t, notAsked, answers.State(&pb.Teller{}, "contact"))
}

func TestState(t *testing.T) {
	t.Parallel()
	zero := 0.0
	for name, c := range map[string]struct {
		m    proto.Message
		item string
		want pb.AnswerState
	}{
		"nothing said":               {&pb.Report{}, "spot", notAsked},
		"not known":                  {&pb.Report{Answers: map[string]pb.AnswerState{"spot": notKnown}}, "spot", notKnown},
		"value wins over the map":    {&pb.Report{Spot: "bay 3", Answers: map[string]pb.AnswerState{"spot": notKnown}}, "spot", known},
		"unspecified reads as asked": {&pb.Report{Answers: map[string]pb.AnswerState{"spot": 0}}, "spot", notAsked},
		"known without a value":      {&pb.Report{Answers: map[string]pb.AnswerState{"spot": known}}, "spot", notAsked},
		"no such item":               {&pb.Report{Answers: map[string]pb.AnswerState{"etag": notKnown}}, "etag", notAsked},
		"nil":                        {(*pb.Report)(nil), "spot", notAsked},
		"time of zero is a time":     {&pb.Report{OccurTime: &timestamppb.Timestamp{}}, "occur_time", known},
		"empty release says nothing": {&pb.Report{Release: &pb.Release{}}, "release", notAsked},
		"zero litres is a quantity":  {&pb.Release{Quantity: &zero}, "quantity", known},
		"outcome by history": {&pb.Harm{OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID}}},
			"outcome", known},
		"outcome by the history's name": {&pb.Harm{Answers: map[string]pb.AnswerState{"outcome": notKnown}}, "outcome_history", notKnown},
		"coding":                        {&pb.Coding{Answers: map[string]pb.AnswerState{"nature": notApply}}, "nature", notApply},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, answers.State(c.m, c.item))
		})
	}
}

func TestCheck(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		m     proto.Message
		field string
	}{
		"fine": {&pb.Report{Spot: "bay 3", Answers: map[string]pb.AnswerState{"damage": notApply, "spot": known, "potential": notAsked}}, ""},
		"value and not known": {&pb.Report{Spot: "bay 3", Answers: map[string]pb.AnswerState{"spot": notKnown}},
			"report.answers.spot"},
		"value and not asked": {&pb.Report{Spot: "bay 3", Answers: map[string]pb.AnswerState{"spot": notAsked}},
			"report.answers.spot"},
		"known without value": {&pb.Report{Answers: map[string]pb.AnswerState{"spot": known}}, "report.answers.spot"},
		"unknown item":        {&pb.Report{Answers: map[string]pb.AnswerState{"weather": notKnown}}, "report.answers.weather"},
		"the house's own":     {&pb.Report{Answers: map[string]pb.AnswerState{"etag": notKnown}}, "report.answers.etag"},
		"two names, two states": {&pb.Harm{Answers: map[string]pb.AnswerState{"outcome": notKnown, "outcome_history": notApply}},
			"report.answers.outcome_history"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			vs := answers.Check(c.m, "report")
			if c.field == "" {
				require.Empty(t, vs)
				return
			}
			require.Len(t, vs, 1)
			require.Equal(t, c.field, vs[0].Field)
			require.NotEmpty(t, vs[0].Description)
		})
	}
	require.Equal(t, "answers.nosuch", answers.Check(&pb.Harm{Answers: map[string]pb.AnswerState{"nosuch": notKnown}}, "")[0].Field)
}

// TestNormaliseChangesNoState holds what matters: what is kept says the same of
// every item as what was sent.
func TestNormaliseChangesNoState(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := &pb.Report{Answers: map[string]pb.AnswerState{}}
		if rapid.Bool().Draw(t, "spot") {
			r.Spot = "bay 3"
		}
		if rapid.Bool().Draw(t, "potential") {
			r.Potential = pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL
		}
		for _, item := range append(answers.Items(r), "nonsense") {
			if rapid.Bool().Draw(t, item) {
				r.Answers[item] = pb.AnswerState(rapid.IntRange(0, 4).Draw(t, "state"))
			}
		}
		before := proto.Clone(r)
		answers.Normalise(r)
		for _, item := range answers.Items(r) {
			if a, b := answers.State(before, item), answers.State(r, item); a != b {
				t.Fatalf("%s was %v and is %v", item, a, b)
			}
		}
		if vs := answers.Check(r, ""); len(vs) > 0 {
			t.Fatalf("what was normalised does not pass: %v", vs)
		}
		once := proto.Clone(r)
		answers.Normalise(r)
		if !proto.Equal(once, r) {
			t.Fatal("normalising twice differs from once")
		}
	})
}

func TestNormaliseRenames(t *testing.T) {
	t.Parallel()
	h := &pb.Harm{Answers: map[string]pb.AnswerState{"outcome_history": notKnown}}
	answers.Normalise(h)
	require.Equal(t, map[string]pb.AnswerState{"outcome": notKnown}, h.Answers)
	answers.Normalise((*pb.Harm)(nil))
}
