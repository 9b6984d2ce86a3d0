package spc

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Finding is the short answer under a chart.
type Finding string

// The three answers. There is no fourth: a chart never says that all is well.
const (
	MoreThanChance   Finding = "more than chance"
	NoMoreThanChance Finding = "no more than chance"
	TooFewToSay      Finding = "too few to say"
)

// Verdict is a finding with the one plain sentence (or two short ones) that
// goes under the chart.
type Verdict struct {
	Finding  Finding
	Sentence string
}

// Words are what the counts are of and what one period is, so that the
// sentence reads like speech. Empty words fall back on "event" and "month".
type Words struct {
	One, Many string // "lost-time injury", "lost-time injuries"
	Period    string // "month"
	Periods   string // "months"
	Exposure  string // "hours"; on charts of gaps the unit of the gap, "days"
}

func (w Words) normal() Words {
	if w.One == "" || w.Many == "" {
		w.One, w.Many = "event", "events"
	}
	if w.Period == "" || w.Periods == "" {
		w.Period, w.Periods = "month", "months"
	}
	if w.Exposure == "" {
		w.Exposure = "hours"
	}
	return w
}

// The least history a verdict is given on. Below it the limits rest on so
// little that the sentence would be a guess. Common practice asks for 20 to 25
// samples before limits are trusted; these floors are this project's own, and
// charts between them and MinTrusted say how little they rest on.
const (
	MinPeriods = 10 // periods with data in the baseline
	MinEvents  = 10 // cases in the baseline
	MinTrusted = 20 // periods with data below which a note is printed
)

// Verdict returns the finding of a chart of counts, over all its points, and
// its sentence. The latest signal is named, the others counted.
func (c Chart) Verdict(w Words) Verdict {
	w = w.normal()
	if few, sentence := c.tooFew(w); few {
		return Verdict{Finding: TooFewToSay, Sentence: sentence + " Too few to say."}
	}
	if len(c.Signals) == 0 {
		return Verdict{Finding: NoMoreThanChance, Sentence: c.recent(w) + " No more than chance."}
	}
	latest := c.Signals[0]
	for _, s := range c.Signals {
		if s.Points[len(s.Points)-1] >= latest.Points[len(latest.Points)-1] {
			latest = s
		}
	}
	s := c.say(latest, w)
	switch others := len(c.Signals) - 1; {
	case others == 1:
		s += " One other signal is marked."
	case others > 1:
		s += fmt.Sprintf(" %d other signals are marked.", others)
	}
	return Verdict{Finding: MoreThanChance, Sentence: s + " More than chance."}
}

// tooFew says whether the last phase rests on too little, and how much that is.
func (c Chart) tooFew(w Words) (bool, string) {
	if len(c.Phases) == 0 {
		return true, "No " + w.Periods + " yet."
	}
	ph := c.Phases[len(c.Phases)-1]
	if ph.Given {
		return false, ""
	}
	if ph.Periods >= MinPeriods && ph.Events >= MinEvents {
		return false, ""
	}
	if c.Kind == T || c.Kind == G {
		return true, fmt.Sprintf("%s between %s.", plural(ph.Periods, "gap", "gaps"), w.Many)
	}
	return true, fmt.Sprintf("%s in %s.", plural(ph.Events, w.One, w.Many), plural(ph.Periods, w.Period, w.Periods))
}

// recent speaks of the last twelve points and the twelve before; of gaps it
// gives the middle.
func (c Chart) recent(w Words) string {
	switch c.Kind {
	case T, G:
		gaps := fmt.Sprintf("%s between %s", plural(len(c.Points), "gap", "gaps"), w.Many)
		if c.Limits == Sigma {
			// The centre of sigma limits is no median.
			return fmt.Sprintf("%s around %s %s.", gaps, Number(c.Center), w.Exposure)
		}
		return fmt.Sprintf("%s, half of them shorter than %s %s.", gaps, Number(c.Center), w.Exposure)
	case IMR:
		return fmt.Sprintf("%s around %s.", plural(len(c.Points), "value", "values"), Number(c.Center))
	}
	total := func(from, to int) (events, periods int) {
		for i := max(0, from); i < to; i++ {
			if !c.Points[i].Missing {
				events += c.Points[i].Count
				periods++
			}
		}
		return events, periods
	}
	n := len(c.Points)
	e, p := total(n-12, n)
	s := fmt.Sprintf("%s in the last %s", plural(e, w.One, w.Many), plural(p, w.Period, w.Periods))
	if before, q := total(n-24, n-12); q == 12 && p == 12 {
		return s + fmt.Sprintf(", %s in the 12 before.", strconv.Itoa(before))
	}
	return s + "."
}

