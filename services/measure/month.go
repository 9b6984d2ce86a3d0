package measure

import (
	"fmt"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// month is a calendar month as year*12 + month-1.
type month int

func monthOf(d harm.Day) month {
	y, m, _ := d.In(time.UTC).Date()
	return month(y*12 + int(m) - 1)
}

func parseMonth(s string) (month, bool) {
	t, err := time.Parse("2006-01", s)
	if err != nil {
		return 0, false
	}
	return month(t.Year()*12 + int(t.Month()) - 1), true
}

func (m month) year() int        { return int(m) / 12 }
func (m month) of() time.Month   { return time.Month(int(m)%12 + 1) }
func (m month) String() string   { return fmt.Sprintf("%04d-%02d", m.year(), int(m.of())) }
func (m month) start() time.Time { return time.Date(m.year(), m.of(), 1, 0, 0, 0, 0, time.UTC) }

// span is a run of months: start inclusive, end exclusive.
type span struct{ start, end month }

func (s span) len() int          { return int(s.end - s.start) }
func (s span) has(m month) bool  { return m >= s.start && m < s.end }
func (s span) index(m month) int { return int(m - s.start) }
func (s span) message() *pb.Period {
	return &pb.Period{StartMonth: s.start.String(), EndMonth: s.end.String()}
}
func (s span) firstDay() string     { return s.start.String() + "-01" }
func (s span) dayAfterLast() string { return s.end.String() + "-01" }

// names returns the months that are marked, as `2026-03`.
func (s span) names(marked []bool) []string {
	var out []string
	for i, m := range marked {
		if m {
			out = append(out, (s.start + month(i)).String())
		}
	}
	return out
}

// inWords joins marked months, neighbours as one: `2026-03, 2026-05 to 2026-07`.
func (s span) inWords(marked []bool) string {
	var parts []string
	for i := 0; i < len(marked); i++ {
		if !marked[i] {
			continue
		}
		j := i
		for j+1 < len(marked) && marked[j+1] {
			j++
		}
		text := (s.start + month(i)).String()
		switch {
		case j == i+1:
			text += ", " + (s.start + month(j)).String()
		case j > i:
			text += " to " + (s.start + month(j)).String()
		}
		parts = append(parts, text)
		i = j
	}
	return strings.Join(parts, ", ")
}

func anyOf(marked []bool) bool {
	for _, m := range marked {
		if m {
			return true
		}
	}
	return false
}
