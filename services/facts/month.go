package facts

import (
	"fmt"
	"time"
)

// month is a calendar month as year*12 + month-1, so that neighbours differ by
// one. It holds years 0 to 5460; the contract admits 1950 to now.
type month uint16

func monthOf(day int32) month {
	y, m, _ := dateOf(day).Date()
	return month(max(0, min(y, 5460))*12 + int(m) - 1)
}

func (m month) year() int        { return int(m) / 12 }
func (m month) of() time.Month   { return time.Month(int(m)%12 + 1) }
func (m month) key() string      { return fmt.Sprintf("%04d-%02d", m.year(), int(m.of())) }
func (m month) title() string    { return fmt.Sprintf("%s %04d", m.of().String()[:3], m.year()) }
func dateOf(day int32) time.Time { return time.Unix(int64(day)*secondsPerDay, 0).UTC() }

const (
	secondsPerDay = 86_400
	// firstDay and endDay bound every day a column can hold.
	firstDay, endDay = int32(-1 << 31), int32(1<<31 - 1)
)

// dayIn returns the day of an instant in a time zone, counted from 1970-01-01.
func dayIn(micros int64, loc *time.Location) int32 {
	y, m, d := time.UnixMicro(micros).In(loc).Date()
	return dayNumber(y, m, d)
}

func dayNumber(y int, m time.Month, d int) int32 {
	s := time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix()
	return int32(s / secondsPerDay) // midnight UTC: divides without rest
}

// parseDay reads a day `YYYY-MM-DD` that must be in the calendar.
func parseDay(s string) (int32, bool) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, false
	}
	return dayNumber(t.Date()), true
}
