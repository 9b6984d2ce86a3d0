package harm

import (
	"fmt"
	"math"
	"time"
)

// Day is a calendar day, counted from 1 January 1970. It has no time zone: it is
// a day where the work is done.
type Day int

// NoDay says that a day is not known. It is before every other day.
const NoDay Day = math.MinInt32

// ParseDay reads a day like 2026-03-31. It refuses days that no calendar has,
// such as 2026-02-30.
func ParseDay(s string) (Day, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return NoDay, fmt.Errorf("harm: %q is not a day like 2026-03-31", s)
	}
	return Day(t.Unix() / secondsOfDay), nil
}

// DayOf returns the day on which an instant falls in a time zone.
func DayOf(t time.Time, zone *time.Location) Day {
	y, m, d := t.In(zone).Date()
	return Date(y, m, d)
}

// Date returns a day from its year, month and day of month.
func Date(year int, month time.Month, day int) Day {
	// Dates before 1970 are exact multiples too, so plain division is right.
	return Day(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / secondsOfDay)
}

const secondsOfDay = 24 * 60 * 60

// String returns the day like 2026-03-31.
func (d Day) String() string {
	if d == NoDay {
		return "not known"
	}
	return d.utc().Format(time.DateOnly)
}

// In returns the instant at which the day begins in a time zone.
func (d Day) In(zone *time.Location) time.Time {
	y, m, day := d.utc().Date()
	return time.Date(y, m, day, 0, 0, 0, 0, zone)
}

// Weekday returns the day of the week.
func (d Day) Weekday() time.Weekday { return d.utc().Weekday() }

func (d Day) utc() time.Time { return time.Unix(int64(d)*secondsOfDay, 0).UTC() }

// weekdays returns how many days from first up to and without end are Monday to
// Friday.
func weekdays(first, end Day) int {
	if end <= first {
		return 0
	}
	n := int(end - first)
	full := n / 7
	count := full * 5
	for d := first + Day(full*7); d < end; d++ {
		if w := d.Weekday(); w != time.Saturday && w != time.Sunday {
			count++
		}
	}
	return count
}
