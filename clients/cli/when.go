package cli

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

var (
	monthForm = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}$`)
	yearForm  = regexp.MustCompile(`^[0-9]{4}$`)
)

const whenHelp = `day (2026-03-02), day and time ("2026-03-02 14:30"), month (2026-03), period (2026-03-02..2026-03-05), today, yesterday, or not-known`

// moment is when something happened, as a person says it.
type moment struct {
	start, end *timestamppb.Timestamp
	precision  pb.TimePrecision
	notKnown   bool
}

// parseWhen reads a moment in the zone of the workplace. about says that the
// time of day is only about right.
func parseWhen(text string, about bool, zone *time.Location, now time.Time) (moment, error) {
	text = strings.TrimSpace(strings.ToLower(text))
	if text == "not-known" || text == "not known" || text == "unknown" {
		return moment{notKnown: true}, nil
	}
	if from, to, period := strings.Cut(text, ".."); period {
		a, pa, err := parseInstant(from, zone, now)
		if err != nil {
			return moment{}, err
		}
		b, pb_, err := parseInstant(to, zone, now)
		if err != nil {
			return moment{}, err
		}
		if pa == pb.TimePrecision_TIME_PRECISION_MONTH || pb_ == pb.TimePrecision_TIME_PRECISION_MONTH {
			return moment{}, fmt.Errorf("a period needs a first and a last day, such as 2026-03-02..2026-03-05")
		}
		if pb_ == pb.TimePrecision_TIME_PRECISION_DAY {
			b = b.AddDate(0, 0, 1).Add(-time.Minute) // to the end of that day
		}
		if b.Before(a) {
			return moment{}, fmt.Errorf("the period ends before it begins")
		}
		return moment{start: timestamppb.New(a), end: timestamppb.New(b), precision: pb.TimePrecision_TIME_PRECISION_PERIOD}, nil
	}
	t, p, err := parseInstant(text, zone, now)
	if err != nil {
		return moment{}, err
	}
	if about {
		if p != pb.TimePrecision_TIME_PRECISION_EXACT {
			return moment{}, fmt.Errorf("--about needs a time of day")
		}
		p = pb.TimePrecision_TIME_PRECISION_ABOUT
	}
	return moment{start: timestamppb.New(t), precision: p}, nil
}

func parseInstant(text string, zone *time.Location, now time.Time) (time.Time, pb.TimePrecision, error) {
	text = strings.TrimSpace(text)
	y, m, d := now.In(zone).Date()
	switch text {
	case "today":
		return time.Date(y, m, d, 0, 0, 0, 0, zone), pb.TimePrecision_TIME_PRECISION_DAY, nil
	case "yesterday":
		return time.Date(y, m, d-1, 0, 0, 0, 0, zone), pb.TimePrecision_TIME_PRECISION_DAY, nil
	case "now":
		return now.Truncate(time.Minute), pb.TimePrecision_TIME_PRECISION_EXACT, nil
	}
	for _, form := range []struct {
		layout    string
		precision pb.TimePrecision
	}{
		{"2006-01-02", pb.TimePrecision_TIME_PRECISION_DAY},
		{"2006-01-02 15:04", pb.TimePrecision_TIME_PRECISION_EXACT},
		{"2006-01-02t15:04", pb.TimePrecision_TIME_PRECISION_EXACT},
		{"2006-01", pb.TimePrecision_TIME_PRECISION_MONTH},
	} {
		if t, err := time.ParseInLocation(form.layout, text, zone); err == nil {
			return t, form.precision, nil
		}
	}
	return time.Time{}, 0, fmt.Errorf("%q is not a time; write a %s", text, whenHelp)
}

// firstDay and dayAfter read one end of a stretch of days: a day, a month or a
// year, both ends included.
func firstDay(flag, text string) (string, error) {
	a, _, err := stretch(text)
	if err != nil {
		return "", usagef("--%s: %s", flag, err)
	}
	return a.Format(time.DateOnly), nil
}

func dayAfter(flag, text string) (string, error) {
	_, b, err := stretch(text)
	if err != nil {
		return "", usagef("--%s: %s", flag, err)
	}
	return b.Format(time.DateOnly), nil
}

// stretch returns the first day of what was typed and the day after its last.
func stretch(text string) (first, after time.Time, err error) {
	switch {
	case yearForm.MatchString(text):
		first, err = time.Parse("2006", text)
		after = first.AddDate(1, 0, 0)
	case monthForm.MatchString(text):
		first, err = time.Parse("2006-01", text)
		after = first.AddDate(0, 1, 0)
	default:
		first, err = time.Parse(time.DateOnly, text)
		after = first.AddDate(0, 0, 1)
	}
	if err != nil {
		return first, after, fmt.Errorf("%q is not a day, month or year; write 2026-03-02, 2026-03 or 2026", text)
	}
	return first, after, nil
}

// period is flags that name a run of whole months.
type period struct {
	from, to string
	months   int
}

// message returns the period, or nil for what the service takes by itself.
func (p period) message(now time.Time) (*pb.Period, error) {
	if p.months < 0 || p.months > 600 {
		return nil, usagef("--months must be between 1 and 600")
	}
	if p.from == "" && p.to == "" && p.months == 0 {
		return nil, nil
	}
	if p.months > 0 && p.from != "" && p.to != "" {
		return nil, usagef("of --from, --to and --months at most two go together")
	}
	y, m, _ := now.Date()
	end := time.Date(y, m, 1, 0, 0, 0, 0, time.UTC) // the month now running is not whole
	var err error
	if p.to != "" {
		if end, err = month("to", p.to); err != nil {
			return nil, err
		}
		end = end.AddDate(0, 1, 0)
	}
	var start time.Time
	switch {
	case p.from != "":
		if start, err = month("from", p.from); err != nil {
			return nil, err
		}
		if p.months > 0 {
			end = start.AddDate(0, p.months, 0)
		}
	case p.months > 0:
		start = end.AddDate(0, -p.months, 0)
	default:
		return nil, usagef("--to needs --from or --months")
	}
	if !start.Before(end) {
		return nil, usagef("the period ends before it begins")
	}
	return &pb.Period{StartMonth: start.Format("2006-01"), EndMonth: end.Format("2006-01")}, nil
}

func month(flag, text string) (time.Time, error) {
	t, err := time.Parse("2006-01", text)
	if err != nil || !monthForm.MatchString(text) {
		return t, usagef("--%s: %q is not a month; write it as 2026-03", flag, text)
	}
	return t, nil
}

// lastMonth returns the last month of a period, which itself names the month
// after.
func lastMonth(p *pb.Period) string {
	t, err := time.Parse("2006-01", p.GetEndMonth())
	if err != nil {
		return p.GetEndMonth()
	}
	return t.AddDate(0, -1, 0).Format("2006-01")
}

// dayWords and timeWords write times for people.
func dayWords(t time.Time) string { return t.Format("2 January 2006") }

// occurred says when something happened, as precisely as it is known.
func occurred(r *pb.Report, zone *time.Location) string {
	if r.GetOccurTime() == nil {
		return "day not given"
	}
	t := r.GetOccurTime().AsTime().In(zone)
	switch r.GetOccurPrecision() {
	case pb.TimePrecision_TIME_PRECISION_EXACT:
		return dayWords(t) + ", " + t.Format("15:04")
	case pb.TimePrecision_TIME_PRECISION_ABOUT:
		return dayWords(t) + ", about " + t.Format("15:04")
	case pb.TimePrecision_TIME_PRECISION_MONTH:
		return t.Format("January 2006")
	case pb.TimePrecision_TIME_PRECISION_PERIOD:
		if r.GetOccurEndTime() != nil {
			return dayWords(t) + " to " + dayWords(r.GetOccurEndTime().AsTime().In(zone))
		}
	}
	return dayWords(t)
}
