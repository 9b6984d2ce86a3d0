package measure

import (
	"math"
	"strconv"
	"strings"

	"fairlead/analytics/figure"
	"fairlead/analytics/rate"
	pb "fairlead/proto/gen/fairlead/v1"
)

// whole writes a whole number with commas.
func whole(v float64) string { return figure.Count(v) }

// number writes how many of something there are.
func number(n float64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return whole(n) + " " + many
}

// decimals is how many decimals a figure is written with: one at most, because
// more would promise what no count can keep; more only below one, where one
// decimal would be nothing.
func decimals(v float64) int {
	switch v = math.Abs(v); {
	case v == 0 || v >= 100:
		return 0
	case v >= 1:
		return 1
	}
	return min(6, 1-int(math.Floor(math.Log10(v))))
}

// ratio writes numerator × base / denominator, rounded once from the exact
// fraction, half up.
func ratio(numerator, base, denominator float64) string {
	s, err := rate.Decimal(numerator, base, denominator, decimals(numerator*base/denominator))
	if err != nil {
		return "no value"
	}
	return commas(s)
}

// limit writes a limit of an interval: two figures, which is all it is worth.
func limit(v float64) string {
	d := 0
	if v < 10 {
		d = decimals(v)
	}
	s, err := rate.Decimal(v, 1, 1, d)
	if err != nil {
		return "no value"
	}
	return commas(s)
}

// commas puts commas into a decimal number, and drops decimals that are all
// zero: 20.0 is 20.
func commas(s string) string {
	head, tail, found := strings.Cut(s, ".")
	if v, err := strconv.ParseFloat(head, 64); err == nil && len(head) > 3 {
		head = whole(v)
	}
	if !found || strings.Trim(tail, "0") == "" {
		return head
	}
	return head + "." + tail
}

// list joins words: `a, b and c`.
func list(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// groupWords names employment groups.
func groupWords(g pb.EmploymentGroup) string {
	switch g {
	case pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE:
		return "employees"
	case pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE:
		return "labour hire"
	case pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR:
		return "contractors"
	case pb.EmploymentGroup_EMPLOYMENT_GROUP_VOLUNTEER:
		return "volunteers"
	case pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC:
		return "visitors and the public"
	}
	return "no employment group"
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
