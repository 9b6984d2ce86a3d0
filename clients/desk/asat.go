package desk

import (
	"maps"
	"net/url"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// pastView is the moment that a page shows; nil is the present.
type pastView struct {
	// Text is what somebody typed.
	Text string
	// AsAt is the moment as it was understood.
	AsAt *pb.AsAt
	// Last is the last whole month then, when months were cut off after it.
	Last string
	// Present leads to the same page as things stand now.
	Present string
}

// Said is the moment so that it can be asked for again, in links and fields.
func (p *pastView) Said() string {
	if p == nil {
		return ""
	}
	return againAt(p.AsAt)
}

// againAt writes a moment.
func againAt(as *pb.AsAt) string {
	return strconv.FormatInt(as.GetSequenceNumber(), 10) + "@" + as.GetCountTime().AsTime().Format(time.RFC3339Nano)
}

// message is the moment to ask for.
func (p *pastView) message() *pb.AsAt {
	if p == nil {
		return nil
	}
	return p.AsAt
}

// clock is the time at the moment that a page shows.
func (d *desk) clock(p *pastView) time.Time {
	if p == nil {
		return d.opts.Clock()
	}
	return p.AsAt.GetCountTime().AsTime()
}

// asAtWords say what can be written.
const asAtWords = "write the number of a change, a day like 2026-03-31, or what a summary says at its end"

// pastOf reads a moment that somebody typed. The service says what it means, so
// that all parts of a page are of one moment.
func (d *desk) pastOf(v *visit, text, field string, places *placeList) (*pastView, []flaw, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return nil, nil, nil
	}
	as, ok := d.readMoment(text, places.Home())
	if !ok {
		return nil, []flaw{bad(field, asAtWords)}, nil
	}
	resp, err := d.places.ListWorkplaces(v.ctx(), &pb.ListWorkplacesRequest{PageSize: 1, AsAt: as})
	if list, isBad := flaws(err); isBad {
		for i := range list {
			list[i].Field = field
		}
		return nil, list, nil
	}
	if err != nil {
		return nil, nil, err
	}
	now := *v.r.URL
	q := now.Query()
	q.Del("as_at")
	q.Del("page")
	now.RawQuery = q.Encode()
	return &pastView{Text: text, AsAt: resp.GetAsAt(), Present: now.RequestURI()}, nil, nil
}

// readMoment reads a number, a day (to its end), a time, or a number and the time
// it counts up to.
func (d *desk) readMoment(text string, home *time.Location) (*pb.AsAt, bool) {
	number, until, counted := strings.Cut(text, "@")
	if n, err := strconv.ParseInt(number, 10, 64); err == nil && n >= 0 {
		as := &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: n}}
		if counted {
			t, err := time.Parse(time.RFC3339Nano, until)
			if err != nil {
				return nil, false
			}
			as.CountTime = timestamppb.New(t)
		}
		return as, true
	}
	at := func(t time.Time) (*pb.AsAt, bool) {
		return &pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(t)}}, true
	}
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return at(t)
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, text, home); err == nil {
			return at(t)
		}
	}
	day, err := time.ParseInLocation(time.DateOnly, text, home)
	if err != nil {
		return nil, false
	}
	end, now := day.AddDate(0, 0, 1).Add(-time.Microsecond), d.opts.Clock()
	if end.After(now) && !day.After(now) {
		return at(now.Truncate(time.Second)) // today is not over
	}
	return at(end)
}

// within keeps the months of a question before the moment: what the form of the
// present says by itself had not come then. The banner says so.
func (p *pastView) within(q url.Values, home *time.Location) url.Values {
	at := p.AsAt.GetCountTime().AsTime().In(home)
	last := time.Date(at.Year(), at.Month(), 1, 0, 0, 0, 0, time.UTC).AddDate(0, -1, 0).Format("2006-01")
	if until := q.Get("until"); !isMonth(until) || until <= last {
		return q
	}
	out := maps.Clone(q)
	out.Set("until", last)
	p.Last = last
	return out
}

// scopeThen reads the scope of a page of figures with the moment that it is
// asked for as at.
func (d *desk) scopeThen(v *visit, q url.Values, months int, places *placeList) (scope, error) {
	past, wrong, err := d.pastOf(v, q.Get("as_at"), "as_at", places)
	if err != nil {
		return scope{}, err
	}
	if past != nil {
		q = past.within(q, places.Home())
	}
	s := d.scope(q, months, places.Home(), d.clock(past))
	s.AsAt, s.past, s.wrong = q.Get("as_at"), past, append(s.wrong, wrong...)
	return s, nil
}
