package server_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestEraseClosedNames: an erasure of a person says that it cannot look into
// closed names; a keeper takes out those of the person and hears a count.
func TestEraseClosedNames(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	house, reports, keep := pb.NewKeeperServiceClient(w.Conn()), pb.NewReportServiceClient(w.Conn()), pb.NewRetentionServiceClient(w.Conn())
	_, err := house.NameKeeper(w.As("administrator"), &pb.NameKeeperRequest{Principal: "principals/supervisor"})
	require.NoError(t, err)
	_, err = house.BecomeKeeper(w.As("supervisor"), &pb.BecomeKeeperRequest{Passphrase: phrase})
	require.NoError(t, err)
	told := func(teller *pb.Teller) string {
		t.Helper()
		r, err := reports.FileReport(w.As("worker"), &pb.FileReportRequest{Report: &pb.Report{Name: "reports/" + w.id(),
			Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step."}, Teller: teller})
		require.NoError(t, err)
		return r.GetReport().GetName()
	}
	byID, written := told(&pb.Teller{DisplayName: "W.", Person: wren}), told(&pb.Teller{DisplayName: " wren  EXAMPLETON"})
	held, other := told(&pb.Teller{Person: wren}), told(&pb.Teller{DisplayName: "Wren Exampleton-Fern"})
	// Somebody else of that name, whom the house knows by another id.
	namesake, err := pb.NewWorkplaceServiceClient(w.Conn()).CreatePerson(w.As("administrator"), &pb.CreatePersonRequest{Person: &pb.Person{Name: "people/p-9",
		DisplayName: "Wren Exampleton", Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}})
	require.NoError(t, err)
	alike := told(&pb.Teller{DisplayName: "Wren Exampleton", Person: namesake.GetName()})
	hold := func(h *pb.LegalHold) *pb.LegalHold {
		t.Helper()
		h.Reason, h.AskedBy = "a claim", "the insurer"
		r, err := keep.PlaceLegalHold(w.As("adviser"), &pb.PlaceLegalHoldRequest{LegalHold: h})
		require.NoError(t, err)
		return r.GetLegalHold()
	}
	hold(&pb.LegalHold{Name: "legalHolds/report", Reports: []string{held}})

	erased, err := keep.ErasePerson(w.As("adviser"), &pb.ErasePersonRequest{Name: wren, Reason: "the person asked", ValidateOnly: true})
	require.NoError(t, err)
	require.Empty(t, erased.GetReportsToRead(), "closed names are not found")
	require.Contains(t, erased.GetNotes()[1], "closed to keepers are not searched")

	forget := func(role string, change func(*pb.EraseClosedNamesRequest)) (*pb.EraseClosedNamesResponse, error) {
		req := &pb.EraseClosedNamesRequest{Person: wren, WrittenAs: []string{"Wren Exampleton"}, Reason: "the person asked", Passphrase: phrase}
		change(req)
		return house.EraseClosedNames(w.As(role), req)
	}
	as := func(*pb.EraseClosedNamesRequest) {}
	for field, change := range map[string]func(*pb.EraseClosedNamesRequest){
		"person":     func(r *pb.EraseClosedNamesRequest) { r.Person = "" },
		"reason":     func(r *pb.EraseClosedNamesRequest) { r.Reason = " " },
		"passphrase": func(r *pb.EraseClosedNamesRequest) { r.Passphrase = "seven quiet" },
	} {
		_, err := forget("supervisor", change)
		require.Equal(t, field, refused(t, err).fields[0].GetField())
	}
	_, err = forget("adviser", as)
	require.Equal(t, codes.PermissionDenied, refused(t, err).code)
	person := hold(&pb.LegalHold{Name: "legalHolds/person", People: []string{wren}})
	_, err = forget("supervisor", as)
	require.Equal(t, codes.FailedPrecondition, refused(t, err).code)
	_, err = keep.ReleaseLegalHold(w.As("adviser"), &pb.ReleaseLegalHoldRequest{Name: person.GetName(), Etag: person.GetEtag(), Reason: "settled"})
	require.NoError(t, err)

	got, err := forget("supervisor", as)
	require.NoError(t, err)
	require.EqualValues(t, 2, got.GetErased())
	require.EqualValues(t, 1, got.GetHeld())
	require.Zero(t, got.GetBeyond())
	who := func(report string) string {
		t.Helper()
		r, err := reports.GetTeller(w.As("supervisor"), &pb.GetTellerRequest{Name: report + "/teller", Reason: "to see what is left", Passphrase: phrase})
		if err != nil {
			return codes.PermissionDenied.String()
		}
		return r.GetDisplayName() + r.GetPerson()
	}
	require.Equal(t, wren, who(held))
	require.Equal(t, "Wren Exampleton-Fern", who(other))
	require.Equal(t, "Wren Exampleton"+namesake.GetName(), who(alike))
	for _, gone := range []string{byID, written} {
		require.NotContains(t, who(gone), "ren", "%s", gone)
	}
	again, err := forget("supervisor", as)
	require.NoError(t, err)
	require.Zero(t, again.GetErased())
}
