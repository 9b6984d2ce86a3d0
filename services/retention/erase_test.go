package retention_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

func protoName(s string) protoreflect.Name { return protoreflect.Name(s) }

func TestErasePerson(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.person("people/p-0190a1b", "Somebody Else") // an id that begins alike
	hurt := w.file(40, "fell off the chipper", person, nil)
	told := w.file(30, "a branch came down", "people/p-0190a1b", &pb.Teller{DisplayName: name, Contact: contact, Person: person})
	other := w.file(20, "slipped", "people/p-0190a1b", &pb.Teller{DisplayName: "Somebody Else"})
	w.amend(hurt.GetName(), "fell off the chipper while feeding it")
	spoken := w.file(15, "cut a strap that "+strings.ToUpper(strings.Fields(name)[0])+" had left", "people/p-0190a1b", nil)
	w.amend(spoken.GetName(), "cut a strap that somebody had left")
	// Named in an earlier version only.
	once := w.file(10, "cut a finger", person, nil)
	_, err := w.reports.UpdateReport(w.adviser(), &pb.UpdateReportRequest{Reason: "it was another", Report: &pb.Report{Name: once.GetName(), Etag: once.GetEtag(),
		Harms: []*pb.Harm{{HarmId: "h1", Person: "people/p-0190a1b"}}}})
	require.NoError(t, err)
	_, err = w.reports.GetTeller(w.adviser(), &pb.GetTellerRequest{Name: told.GetName() + "/teller", Reason: "Marigold must be rung about the rope"})
	require.NoError(t, err)
	w.code(hurt.GetName())
	before, at := w.figures(nil), w.Head()
	then := w.figures(&pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: at}})

	ask := &pb.ErasePersonRequest{Name: person, Reason: "left, and asked to be forgotten", RequestId: uuid.NewString(), ValidateOnly: true}
	found, err := w.keep.ErasePerson(w.adviser(), ask)
	require.NoError(t, err)
	require.ElementsMatch(t, []string{hurt.GetName(), told.GetName(), once.GetName(), spoken.GetName()}, found.GetReportsToRead(), "also where only the words of an earlier version say the name")
	require.Equal(t, at, w.Head(), "looking writes nothing")
	require.Len(t, found.GetErased(), 4, "the person, a teller, two reports")

	ask.ValidateOnly = false
	done, err := w.keep.ErasePerson(w.adviser(), ask)
	require.NoError(t, err)
	require.Contains(t, done.GetNotes()[0], "2 reports as somebody hurt, and of 1 as who told")
	again, err := w.keep.ErasePerson(w.adviser(), ask)
	require.NoError(t, err)
	require.True(t, proto.Equal(done, again))

	gone, err := w.places.GetPerson(w.As("administrator"), &pb.GetPersonRequest{Name: person})
	require.NoError(t, err)
	require.Equal(t, "erased", gone.GetDisplayName())
	require.Equal(t, "workplaces/brindle-range", gone.GetWorkplace())
	require.Empty(t, gone.GetOccupation())
	people, err := w.places.ListPeople(w.As("administrator"), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	require.Len(t, people.GetPeople(), 1)
	teller, err := w.reports.GetTeller(w.adviser(), &pb.GetTellerRequest{Name: told.GetName() + "/teller", Reason: "is anything left of it"})
	require.NoError(t, err)
	require.Equal(t, "erased", teller.GetDisplayName())
	require.Empty(t, teller.GetContact()+teller.GetPerson())
	for _, r := range []*pb.Report{hurt, once} {
		for _, h := range w.now(r.GetName()).GetHarms() {
			require.NotEqual(t, person, h.GetPerson())
		}
	}
	require.Equal(t, "people/p-0190a1b", w.now(once.GetName()).GetHarms()[0].GetPerson())
	require.Equal(t, "people/p-0190a1b", w.now(other.GetName()).GetHarms()[0].GetPerson())

	// What was said, and when it was amended, is still known.
	first, err := w.reports.GetReport(w.adviser(), &pb.GetReportRequest{Name: hurt.GetName(), AsAt: &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: at - 8}}})
	require.NoError(t, err)
	require.Equal(t, "fell off the chipper", first.GetNarrative())
	require.Empty(t, first.GetHarms()[0].GetPerson())
	history, err := w.reports.ListReportHistory(w.adviser(), &pb.ListReportHistoryRequest{Name: hurt.GetName()})
	require.NoError(t, err)
	var verbs []string
	for _, e := range history.GetEntries() {
		verbs = append(verbs, e.GetVerb())
	}
	require.Equal(t, []string{"file", "amend", "code", "erase"}, verbs)
	require.Equal(t, []string{"narrative"}, history.GetEntries()[1].GetChangedFields())
	require.Contains(t, history.GetEntries()[1].GetReason(), "has been erased")

	require.Equal(t, before, w.figures(nil), "no figure changes")
	require.Equal(t, then, w.figures(&pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: at}}), "as at a moment before neither")

	// Nobody can be named any more who is erased.
	_, err = w.reports.FileReport(w.As("worker"), &pb.FileReportRequest{Report: &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_HAZARD,
		Workplace: "workplaces/northside", Narrative: "x"}, Teller: &pb.Teller{Person: person}})
	refused(t, err, codes.InvalidArgument, "teller.person")

	w.nowhere(name, contact, "Marigold")
	w.sound()
	w = start(t, w.Data, w.clock)
	require.Equal(t, before, w.figures(nil), "rebuilt from the log neither")
}

