package cli

import (
	"context"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/cli/page"
	pb "fairlead/proto/gen/fairlead/v1"
)

const asAtHelp = `as it stood then: after a change (12345), at the end of a day (2026-03-01), or at a time (2026-03-01T17:00:00Z or "2026-03-01 17:00"); 12345@TIME also says up to when days away are counted`

// pastFlag is a flag that names a moment of the record.
type pastFlag struct {
	text string
	name string
	// said is the moment as it was understood, once asked.
	said *pb.AsAt
	// now is the time at that moment: what months back are counted from.
	now time.Time
}

func (f *pastFlag) add(c *cobra.Command) { f.addAs(c, "as-at", "show it "+asAtHelp) }

func (f *pastFlag) addAs(c *cobra.Command, name, help string) {
	f.name = name
	c.Flags().StringVar(&f.text, name, "", help)
}

var wholeNumber = regexp.MustCompile(`^[0-9]{1,18}$`)

// read reads the flag; nothing is asked for when it was not given. The service
// is asked what time it was, so that periods end where they did then.
func (f *pastFlag) read(ctx context.Context, s *session) (*pb.AsAt, error) {
	f.now = s.env.Now()
	text := strings.TrimSpace(f.text)
	if text == "" {
		return nil, nil
	}
	as := &pb.AsAt{}
	if number, until, counted := strings.Cut(text, "@"); wholeNumber.MatchString(number) {
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			return nil, usagef("--%s: %q is no number of a change", f.name, number)
		}
		as.Moment = &pb.AsAt_SequenceNumber{SequenceNumber: n}
		if counted {
			t, err := f.instant(ctx, s, until)
			if err != nil {
				return nil, err
			}
			as.CountTime = timestamppb.New(t)
		}
	} else {
		t, err := f.instant(ctx, s, text)
		if err != nil {
			return nil, err
		}
		as.Moment = &pb.AsAt_Time{Time: timestamppb.New(t)}
	}
	c, err := s.dial()
	if err != nil {
		return nil, err
	}
	r, err := c.Workplaces.ListWorkplaces(ctx, &pb.ListWorkplacesRequest{PageSize: 1, AsAt: as})
	if err != nil {
		return nil, err
	}
	f.said, f.now = r.GetAsAt(), r.GetAsAt().GetCountTime().AsTime()
	// What was understood is asked for from here on, so that all parts of an
	// answer are of one moment.
	return f.said, nil
}

// instant reads a time, in the zone of the organisation where none is given. A
// day is meant up to its end.
func (f *pastFlag) instant(ctx context.Context, s *session, text string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return t, nil
	}
	t, err := s.workplaces(ctx)
	if err != nil {
		return time.Time{}, err
	}
	zone, _ := t.zone(t.root)
	for _, layout := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04"} {
		if at, err := time.ParseInLocation(layout, text, zone); err == nil {
			return at, nil
		}
	}
	day, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil {
		return time.Time{}, usagef("--%s: %q is not a moment; write the number of a change, a day like 2026-03-01, or a time like 2026-03-01T17:00:00Z", f.name, text)
	}
	end := day.AddDate(0, 0, 1).Add(-time.Microsecond)
	if now := s.env.Now(); end.After(now) && !day.After(now) {
		return now.Truncate(time.Second), nil // today is not over
	}
	return end, nil
}

// show prints an answer, and before it that it is of a past moment.
func (f *pastFlag) show(p *page.Page) {
	if f.said == nil {
		return
	}
	p.Strong("As it stood after change " + strconv.FormatInt(f.said.GetSequenceNumber(), 10) + ", counted up to " +
		f.said.GetCountTime().AsTime().Format("2 January 2006 15:04:05 MST") + ". Not the present.")
	p.Blank()
}

// again writes a moment so that it can be asked for.
func again(as *pb.AsAt) string {
	return strconv.FormatInt(as.GetSequenceNumber(), 10) + "@" + as.GetCountTime().AsTime().Format(time.RFC3339Nano)
}
