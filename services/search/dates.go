package search

import (
	"fmt"
	"time"

	index "github.com/blevesearch/bleve_index_api"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// span is the days from start to the day before end; a zero time is open.
type span struct{ start, end time.Time }

// parseSpan reads the dates of a filter and says what is wrong with them.
func parseSpan(f *pb.ReportFilter) (s span, vs fault.Violations) {
	read := func(field, text string) time.Time {
		if text == "" {
			return time.Time{}
		}
		t, err := time.Parse(time.DateOnly, text)
		if err != nil {
			vs.Add(field, "is not a day of the calendar; write it as 2026-03-04")
		}
		return t
	}
	s.start = read("filter.start_date", f.GetStartDate())
	s.end = read("filter.end_date", f.GetEndDate())
	if len(vs) == 0 && !s.start.IsZero() && !s.end.IsZero() && !s.start.Before(s.end) {
		vs.Add("filter.end_date", "must be after start_date: it is the day after the last one")
	}
	return s, vs
}

// days returns the terms that cover a span exactly: whole years where they
// fit, then whole months, then days. With the years that reports have, that is
// a few dozen terms for any span, where a range over days would be thousands.
// ok is false when the span is open at both ends.
func (s span) days(reader index.IndexReader) (terms anyOf, ok bool, err error) {
	if s.start.IsZero() && s.end.IsZero() {
		return nil, false, nil
	}
	dict, err := reader.FieldDict(fieldYear)
	if err != nil {
		return nil, false, wrap(err)
	}
	defer func() { _ = dict.Close() }()
	for {
		entry, err := dict.Next()
		if err != nil {
			return nil, false, wrap(err)
		}
		if entry == nil {
			return terms, true, nil
		}
		first, err := time.Parse("2006", entry.Term)
		if err != nil {
			return nil, false, fmt.Errorf("search: a year of the index: %w", err)
		}
		terms = s.cover(terms, first, first.AddDate(1, 0, 0), fieldYear)
	}
}

// cover adds terms for the part of the span that lies in [from, to), which is
// a whole year, month or day as the field says.
func (s span) cover(terms anyOf, from, to time.Time, field string) anyOf {
	switch {
	case !s.end.IsZero() && !from.Before(s.end), !s.start.IsZero() && !to.After(s.start):
		return terms
	case (s.start.IsZero() || !from.Before(s.start)) && (s.end.IsZero() || !to.After(s.end)):
		return append(terms, place{field, from.Format(dayLayouts[field])})
	}
	for at := from; at.Before(to); {
		next, below := at.AddDate(0, 0, 1), fieldDay
		if field == fieldYear {
			next, below = at.AddDate(0, 1, 0), fieldMonth
		}
		terms = s.cover(terms, at, next, below)
		at = next
	}
	return terms
}

var dayLayouts = map[string]string{fieldYear: "2006", fieldMonth: "2006-01", fieldDay: time.DateOnly}