func TestEraseTeller(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r := w.file(30, "a branch came down", "", &pb.Teller{DisplayName: name, Contact: contact})
	teller := r.GetName() + "/teller"
	_, err := w.reports.GetTeller(w.adviser(), &pb.GetTellerRequest{Name: teller, Reason: "Marigold must be rung about the rope"})
	require.NoError(t, err)
	found, err := w.keep.EraseTeller(w.adviser(), &pb.EraseTellerRequest{Name: teller, Reason: "asked", ValidateOnly: true})
	require.NoError(t, err)
	require.Len(t, found.GetErased(), 1)
	_, err = w.keep.EraseTeller(w.adviser(), &pb.EraseTellerRequest{Name: teller, Reason: "asked"})
	require.NoError(t, err)
	_, err = w.keep.EraseTeller(w.adviser(), &pb.EraseTellerRequest{Name: teller, Reason: "asked"})
	refused(t, err, codes.FailedPrecondition, "erased already")
	require.Equal(t, "a branch came down", w.now(r.GetName()).GetNarrative())
	w.nowhere(name, contact, "Marigold")
	w.sound()
}

func TestEraseReportText(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r := w.file(30, older+" gave way", "", nil)
	w.code(r.GetName())
	w.amend(r.GetName(), secret+" gave way")
	require.EqualValues(t, 1, w.finds(secret))
	require.NotEmpty(t, where(t, w.Data, secret), "what is looked for can be found")
	require.NotEmpty(t, where(t, w.Data, older))
	before := w.figures(nil)
	_, err := w.keep.EraseReportText(w.adviser(), &pb.EraseReportTextRequest{Name: r.GetName(), Etag: w.now(r.GetName()).GetEtag(), Reason: "it named somebody",
		Texts: []*pb.TextInstead{{Field: "narrative", Text: "Something gave way."}, {Field: "harms.h1.description"}, {Field: "codings.h1.note"}}})
	require.NoError(t, err)
	now := w.now(r.GetName())
	require.Equal(t, "Something gave way.", now.GetNarrative())
	require.Equal(t, "old mill lane", now.GetSpot(), "other words stay")
	require.Empty(t, now.GetHarms()[0].GetDescription())
	require.Equal(t, pb.RemovedPart_REMOVED_PART_SOME_WORDS, now.GetRemovals()[0].GetPart())
	require.Zero(t, w.finds(secret))
	require.Zero(t, w.finds(older))
	require.EqualValues(t, 1, w.finds("something"))
	codings, err := w.codes.ListCodings(w.adviser(), &pb.ListCodingsRequest{Parent: r.GetName()})
	require.NoError(t, err)
	require.Equal(t, "169", codings.GetCodings()[0].GetNature())
	require.Empty(t, codings.GetCodings()[0].GetNote())
	require.Equal(t, before, w.figures(nil))
	w.nowhere(secret, older)

	// Twice: what remained of the first time is taken further.
	_, err = w.keep.EraseReportText(w.adviser(), &pb.EraseReportTextRequest{Name: r.GetName(), Etag: now.GetEtag(), Reason: "and where",
		Texts: []*pb.TextInstead{{Field: "spot", Text: "a lane"}}})
	require.NoError(t, err)
	w.nowhere("old mill lane")
	first, err := w.reports.GetReport(w.adviser(), &pb.GetReportRequest{Name: r.GetName(), AsAt: &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: 6}}})
	require.NoError(t, err)
	require.Equal(t, "a lane", first.GetSpot())
	require.Equal(t, "Something gave way.", first.GetNarrative())
	w.sound()
}
