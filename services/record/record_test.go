package record

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestBodyRoundTrip(t *testing.T) {
	t.Parallel()
	r := &pb.Report{Name: "reports/x", Narrative: "n", Etag: "r7",
		Answers: map[string]pb.AnswerState{"b": pb.AnswerState_ANSWER_STATE_NOT_KNOWN, "a": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}}
	one, err := Body(r)
	require.NoError(t, err)
	require.Equal(t, "r7", r.Etag, "the message of the caller is not touched")
	two, err := Body(r)
	require.NoError(t, err)
	require.Equal(t, one, two, "bodies are deterministic")

	var back pb.Report
	require.NoError(t, Read(one, 9, &back))
	require.Equal(t, "r9", back.Etag)
	back.Etag = "r7"
	require.True(t, proto.Equal(r, &back))
}

func TestRevision(t *testing.T) {
	t.Parallel()
	for _, bad := range []string{"", "r", "r0", "r-1", "7", "r07", "r7 ", "R7", "r99999999999999999999"} {
		_, ok := Revision(bad)
		require.False(t, ok, bad)
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Min(1).Draw(t, "n")
		got, ok := Revision(Etag(n))
		require.True(t, ok)
		require.Equal(t, n, got)
	})
}

func TestReportOf(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"reports/x":             "reports/x",
		"reports/x/codings/h1":  "reports/x",
		"workplaces/x":          "",
		"workplaces/x/hours/y":  "",
		"reports":               "",
		"reports/x/teller":      "reports/x",
		"people/x":              "",
		"reports/x/teller/read": "reports/x",
	} {
		got, ok := ReportOf(name)
		require.Equal(t, want != "", ok, name)
		require.Equal(t, want, got, name)
	}
}
