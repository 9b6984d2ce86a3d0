package search

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	index "github.com/blevesearch/bleve_index_api"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

var update = flag.Bool("update", false, "rewrite testdata/documents.golden")

// TestDocuments holds what the index has of each report of testdata. When this
// changes, an index that is on disk is wrong: raise shape, so that it is made
// anew, and rewrite the file with -update.
func TestDocuments(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	raw, err := os.ReadFile("testdata/data/reports.json")
	require.NoError(t, err)
	var list []json.RawMessage
	require.NoError(t, json.Unmarshal(raw, &list))
	var b strings.Builder
	fmt.Fprintf(&b, "shape %d\n", shape)
	for _, one := range list {
		r := &pb.Report{}
		require.NoError(t, protojson.Unmarshal(one, r))
		d := newDocument(r, r, 1, zone, newLanguage())
		var lines []string
		d.VisitFields(func(f index.Field) {
			require.False(t, f.Options().IsStored(), "nothing is stored: %s", f.Name())
			require.Equal(t, f.Name() == fieldOrder, f.Options().IncludeDocValues(), "only the sort key is readable: %s", f.Name())
			f.Analyze()
			for term, freq := range f.AnalyzedTokenFrequencies() {
				line := f.Name() + " " + term
				for _, l := range freq.Locations {
					line += fmt.Sprintf(" %d:%d", l.ArrayPositions[0], l.Position)
				}
				lines = append(lines, line)
			}
		})
		slices.Sort(lines)
		fmt.Fprintf(&b, "\n%s\n%s\n", d.ID(), strings.Join(lines, "\n"))
	}
	const golden = "testdata/documents.golden"
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(b.String()), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	if b.String() != string(want) {
		first, _, _ := strings.Cut(string(want), "\n")
		require.NotEqual(t, fmt.Sprintf("shape %d", shape), first, "documents have changed and shape has not: raise it, then run this test with -update")
		require.Equal(t, string(want), b.String(), "run this test with -update and look at the difference")
	}
}

// The golden file, which is what the index knows, has no word of who told, who
// was hurt, or why a report was voided.
func TestDocumentsHoldNoPerson(t *testing.T) {
	t.Parallel()
	r := &pb.Report{Name: "reports/x", Narrative: "n", VoidReason: "voidword", ChangeReason: "changeword",
		Harms:  []*pb.Harm{{Person: "people/personword", Description: "healthword"}},
		Origin: &pb.Origin{Dataset: "d", SourceId: "sourceword", Attributes: map[string]string{"a": "attributeword"}}}
	d := newDocument(r, r, 1, time.UTC, newLanguage())
	d.VisitFields(func(f index.Field) {
		f.Analyze()
		for term := range f.AnalyzedTokenFrequencies() {
			if term != "healthword" {
				require.NotContains(t, term, "word")
				continue
			}
			require.Equal(t, fieldHealth, f.Name())
		}
	})
}

func TestOrderKey(t *testing.T) {
	t.Parallel()
	at := func(s string) *timestamppb.Timestamp {
		v, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return timestamppb.New(v)
	}
	last := ""
	for _, s := range []string{"1950-01-01T00:00:00Z", "1969-12-31T23:59:59Z", "1970-01-01T00:00:00Z", "2026-03-04T00:00:00Z", "2026-03-04T00:00:01Z"} {
		key := orderKey(&pb.Report{OccurTime: at(s), ReceiveTime: at("2030-01-01T00:00:00Z")})
		require.Len(t, key, keyDigits)
		require.Greater(t, key, last)
		last = key
	}
	require.Equal(t, last, orderKey(&pb.Report{ReceiveTime: at("2026-03-04T00:00:01Z")}), "without a time of the event, that of receipt")
	require.Len(t, orderKey(&pb.Report{}), keyDigits)
}
