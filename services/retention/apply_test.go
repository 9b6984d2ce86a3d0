package retention_test

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	pb "fairlead/proto/gen/fairlead/v1"
)

func picture(t *testing.T) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 40, 30))
	for i := range 40 {
		m.Set(i, i%30, color.White)
	}
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

func (w *world) attach(report string) string {
	w.t.Helper()
	s, err := w.files.AddAttachment(w.adviser())
	require.NoError(w.t, err)
	require.NoError(w.t, s.Send(&pb.AddAttachmentRequest{Header: &pb.AttachmentHeader{Report: report, Caption: "shows " + secret}}))
	require.NoError(w.t, s.Send(&pb.AddAttachmentRequest{Chunk: picture(w.t)}))
	resp, err := s.CloseAndRecv()
	require.NoError(w.t, err)
	return resp.GetAttachment().GetName()
}

// TestApply takes words out and wants every figure to stay, now, as at a moment
// before, and rebuilt from the log.
func TestApply(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	old := w.file(700, older+" tipped over", person, &pb.Teller{DisplayName: name, Contact: contact})
	w.amend(old.GetName(), secret+" tipped over")
	w.code(old.GetName())
	w.attach(old.GetName())
	second := w.file(650, "another "+secret, person, nil)
	_, err := w.reports.VoidReport(w.adviser(), &pb.VoidReportRequest{Name: second.GetName(), Etag: second.GetEtag(), Reason: secret + " told twice"})
	require.NoError(t, err)
	young := w.file(100, "a young near thing", person, nil)
	before, at := w.figures(nil), w.Head()
	then := w.figures(&pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: at}})
	require.EqualValues(t, 1, w.finds(secret), "the voided one is out of sight")

	// Nothing happens before two have agreed.
	due, err := w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{})
	require.NoError(t, err)
	require.Empty(t, due.GetDue())
	w.agree(&pb.RetentionClass{Name: "retentionClasses/words", Title: "Words", Months: 12, Source: "House rule",
		Start: pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_WORDS})
	due, err = w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{})
	require.NoError(t, err)
	require.ElementsMatch(t, []string{old.GetName(), second.GetName()}, due.GetDue()[0].GetReports())
	audit, err := w.keep.PreviewRetention(w.As("auditor"), &pb.PreviewRetentionRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 2, audit.GetDue()[0].GetCount())
	require.Empty(t, audit.GetDue()[0].GetReports(), "an auditor reads counts")
	later, err := w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{Date: "2027-01-01"})
	require.NoError(t, err)
	require.EqualValues(t, 3, later.GetDue()[0].GetCount())

	// A part at a time; repeated, answered as before.
	ask := &pb.ApplyRetentionRequest{Etag: due.GetEtag(), Reason: "committee, 3 March", Limit: 1, RequestId: uuid.NewString()}
	first, err := w.keep.ApplyRetention(w.adviser(), ask)
	require.NoError(t, err)
	require.EqualValues(t, []int64{1, 1}, []int64{first.GetDone(), first.GetRemaining()})
	again, err := w.keep.ApplyRetention(w.adviser(), ask)
	require.NoError(t, err)
	require.Equal(t, first.GetSequenceNumber(), again.GetSequenceNumber())
	_, err = w.keep.ApplyRetention(w.adviser(), &pb.ApplyRetentionRequest{Etag: due.GetEtag(), Reason: "again"})
	refused(t, err, codes.Aborted, "has changed")
	rest, err := w.keep.ApplyRetention(w.adviser(), &pb.ApplyRetentionRequest{Etag: first.GetNextEtag(), Reason: "committee, 3 March"})
	require.NoError(t, err)
	require.Zero(t, rest.GetRemaining())

	require.Equal(t, before, w.figures(nil))
	require.Equal(t, then, w.figures(&pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: at}}))
	require.Zero(t, w.finds(secret))
	require.EqualValues(t, 1, w.finds("young"))
	now := w.now(old.GetName())
	require.Equal(t, "(The words of this report were taken out.)", now.GetNarrative())
	require.Empty(t, now.GetHarms()[0].GetPerson()+now.GetHarms()[0].GetDescription()+now.GetSpot())
	require.Zero(t, now.GetHarms()[0].GetAgeBand())
	require.Equal(t, "retentionClasses/words", now.GetRemovals()[0].GetRetentionClass())
	require.EqualValues(t, 3, now.GetHarms()[0].GetAbsences()[0].GetRosteredDays())
	require.Equal(t, "a young near thing", w.now(young.GetName()).GetNarrative())
	files, err := w.files.ListAttachments(w.adviser(), &pb.ListAttachmentsRequest{Parent: old.GetName()})
	require.NoError(t, err)
	for _, a := range files.GetAttachments() {
		require.NotNil(t, a.GetRemoveTime())
		require.Empty(t, a.GetCaption())
	}
	history, err := w.reports.ListReportHistory(w.adviser(), &pb.ListReportHistoryRequest{Name: old.GetName()})
	require.NoError(t, err)
	said := 0
	for _, e := range history.GetEntries() {
		if e.GetVerb() == "erase" && e.GetReason() == "committee, 3 March" {
			said++
		}
	}
	require.Equal(t, 2, said, "the history says what was done to the report and its photo, and why")
	// Somebody may still learn more about a case whose words are gone.
	_, err = w.reports.RecordOutcome(w.adviser(), &pb.RecordOutcomeRequest{Name: old.GetName(), Etag: now.GetEtag(), HarmId: "h1",
		Change: &pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY}})
	require.NoError(t, err)
	after := w.figures(nil)
	require.NotEqual(t, before, after)

	w.nowhere(secret, older, name, contact)
	w.sound()
	w = start(t, w.Data, w.clock)
	require.Equal(t, after, w.figures(nil), "rebuilt from the log")
	require.Equal(t, then, w.figures(&pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: at}}))
}

