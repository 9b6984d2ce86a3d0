package record

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestRequest(t *testing.T) {
	t.Parallel()
	asked := func() *pb.FileReportRequest {
		return &pb.FileReportRequest{Report: &pb.Report{Name: "reports/x", Narrative: "n",
			Answers: map[string]pb.AnswerState{"a": 2, "b": 3, "c": 2}}, RequestId: "one"}
	}
	first, err := Request("principals/p", "one", asked())
	require.NoError(t, err)
	require.Equal(t, "principals/p", first.Actor)
	require.Equal(t, "one", first.ID)
	require.NotZero(t, first.Fingerprint)

	same := asked()
	same.ValidateOnly, same.RequestId = true, "two"
	again, err := Request("principals/p", "two", same)
	require.NoError(t, err)
	require.Equal(t, first.Fingerprint, again.Fingerprint)
	require.Equal(t, "two", same.RequestId, "the caller's message is not touched")

	other := asked()
	other.Report.Narrative = "m"
	changed, err := Request("principals/p", "one", other)
	require.NoError(t, err)
	require.NotEqual(t, first.Fingerprint, changed.Fingerprint)

	// Two kinds of request with the same fields are two requests.
	one, err := Request("p", "", &pb.GetReportRequest{Name: "x"})
	require.NoError(t, err)
	two, err := Request("p", "", &pb.GetWorkplaceRequest{Name: "x"})
	require.NoError(t, err)
	require.NotEqual(t, one.Fingerprint, two.Fingerprint)
}
