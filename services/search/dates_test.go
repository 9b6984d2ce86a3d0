package search

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
)

// A span covers exactly its days, each once, with few terms.
func TestSpanCoversItsDays(t *testing.T) {
	t.Parallel()
	first := time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		day := func(label string) time.Time { return first.AddDate(0, 0, rapid.IntRange(-400, 3*366).Draw(t, label)) }
		s := span{start: day("start"), end: day("end")}
		if rapid.IntRange(0, 4).Draw(t, "open") == 0 {
			s.start = time.Time{}
		} else if rapid.IntRange(0, 4).Draw(t, "open") == 0 {
			s.end = time.Time{}
		}
		var terms anyOf
		for year := range 3 {
			terms = s.cover(terms, first.AddDate(year, 0, 0), 0)
		}
		require.LessOrEqual(t, len(terms), 40, "%v", terms)
		for at := first; at.Before(first.AddDate(3, 0, 0)); at = at.AddDate(0, 0, 1) {
			met := 0
			for _, p := range calendar {
				if slices.Contains(terms, place{p.field, p.term(at)}) {
					met++
				}
			}
			inside := (s.start.IsZero() || !at.Before(s.start)) && (s.end.IsZero() || at.Before(s.end))
			require.Equal(t, inside, met == 1, "%s is met %d times by %v", at.Format(time.DateOnly), met, terms)
			require.LessOrEqual(t, met, 1)
		}
	})
}

func TestParseSpan(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ start, end, fields string }{
		{"", "", "[]"},
		{"2026-03-04", "", "[]"},
		{"2024-02-29", "2024-03-01", "[]"},
		{"2026-02-29", "", "[filter.start_date]"},
		{"2026-02-29", "2026-13-01", "[filter.start_date filter.end_date]"},
		{"2026-03-04", "2026-03-04", "[filter.end_date]"},
		{"2026-03-04", "2026-03-03", "[filter.end_date]"},
	} {
		_, vs := parseSpan(&pb.ReportFilter{StartDate: c.start, EndDate: c.end})
		fields := []string{}
		for _, v := range vs {
			fields = append(fields, v.Field)
		}
		require.Equal(t, c.fields, fmt.Sprint(fields))
	}
}
