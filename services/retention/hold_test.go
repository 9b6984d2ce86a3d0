package retention_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestHolds wants a hold to keep everything that it covers, by name, by filter
// and by person, until it is released.
func TestHolds(t *testing.T) {
	t.Parallel()
	for name, of := range map[string]func(r *pb.Report) *pb.LegalHold{
		"a report": func(r *pb.Report) *pb.LegalHold { return &pb.LegalHold{Reports: []string{r.GetName()}} },
		"a filter": func(*pb.Report) *pb.LegalHold {
			return &pb.LegalHold{Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/northside"}}}
		},
		"everything": func(*pb.Report) *pb.LegalHold { return &pb.LegalHold{Filter: &pb.ReportFilter{}} },
		"a person":   func(*pb.Report) *pb.LegalHold { return &pb.LegalHold{People: []string{person}} },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.agree(&pb.RetentionClass{Name: "retentionClasses/words", Title: "Words", Months: 12, Source: "House rule",
				Start: pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_WORDS})
			r := w.file(500, "the guard was off", person, &pb.Teller{DisplayName: name, Person: person})
			h := of(r)
			// A hold over the next depot is in nobody's way.
			_, err := w.keep.PlaceLegalHold(w.adviser(), &pb.PlaceLegalHoldRequest{LegalHold: &pb.LegalHold{Name: "legalHolds/beside", Reason: "an inquest",
				AskedBy: "the coroner", Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/quarry-road"}}}})
			require.NoError(t, err)
			before, err := w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{})
			require.NoError(t, err)
			require.EqualValues(t, 1, before.GetDue()[0].GetCount())
			h.Name, h.Reason, h.AskedBy = "legalHolds/claim-7", "a claim", "the insurer"
			placed, err := w.keep.PlaceLegalHold(w.adviser(), &pb.PlaceLegalHoldRequest{LegalHold: h})
			require.NoError(t, err)

			due, err := w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{})
			require.NoError(t, err)
			require.EqualValues(t, 1, due.GetHeld())
			require.Zero(t, due.GetDue()[0].GetCount())
			erase := map[string]func(only bool) error{
				"person": func(only bool) error {
					_, err := w.keep.ErasePerson(w.adviser(), &pb.ErasePersonRequest{Name: person, Reason: "asked", ValidateOnly: only})
					return err
				},
				"teller": func(only bool) error {
					_, err := w.keep.EraseTeller(w.adviser(), &pb.EraseTellerRequest{Name: r.GetName() + "/teller", Reason: "asked", ValidateOnly: only})
					return err
				},
				"text": func(only bool) error {
					_, err := w.keep.EraseReportText(w.adviser(), &pb.EraseReportTextRequest{Name: r.GetName(), Etag: w.now(r.GetName()).GetEtag(), Reason: "asked",
						Texts: []*pb.TextInstead{{Field: "spot"}}, ValidateOnly: only})
					return err
				},
			}
			head := w.Head()
			for _, do := range erase {
				refused(t, do(true), codes.FailedPrecondition, "legalHolds/claim-7")
				refused(t, do(false), codes.FailedPrecondition, "legalHolds/claim-7")
			}
			require.Equal(t, head, w.Head())

			_, err = w.keep.ReleaseLegalHold(w.adviser(), &pb.ReleaseLegalHoldRequest{Name: h.GetName(), Etag: placed.GetLegalHold().GetEtag(), Reason: "settled"})
			require.NoError(t, err)
			list, err := w.keep.ListLegalHolds(w.As("auditor"), &pb.ListLegalHoldsRequest{})
			require.NoError(t, err)
			require.Equal(t, "legalHolds/beside", list.GetLegalHolds()[0].GetName(), "those in force first")
			released := list.GetLegalHolds()[1]
			require.Equal(t, "settled", released.GetReleaseReason(), "it stays on record")
			require.Empty(t, released.GetReports(), "an auditor reads no names")
			require.Empty(t, released.GetPeople())
			for _, what := range []string{"text", "teller", "person"} {
				require.NoError(t, erase[what](false), what)
			}
		})
	}
}

// TestHoldAfterTheLook wants a hold that came after the preview to count.
func TestHoldAfterTheLook(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.agree(&pb.RetentionClass{Name: "retentionClasses/words", Title: "Words", Months: 12, Source: "House rule",
		Start: pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_WORDS})
	w.file(500, "the guard was off", "", nil)
	due, err := w.keep.PreviewRetention(w.adviser(), &pb.PreviewRetentionRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 1, due.GetDue()[0].GetCount())
	_, err = w.keep.PlaceLegalHold(w.adviser(), &pb.PlaceLegalHoldRequest{LegalHold: &pb.LegalHold{Name: "legalHolds/late", Reason: "an inquest", AskedBy: "the coroner", Filter: &pb.ReportFilter{}}})
	require.NoError(t, err)
	_, err = w.keep.ApplyRetention(w.adviser(), &pb.ApplyRetentionRequest{Etag: due.GetEtag(), Reason: "decided"})
	refused(t, err, codes.Aborted, "has changed")
}
