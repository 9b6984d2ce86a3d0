package search_test

import (
	"encoding/json"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
)

// oneSearch is a row of testdata/searches.json.
type oneSearch struct {
	Name    string
	Words   string
	Request json.RawMessage
	Role    string
	Scope   []string
	Want    []int
	Ordered bool
	Notes   []string
	Snippet string
}

func TestSearches(t *testing.T) {
	t.Parallel()
	w := shire(t)
	seen := map[string]bool{}
	for _, raw := range readList(t, "testdata/searches.json") {
		var s oneSearch
		require.NoError(t, json.Unmarshal(raw, &s))
		require.False(t, seen[s.Name], "two searches are called %q", s.Name)
		seen[s.Name] = true
		t.Run(s.Name, func(t *testing.T) {
			req := &pb.SearchReportsRequest{}
			if s.Request != nil {
				require.NoError(t, protojson.Unmarshal(s.Request, req))
			}
			req.Words = s.Words
			role := pb.Role_ROLE_ADVISER
			if s.Role != "" {
				role = pb.Role(pb.Role_value[s.Role])
			}
			resp, err := w.search(as(role, s.Scope...), req)
			require.NoError(t, err)
			got := []int{}
			for i, h := range resp.GetHits() {
				got = append(got, numberOf(t, h.GetReport()))
				require.Positive(t, h.GetScore())
				if i > 0 && req.GetOrder() == 0 {
					require.LessOrEqual(t, h.GetScore(), resp.GetHits()[i-1].GetScore())
				}
			}
			if !s.Ordered {
				slices.Sort(got)
			}
			require.Equal(t, s.Want, got)
			require.EqualValues(t, len(s.Want), resp.GetTotalSize())
			if s.Notes != nil {
				require.ElementsMatch(t, s.Notes, resp.GetNotes())
			}
			if s.Snippet != "" {
				require.Equal(t, s.Snippet, plainSnippet(resp.GetHits()[0].GetSnippet()))
			}
		})
	}
}
