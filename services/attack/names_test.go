package attack

import (
	"context"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Names in what was told: of somebody whom the house knows, of a stranger who is
// called by title once, and a nickname that only the adviser knows to be one.
const (
	knownPerson = "Corisande Fablewright"
	stranger    = "Ottoline"
	nickname    = "bramblejack"
)

var named = []string{"corisande", "fablewright", "ottoline", nickname}

// readWhole are those who read stories as they were told.
var readWhole = map[string]bool{"adviser": true, "supervisor": true, "investigator": true}

// tellOfPeople files a report that names people in every text there is, has it
// amended, coded, added to and held, and its story masked by hand; and leaves
// another that nobody masked. It returns both.
func (h *house) tellOfPeople() (masked, unmasked string) {
	t, ctx := h.t, h.As("adviser")
	reports := pb.NewReportServiceClient(h.Conn())
	all := "by " + knownPerson + ", " + stranger + " and " + nickname
	_, err := pb.NewWorkplaceServiceClient(h.Conn()).CreatePerson(h.As("administrator"), &pb.CreatePersonRequest{RequestId: uuid.NewString(), Person: &pb.Person{
		Name: "people/p77", DisplayName: knownPerson, Workplace: "workplaces/northside-trees", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}})
	require.NoError(t, err)
	file := func(narrative string) string {
		resp, err := reports.FileReport(ctx, &pb.FileReportRequest{RequestId: uuid.NewString(), Report: &pb.Report{
			Kind: pb.ReportKind_REPORT_KIND_RELEASE, Workplace: "workplaces/northside-trees", Narrative: narrative, Spot: all, TaskBefore: all,
			DoneRightAway: all, WhoCouldBeHurt: all, Damage: all, OccurTime: timestamppb.New(now.AddDate(0, 0, -2)),
			Release: &pb.Release{Substance: all, StepsTaken: all},
			Harms: []*pb.Harm{{HarmId: "h1", Description: all, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE,
				OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, EffectiveDate: "2026-03-02", Reason: all}}}}}})
		require.NoError(t, err)
		return resp.GetReport().GetName()
	}
	masked = file("Ms " + stranger + " saw " + nickname + " drop the grapnel on " + knownPerson + ".")
	r, err := reports.GetReport(ctx, &pb.GetReportRequest{Name: masked})
	require.NoError(t, err)
	masks := pb.NewMaskServiceClient(h.Conn())
	_, err = masks.SetMaskedText(ctx, &pb.SetMaskedTextRequest{Report: masked, Etag: r.GetEtag(), Narrative: "Ms [name] saw [name] drop the grapnel on [name]."})
	require.NoError(t, err)

	added := func() string {
		stream, err := pb.NewAttachmentServiceClient(h.Conn()).AddAttachment(ctx)
		require.NoError(t, err)
		require.NoError(t, stream.Send(&pb.AddAttachmentRequest{Chunk: photo("nobody"), Header: &pb.AttachmentHeader{Report: masked,
			AttachmentId: uuid.NewString(), RequestId: uuid.NewString(), Caption: all}}))
		got, err := stream.CloseAndRecv()
		require.NoError(t, err)
		h.captioned = got.GetAttachment().GetName()
		return got.GetAttachment().GetEtag()
	}
	etag := added()
	_, err = pb.NewAttachmentServiceClient(h.Conn()).RemoveAttachment(ctx, &pb.RemoveAttachmentRequest{Name: h.captioned, Etag: etag, Reason: all, RequestId: uuid.NewString()})
	require.NoError(t, err)
	added()
	_, err = pb.NewClassificationServiceClient(h.Conn()).AssignCoding(ctx, &pb.AssignCodingRequest{Parent: masked, RequestId: uuid.NewString(),
		Coding: &pb.Coding{Mechanism: "28", Note: all, Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON}})
	require.NoError(t, err)
	_, err = reports.UpdateReport(ctx, &pb.UpdateReportRequest{Report: &pb.Report{Name: masked, Etag: r.GetEtag(), Spot: "still " + all},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"spot"}}, Reason: all, RequestId: uuid.NewString()})
	require.NoError(t, err)
	// A hold belongs to no report: whom the house knows is covered in it.
	_, err = pb.NewRetentionServiceClient(h.Conn()).PlaceLegalHold(ctx, &pb.PlaceLegalHoldRequest{RequestId: uuid.NewString(), LegalHold: &pb.LegalHold{
		Name: "legalHolds/claim", Reason: "claim of " + knownPerson, AskedBy: knownPerson, Reports: []string{masked}}})
	require.NoError(t, err)
	h.Ready(h.Head())
	return masked, file("Ms " + stranger + " saw " + knownPerson + " drop the grapnel.")
}

