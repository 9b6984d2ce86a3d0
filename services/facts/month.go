package facts

import (
	"fmt"
	"time"

	"fairlead/services/harm"
)

// month is a calendar month as year*12 + month-1, so that neighbours differ by
// one. It holds years 0 to 5460; the contract admits 1950 to now.
type month uint16

func monthOf(day harm.Day) month {
	y, m, _ := day.In(time.UTC).Date()
	return month(max(0, min(y, 5460))*12 + int(m) - 1)
}

func (m month) year() int      { return int(m) / 12 }
func (m month) of() time.Month { return time.Month(int(m)%12 + 1) }
func (m month) key() string    { return fmt.Sprintf("%04d-%02d", m.year(), int(m.of())) }
func (m month) title() string  { return fmt.Sprintf("%s %04d", m.of().String()[:3], m.year()) }
