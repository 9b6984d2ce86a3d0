package hoursfile

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

var (
	plainNumber = regexp.MustCompile(`^[0-9]+(\.[0-9]+)?$`)
	// Groups of three that can only be groups: a point follows, or there is
	// more than one comma.
	commaGroups = regexp.MustCompile(`^[0-9]{1,3}(,[0-9]{3})+\.[0-9]+$|^[0-9]{1,3}(,[0-9]{3}){2,}$`)
	spaceGroups = regexp.MustCompile(`^[0-9]{1,3}( [0-9]{3})+(\.[0-9]+)?$`)
	oneComma    = regexp.MustCompile(`^[0-9]{1,3},[0-9]{3}$`)
	decComma    = regexp.MustCompile(`^[0-9. ]*,[0-9]+$`)
	pointGroups = regexp.MustCompile(`^[0-9]{1,3}(\.[0-9]{3}){2,}$`)
	exponent    = regexp.MustCompile(`(?i)^[0-9.,]+e[+-]?[0-9]+$`)
)

// number reads hours or heads. cure is empty when the number can be taken.
func number(cell string) (n float64, cure string) {
	s := spaces.Replace(cell)
	switch {
	case plainNumber.MatchString(s):
	case commaGroups.MatchString(s):
		s = strings.ReplaceAll(s, ",", "")
	case spaceGroups.MatchString(s):
		s = strings.ReplaceAll(s, " ", "")
	case oneComma.MatchString(s):
		return 0, fmt.Sprintf("could mean %s or %s; write it without the comma, or with a point",
			strings.Replace(s, ",", "", 1), strings.Replace(s, ",", ".", 1))
	case decComma.MatchString(s):
		return 0, "has a decimal comma; write a decimal point, and no marks between thousands"
	case pointGroups.MatchString(s):
		return 0, "has points between thousands; write the digits without them"
	case strings.HasPrefix(s, "#"):
		return 0, "is an error of the spreadsheet (a failed formula, or a column that is too narrow); mend it there and save again"
	case exponent.MatchString(s):
		return 0, "was rounded by the spreadsheet; format the column as a number and save again"
	case strings.HasPrefix(s, "-") || strings.HasPrefix(s, "("):
		return 0, "is below zero; write the hours actually worked, 0 or more"
	case strings.Contains(s, ":"):
		return 0, "looks like a time of day; write hours as a decimal number, such as 1234.5"
	default:
		return 0, "is not a number; write digits only, such as 1234.5"
	}
	n, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(n, 0) || math.IsNaN(n) {
		return 0, "is too long for a number; check it"
	}
	return n, ""
}

// Spaces that spreadsheets put between thousands.
var spaces = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ")

var (
	yearMonth  = regexp.MustCompile(`^([0-9]{4})-([0-9]{2})$`)
	firstDay   = regexp.MustCompile(`^([0-9]{4}-[0-9]{2})-([0-9]{2})(?:[T ]00:00(?::00)?)?$`)
	monthYear  = regexp.MustCompile(`^([0-9]{1,2})/([0-9]{4})$`)
	namedMonth = regexp.MustCompile(`^([A-Za-z]{3,9})[ -]([0-9]{4})$`)
	mangled    = regexp.MustCompile(`^[A-Za-z]{3}-[0-9]{2}$|^[0-9]{1,2}-[A-Za-z]{3}$`)
	serial     = regexp.MustCompile(`^[0-9]{5}$`)
)

const asText = "; format the column as text, so that the spreadsheet leaves it alone, and write the month as 2026-03"

// month reads a month and returns it as YYYY-MM.
func month(cell string) (m, cure string) {
	switch s := cell; {
	case s == "":
		return "", "is empty; write the month as 2026-03"
	case yearMonth.MatchString(s):
		m = s
	case firstDay.MatchString(s):
		p := firstDay.FindStringSubmatch(s)
		if p[2] != "01" {
			return "", "is a day, not a month; write the month as 2026-03"
		}
		m = p[1]
	case monthYear.MatchString(s):
		p := monthYear.FindStringSubmatch(s)
		m = p[2] + "-" + strings.Repeat("0", 2-len(p[1])) + p[1]
	case namedMonth.MatchString(s):
		p := namedMonth.FindStringSubmatch(s)
		for _, layout := range []string{"Jan 2006", "January 2006"} {
			if t, err := time.Parse(layout, p[1]+" "+p[2]); err == nil {
				m = t.Format("2006-01")
			}
		}
	case mangled.MatchString(s):
		return "", "was changed by the spreadsheet and has lost its year or its day" + asText
	case serial.MatchString(s):
		return "", "is the spreadsheet's own number for a day" + asText
	}
	if m == "" {
		return "", "is not a month; write it as 2026-03"
	}
	t, err := time.Parse("2006-01", m)
	if err != nil {
		return "", "has no such month; write it as 2026-03"
	}
	if t.Year() < 1950 {
		return "", "is before 1950; check the year"
	}
	return m, ""
}