// TestNamesAreFoundNowhere asks everything as everybody about a report whose story
// was masked: those who do not read it whole find no name in any answer, whether
// the house knows it, guesses it or was told it; and those who do find them all.
func TestNamesAreFoundNowhere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	masked, unmasked := h.tellOfPeople()
	h.confidential, h.photo = masked, h.captioned
	list := h.questions()
	list = append(list, ask{"ReportService.GetReport", &pb.GetReportRequest{Name: masked, AsAt: then(h.Head() - 6)}})
	for _, n := range append([]string{"grapnel", "bramblejakc"}, named...) {
		list = append(list, ask{"SearchService.SearchReports", &pb.SearchReportsRequest{Words: n, IncludeCounts: true}})
	}
	h.everyone(func(who string, ctx context.Context) {
		seen := map[string]bool{}
		for _, q := range list {
			if strings.HasPrefix(q.method, "WorkplaceService.") {
				continue // people are listed to those who look after them
			}
			got := answer(t, q.method)
			if err := h.Conn().Invoke(ctx, path(q.method), q.req, got); err != nil {
				continue
			}
			if s, ok := got.(*pb.SearchReportsResponse); ok {
				s.Notes = nil // what was looked for may be said again
			}
			if l, ok := got.(*pb.ListLegalHoldsResponse); ok && who == "administrator" && len(l.GetLegalHolds()) > 0 {
				continue // who keeps the names of people
			}
			text := strings.ToLower(protojson.Format(got))
			for _, n := range named {
				if !strings.Contains(text, n) {
					continue
				}
				seen[n] = true
				// Of the story that nobody masked, nobody told the nickname.
				if !readWhole[who] && !(n == nickname && strings.Contains(text, unmasked)) {
					t.Errorf("%s finds %q by %s %v", who, n, q.method, q.req)
				}
			}
		}
		if readWhole[who] {
			require.Len(t, seen, len(named), "%s finds %v: the names are there", who, seen)
		}
	})
	// What was covered by hand is not found either, and a slip is not read as it.
	for _, who := range []string{"representative", "auditor"} {
		for _, word := range append([]string{"bramblejakc"}, named[:3]...) {
			got, err := pb.NewSearchServiceClient(h.Conn()).SearchReports(h.As(who), &pb.SearchReportsRequest{Words: word})
			require.NoError(t, err)
			nowhere, err := pb.NewSearchServiceClient(h.Conn()).SearchReports(h.As(who), &pb.SearchReportsRequest{Words: "zyxwvutsr"})
			require.NoError(t, err)
			nowhere.SequenceNumber, got.SequenceNumber = 0, 0 // readings are written down meanwhile
			if word != "bramblejakc" {                        // it stands open in the story that nobody masked
				require.True(t, proto.Equal(nowhere, got), "%s by %s: %v", word, who, got)
			}
		}
		got, err := pb.NewSearchServiceClient(h.Conn()).SearchReports(h.As(who), &pb.SearchReportsRequest{Words: "grapnel"})
		require.NoError(t, err)
		require.EqualValues(t, 2, got.GetTotalSize())
	}
}

// TestMasksReachNobodyElse: what is suggested is the story as it was told, and goes
// to nobody who may not read that; nor can they say what others read.
func TestMasksReachNobodyElse(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	masked, unmasked := h.tellOfPeople()
	masks := pb.NewMaskServiceClient(h.Conn())
	h.everyone(func(who string, ctx context.Context) {
		for _, report := range []string{masked, unmasked} {
			got, err := masks.SuggestMasks(ctx, &pb.SuggestMasksRequest{Report: report})
			_, serr := masks.SetMaskedText(ctx, &pb.SetMaskedTextRequest{Report: report, Etag: "r99", Narrative: "Nothing."})
			require.Error(t, serr, who)
			switch who {
			case "adviser", "supervisor", "investigator":
				require.NoError(t, err, who)
				require.Contains(t, got.String(), stranger)
			default:
				require.Contains(t, []codes.Code{codes.PermissionDenied, codes.Unauthenticated}, status.Code(err), who)
				require.Equal(t, status.Code(err), status.Code(serr), who)
			}
			for _, e := range []error{err, serr} {
				for _, n := range named {
					require.NotContains(t, strings.ToLower(string(said(e))), n, who)
				}
			}
			if who == "supervisor" {
				require.Equal(t, codes.PermissionDenied, status.Code(serr), "a supervisor looks, and does not decide")
			}
		}
	})
}
