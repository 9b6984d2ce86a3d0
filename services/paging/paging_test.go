package paging

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestTokens(t *testing.T) {
	t.Parallel()
	tokens := New([]byte("0123456789abcdef"))
	asked := &pb.ListReportsRequest{Filter: &pb.ReportFilter{StartDate: "2026-01-01"}}
	other := &pb.ListReportsRequest{Filter: &pb.ReportFilter{StartDate: "2026-02-01"}}

	token := tokens.Make(asked, "2026-03-04/reports/x")
	got, err := tokens.Open(asked, token)
	require.NoError(t, err)
	require.Equal(t, "2026-03-04/reports/x", got)

	_, err = tokens.Open(other, token)
	require.ErrorIs(t, err, ErrToken, "a token must not answer another question")
	_, err = New([]byte("another key 0000")).Open(asked, token)
	require.ErrorIs(t, err, ErrToken, "a token must not survive another key")
	start, err := tokens.Open(asked, "")
	require.NoError(t, err)
	require.Empty(t, start)
}

func FuzzOpen(f *testing.F) {
	tokens := New([]byte("0123456789abcdef"))
	req := &pb.ListReportsRequest{}
	f.Add("")
	f.Add("bm90IGEgdG9rZW4")
	f.Add(tokens.Make(req, "a"))
	f.Fuzz(func(t *testing.T, token string) {
		position, err := tokens.Open(req, token)
		if err != nil {
			require.ErrorIs(t, err, ErrToken)
			return
		}
		if token != "" {
			require.Equal(t, token, tokens.Make(req, position), "what opens is what was made")
		}
	})
}
