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

// days returns the terms that cover a span exactly: whole years where they fit,
// then quarters, months, thirds of a month and days. With the years that reports
// have, that is some twenty terms for any span, where a range over days would
// be thousands. ok is false when the span is open at both ends.
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
		terms = s.cover(terms, first, 0)
	}
}

// cover adds terms for the part of the span that lies in the period from a day
// on, which is a year, or what else is at that depth of the calendar.
func (s span) cover(terms anyOf, from time.Time, depth int) anyOf {
	p := calendar[depth]
	to := p.next(from)
	switch {
	case !s.end.IsZero() && !from.Before(s.end), !s.start.IsZero() && !to.After(s.start):
		return terms
	case (s.start.IsZero() || !from.Before(s.start)) && (s.end.IsZero() || !to.After(s.end)):
		return append(terms, place{p.field, p.term(from)})
	}
	// A day is whole, so that there is always something below here.
	for at := from; at.Before(to); at = calendar[depth+1].next(at) {
		terms = s.cover(terms, at, depth+1)
	}
	return terms
}

// period is one depth of the calendar. Each is made of whole ones of the next.
type period struct {
	field string
	// term names the period that a day lies in; next is the day after the
	// period that begins on a day.
	term func(day time.Time) string
	next func(first time.Time) time.Time
}

var calendar = []period{
	{fieldYear, layout("2006"), func(t time.Time) time.Time { return t.AddDate(1, 0, 0) }},
	{fieldQuarter, func(t time.Time) string { return fmt.Sprintf("%d.%d", t.Year(), (t.Month()+2)/3) },
		func(t time.Time) time.Time { return t.AddDate(0, 3, 0) }},
	{fieldMonth, layout("2006-01"), nextMonth},
	{fieldThird, func(t time.Time) string { return fmt.Sprintf("%s.%d", t.Format("2006-01"), third(t)) },
		func(t time.Time) time.Time {
			if third(t) == 3 {
				return nextMonth(t.AddDate(0, 0, 1-t.Day()))
			}
			return t.AddDate(0, 0, 10)
		}},
	{fieldDay, layout(time.DateOnly), func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }},
}

func layout(l string) func(time.Time) string { return func(t time.Time) string { return t.Format(l) } }

func nextMonth(t time.Time) time.Time { return t.AddDate(0, 1, 0) }

// third is which of its month's thirds a day lies in: to the 10th, to the 20th,
// to the end.
func third(t time.Time) int { return min((t.Day()+9)/10, 3) }