// TestYears moves the clock and wants the longest of the classes that cover a
// report to decide.
func TestYears(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	hurt := w.file(1, "a cough", person, &pb.Teller{DisplayName: name, Contact: contact})
	lasting := w.file(1, "a hand", person, nil)
	_, err := w.reports.RecordOutcome(w.adviser(), &pb.RecordOutcomeRequest{Name: lasting.GetName(), Etag: lasting.GetEtag(), HarmId: "h1",
		Change: &pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY}})
	require.NoError(t, err)
	all := []*pb.RetentionClass{
		{Name: "retentionClasses/tellers", Title: "Tellers", Months: 12, Start: pb.RetentionStart_RETENTION_START_RECEIPT, Step: pb.RetentionStep_RETENTION_STEP_TELLERS},
		{Name: "retentionClasses/five", Title: "Five", Months: 60, Start: pb.RetentionStart_RETENTION_START_RECEIPT, Step: pb.RetentionStep_RETENTION_STEP_KEEP},
		{Name: "retentionClasses/identities", Title: "Identities", Months: 36, Start: pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_IDENTITIES},
		{Name: "retentionClasses/words", Title: "Words", Months: 480, Start: pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_WORDS},
		{Name: "retentionClasses/forever", Title: "For ever", Start: pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_KEEP,
			Filter: &pb.ReportFilter{Outcomes: []pb.OutcomeClass{pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY}}},
	}
	for _, c := range all {
		c.Source = "House rule"
		w.agree(c)
	}
	on := func(date string) map[string]int64 {
		day, err := time.Parse(time.DateOnly, date)
		require.NoError(t, err)
		w.clock.Set(day.Add(3 * time.Hour))
		due, err := w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{})
		require.NoError(t, err)
		out := map[string]int64{}
		for _, d := range due.GetDue() {
			if d.GetCount() > 0 {
				out[d.GetTitle()] = d.GetCount()
			}
		}
		if len(out) > 0 {
			_, err := w.keep.ApplyRetention(w.adviser(), &pb.ApplyRetentionRequest{Etag: due.GetEtag(), Reason: "yearly"})
			require.NoError(t, err)
		}
		return out
	}
	require.Empty(t, on("2027-03-03"))
	require.Equal(t, map[string]int64{"Tellers": 1}, on("2027-03-04"), "twelve months after receipt")
	require.Empty(t, on("2031-03-03"), "five years hold back what three would take")
	require.Equal(t, map[string]int64{"Identities": 1}, on("2031-03-04"))
	require.Empty(t, on("2036-03-04"))
	require.Empty(t, on("2066-03-02"))
	require.Equal(t, map[string]int64{"Words": 1}, on("2066-03-03"), "forty years after the event, the day before receipt")
	require.Empty(t, on("2090-01-01"), "kept for ever")
	require.Equal(t, "a hand", w.now(lasting.GetName()).GetNarrative())
	require.Len(t, w.now(hurt.GetName()).GetRemovals(), 2)
}

func TestSuggestions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	list, err := w.keep.ListRetentionClasses(w.As("auditor"), &pb.ListRetentionClassesRequest{})
	require.NoError(t, err)
	require.NotEmpty(t, list.GetClasses())
	for _, c := range list.GetClasses() {
		require.True(t, c.GetSuggested())
		require.False(t, c.GetInForce(), "no suggestion does anything by itself")
		require.NotEmpty(t, c.GetSource())
		// Each is one that could be set by hand.
		c.Suggested = false
		_, err := w.keep.SetRetentionClass(w.As("administrator"), &pb.SetRetentionClassRequest{RetentionClass: c, Reason: "as suggested"})
		require.NoError(t, err, c.GetName())
	}
	c := list.GetClasses()[0]
	one, err := w.keep.AgreeRetentionClass(w.adviser(), &pb.AgreeRetentionClassRequest{Name: c.GetName(), Etag: "r1", Reason: "checked"})
	require.NoError(t, err)
	require.False(t, one.GetRetentionClass().GetInForce())
	two, err := w.keep.AgreeRetentionClass(w.As("administrator"), &pb.AgreeRetentionClassRequest{Name: c.GetName(), Etag: "r2", Reason: "checked"})
	require.NoError(t, err)
	require.True(t, two.GetRetentionClass().GetInForce())
	// A change must be agreed to anew.
	changed, err := w.keep.SetRetentionClass(w.adviser(), &pb.SetRetentionClassRequest{RetentionClass: two.GetRetentionClass(), Reason: "a year more"})
	require.NoError(t, err)
	require.False(t, changed.GetRetentionClass().GetInForce())
}
