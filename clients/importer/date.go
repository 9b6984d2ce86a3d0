package importer

import (
	"fmt"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
)

// layout is how a table writes dates.
type layout struct {
	// words is the form as the mapping writes it: DD/MM/YYYY.
	words string
	// gos are the layouts of the time package to try, in order.
	gos []string
	// precision is what such a date tells.
	precision pb.TimePrecision
}

// isoDay is the form of a date when the mapping names none.
var isoDay = layout{words: "YYYY-MM-DD", gos: []string{"2006-01-02"}, precision: pb.TimePrecision_TIME_PRECISION_DAY}

// tokens of a date form, longest first.
var tokens = []struct{ word, golang string }{
	{"YYYY", "2006"}, {"MMMM", "January"}, {"MMM", "Jan"}, {"MM", "01"}, {"DD", "02"}, {"YY", "06"},
	{"hh", "15"}, {"mm", "04"}, {"ss", "05"}, {"am", "PM"}, {"M", "1"}, {"D", "2"}, {"h", "3"},
}

// newLayout reads a form such as `D/M/YYYY hh:mm`. Letters that are no token
// are an error; anything else stands for itself.
func newLayout(form string) (layout, error) {
	l := layout{words: form}
	var b strings.Builder
	has := map[string]bool{}
scan:
	for i := 0; i < len(form); {
		for _, t := range tokens {
			if strings.HasPrefix(form[i:], t.word) {
				b.WriteString(t.golang)
				if has[t.word[:1]] {
					return l, fmt.Errorf("%q has %s twice", form, t.word)
				}
				has[t.word[:1]] = true
				i += len(t.word)
				continue scan
			}
		}
		c := form[i]
		if c == 'T' {
			// The letter between date and time in ISO 8601.
			b.WriteByte(c)
			i++
			continue
		}
		if c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' || c >= 0x80 {
			return l, fmt.Errorf("%q is not a form of a date; build it from YYYY MM M MMM MMMM DD D hh h mm ss am and marks between, such as DD/MM/YYYY hh:mm", form)
		}
		b.WriteByte(c)
		i++
	}
	if !has["Y"] || !has["M"] {
		return l, fmt.Errorf("%q has no %s; a date needs at least a year and a month", form, missing(has))
	}
	l.gos = []string{b.String()}
	if has["a"] {
		l.gos = append(l.gos, strings.ReplaceAll(b.String(), "PM", "pm"))
	}
	switch {
	case !has["D"]:
		l.precision = pb.TimePrecision_TIME_PRECISION_MONTH
	case has["h"]:
		l.precision = pb.TimePrecision_TIME_PRECISION_EXACT
	default:
		l.precision = pb.TimePrecision_TIME_PRECISION_DAY
	}
	return l, nil
}

func missing(has map[string]bool) string {
	if !has["Y"] {
		return "YYYY"
	}
	return "MM"
}

// read reads a date in a zone.
func (l layout) read(text string, zone *time.Location) (time.Time, string) {
	for _, g := range l.gos {
		t, err := time.ParseInLocation(g, text, zone)
		if err != nil {
			continue
		}
		if t.Year() < 1950 {
			return t, "is before 1950; check the year"
		}
		return t, ""
	}
	return time.Time{}, "is not a date written as " + l.words + "; correct it, or change format in the mapping"
}
