package compute

import (
	"fmt"
	"strings"

	"fairlead/analytics/spc"
)

// num prints a figure for a sentence.
func num(x float64) string { return spc.Number(x) }

// percent prints a share.
func percent(x float64) string { return spc.Number(100*x) + " %" }

// many joins a number and its noun.
func many(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return spc.Number(float64(n)) + " " + more
}

// perBase says what a rate is per: "million hours", "200,000 hours", "hour".
func perBase(base float64, unit string) string {
	switch base {
	case 1:
		return singular(unit)
	case 1e6:
		return "million " + unit
	}
	return num(base) + " " + unit
}

// singular takes the s off a unit: hours, days, boards.
func singular(unit string) string {
	if strings.HasSuffix(unit, "s") && !strings.HasSuffix(unit, "ss") {
		return strings.TrimSuffix(unit, "s")
	}
	return unit
}

// upper makes the first letter of a sentence large.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// words are what is counted.
type words struct{ one, more, period, periods, unit string }

func wordsOf(in *inputs) words {
	w := words{one: in.text("event"), more: in.text("events"), period: in.text("period"), unit: in.text("unit")}
	if w.one == "" {
		w.one = "event"
	}
	if w.more == "" {
		w.more = w.one + "s"
	}
	if w.period == "" {
		w.period = "month"
	}
	w.periods = w.period + "s"
	if w.unit == "" {
		w.unit = "hours"
	}
	return w
}

// spc returns the words in the form of package spc.
func (w words) spc() spc.Words {
	return spc.Words{One: w.one, Many: w.more, Period: w.period, Periods: w.periods, Exposure: w.unit}
}

// levelWord prints a level: "95 %".
func levelWord(level float64) string { return spc.Number(100*level) + " %" }

// labelled returns the label of a period: the one given, or "month 7".
func labelled(labels []string, i int, w words) string {
	if i < len(labels) && labels[i] != "" {
		return labels[i]
	}
	return fmt.Sprintf("%s %d", w.period, i+1)
}

// manyX joins a number that need not be whole and its noun.
func manyX(x float64, one, more string) string {
	if x == 1 {
		return "1 " + one
	}
	return num(x) + " " + more
}

// many2 joins an expected number of cases and its noun.
func many2(x float64, w words) string { return manyX(x, w.one, w.more) }

// chance prints a p-value.
func chance(p float64) string { return spc.Chance(p) }

// surely is the p-value below which a sentence says "more than chance". It goes
// with the 95 % interval that is the default everywhere.
const surely = 0.05

// chanceWords is the short answer to a p-value.
func chanceWords(p float64) string {
	if p < surely {
		return "more than chance"
	}
	return "no more than chance"
}
