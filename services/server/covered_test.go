package server_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestSearchUnderCovers: whoever reads stories with the names covered cannot
// find a report by a name either, nor by leaving it out, nor by a slip in it;
// and those who read them whole find it as ever.
func TestSearchUnderCovers(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	client := pb.NewReportServiceClient(w.Conn())
	for _, words := range []string{"Wren Exampleton slipped on the ramp by the chipper.", "The chipper started by itself."} {
		r := story("reports/" + w.id())
		r.Narrative = words
		_, err := client.FileReport(w.As("worker"), &pb.FileReportRequest{Report: r, Teller: &pb.Teller{DisplayName: "Moss Fableton"}})
		require.NoError(t, err)
	}
	for _, c := range []struct {
		words         string
		whole, others int64
	}{
		{"chipper", 2, 2},
		{"exampleton", 1, 0},
		{`"wren exampleton slipped"`, 1, 0},
		{"chipper -exampleton", 1, 2},
		{"exampelton", 1, 0}, // a slip
		{"ramp slipped", 1, 1},
	} {
		for role, want := range map[string]int64{"adviser": c.whole, "representative": c.others, "auditor": c.others} {
			got, err := pb.NewSearchServiceClient(w.Conn()).SearchReports(w.As(role), &pb.SearchReportsRequest{
				Words: c.words, MinSequenceNumber: w.Head(), IncludeCounts: true})
			require.NoError(t, err, reasons(err))
			require.Equal(t, want, got.GetTotalSize(), "%s as %s", c.words, role)
			require.Len(t, got.GetHits(), int(want))
			if role == "adviser" {
				continue
			}
			for _, h := range got.GetHits() {
				require.NotContains(t, h.String(), "Exampleton")
				require.NotContains(t, h.String(), "Wren")
			}
			if want == 0 {
				// As of a word that stands nowhere.
				nowhere, err := pb.NewSearchServiceClient(w.Conn()).SearchReports(w.As(role), &pb.SearchReportsRequest{
					Words: strings.ReplaceAll(c.words, "exampl", "qzxwvk"), IncludeCounts: true})
				require.NoError(t, err, reasons(err))
				nowhere.SequenceNumber, got.SequenceNumber = 0, 0
				require.Empty(t, cmp.Diff(nowhere, got, protocmp.Transform()), "%s as %s", c.words, role)
			}
		}
	}
}