// say puts one signal into words.
func (c Chart) say(s Signal, w Words) string {
	p := c.Points[s.At]
	switch s.Rule {
	case BeyondLimits:
		if c.Kind == T || c.Kind == G {
			return c.sayGap(p, s.Side, w)
		}
		limit, word := p.UCL, "above the upper limit"
		if s.Side == Below {
			limit, word = p.LCL, "below the lower limit"
		}
		return fmt.Sprintf("%s: %s, %s of %s.", p.Label, c.value(p, w), word, Number(limit))
	case RunOneSide:
		first, last := c.Points[s.Points[0]], c.Points[s.Points[len(s.Points)-1]]
		if c.Kind == T || c.Kind == G {
			center := "middle"
			if c.Limits == Sigma {
				center = "centre"
			}
			return fmt.Sprintf("%s in a row %s the %s of %s %s, up to %s.", plural(len(s.Points), "gap", "gaps"), s.Side, center, Number(p.Center), w.Exposure, last.Label)
		}
		return fmt.Sprintf("%s in a row %s the average of %s, %s to %s.", plural(len(s.Points), w.Period, w.Periods), s.Side, Number(p.Center), first.Label, last.Label)
	}
	return fmt.Sprintf("%s: %s.", p.Label, s.Rule)
}

// sayGap puts a long or a short gap into words.
func (c Chart) sayGap(p Point, s Side, w Words) string {
	word, limit := "longer than the upper limit", p.UCL
	if s == Below {
		word, limit = "shorter than the lower limit", p.LCL
	}
	return fmt.Sprintf("%s %s without %s up to %s, %s of %s.", Number(p.Value), w.Exposure, w.One, p.Label, word, Number(limit))
}

// value gives the count first, then the rate.
func (c Chart) value(p Point, w Words) string {
	n := plural(p.Count, w.One, w.Many)
	switch c.Kind {
	case U, LaneyU:
		return fmt.Sprintf("%s in %s %s (%s per %s)", n, Number(p.Exposure), w.Exposure, Number(p.Value), Number(c.Base))
	case IMR:
		return Number(p.Value)
	case P, LaneyP, NP:
		return fmt.Sprintf("%s of %s (%s)", n, Number(p.Exposure), Number(p.Value))
	}
	return n
}

// notes lists what a reader must know to read the chart rightly.
func notes(c Chart) []string {
	var out []string
	gaps := map[string]int{}
	for _, p := range c.Points {
		if p.Missing {
			gaps[p.Why]++
		}
	}
	for _, why := range []string{"not known", "no hours", "cases but no hours", "none examined"} {
		if n := gaps[why]; n > 0 {
			out = append(out, fmt.Sprintf("%s left out as gaps: %s.", plural(n, "period", "periods"), why))
		}
	}
	for _, ph := range c.Phases {
		if !ph.Given && ph.Periods < MinTrusted && ph.Periods > 0 {
			out = append(out, fmt.Sprintf("The limits rest on %s; at least %d are wanted.", plural(ph.Periods, "period", "periods"), MinTrusted))
		}
		if c.Kind == LaneyU || c.Kind == LaneyP {
			s := fmt.Sprintf("Sigma z is %s", Number(ph.SigmaZ))
			if ph.SigmaZ < 1 {
				s += ": successive periods differ by less than chance would make them, which narrows the limits"
			}
			out = append(out, s+".")
		}
	}
	return out
}

// plural joins a number and its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Number(float64(n)) + " " + many
}

// Number prints a figure for a sentence: whole numbers with commas, others to
// three significant digits.
func Number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "no value"
	}
	if x == math.Trunc(x) && math.Abs(x) < 1e15 {
		return commas(strconv.FormatFloat(x, 'f', 0, 64))
	}
	digits := 2 - int(math.Floor(math.Log10(math.Abs(x))))
	if digits <= 0 {
		return commas(strconv.FormatFloat(math.Round(x), 'f', 0, 64))
	}
	return strings.TrimRight(strings.TrimRight(strconv.FormatFloat(x, 'f', min(digits, 12), 64), "0"), ".")
}

// Chance prints a p-value: two significant digits, and a bound instead of a
// row of zeros.
func Chance(p float64) string {
	switch {
	case !(p >= 0 && p <= 1):
		return "p has no value"
	case p < 0.001:
		return "p below 0.001"
	}
	return "p = " + strconv.FormatFloat(p, 'g', 2, 64)
}

// commas groups the digits of a whole number in threes.
func commas(s string) string {
	sign := ""
	if strings.HasPrefix(s, "-") {
		sign, s = "-", s[1:]
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return sign + s
}
