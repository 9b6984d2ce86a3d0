package server_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestMasks: beyond the circle names are covered, at once; what an adviser
// decides stands until the story is amended.
func TestMasks(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	reports, masks := pb.NewReportServiceClient(w.Conn()), pb.NewMaskServiceClient(w.Conn())
	r := story("reports/" + w.id())
	r.Narrative = "I saw Wren Exampleton reach in. Ring 0491 570 006. The chipper belongs to Northside depot."
	r.Spot = "next to Mr Fableton's ute"
	resp, err := reports.FileReport(w.As("worker"), &pb.FileReportRequest{Report: r})
	require.NoError(t, err)
	w.Ready(resp.GetSequenceNumber())
	get := func(role string) *pb.Report {
		got, err := reports.GetReport(w.As(role), &pb.GetReportRequest{Name: r.GetName()})
		require.NoError(t, err)
		return got
	}
	const covered = "I saw [name] reach in. Ring [phone number]. The chipper belongs to Northside depot."
	for _, role := range []string{"representative", "auditor"} {
		require.Equal(t, covered, get(role).GetNarrative(), role)
		require.Equal(t, "next to Mr [name]'s ute", get(role).GetSpot(), role)
		list, err := reports.ListReports(w.As(role), &pb.ListReportsRequest{})
		require.NoError(t, err)
		for _, one := range list.GetReports() {
			require.NotContains(t, one.GetNarrative(), "Exampleton", role)
		}
	}
	for _, role := range []string{"supervisor", "adviser"} {
		require.Equal(t, r.GetNarrative(), get(role).GetNarrative(), role)
	}
	s, err := masks.SuggestMasks(w.As("adviser"), &pb.SuggestMasksRequest{Report: r.GetName()})
	require.NoError(t, err)
	require.Len(t, s.GetPassages(), 2)
	require.Equal(t, "Wren Exampleton", s.GetPassages()[0].GetText())
	require.True(t, s.GetPassages()[0].GetSure())
	require.Equal(t, covered, s.GetCurrent())
	require.False(t, s.GetDecided())

	now := get("adviser")
	_, err = masks.SetMaskedText(w.As("adviser"), &pb.SetMaskedTextRequest{Report: r.GetName(), Etag: now.GetEtag(), Narrative: "Somebody reached in."})
	require.NoError(t, err)
	require.Equal(t, "Somebody reached in.", get("representative").GetNarrative())
	_, err = reports.UpdateReport(w.As("adviser"), &pb.UpdateReportRequest{Report: &pb.Report{Name: r.GetName(), Etag: now.GetEtag(), Narrative: "Wren Exampleton reached in twice."},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"narrative"}}, Reason: "heard it again"})
	require.NoError(t, err)
	require.Equal(t, "[name] reached in twice.", get("representative").GetNarrative(), "what was decided was of another story")
}
