package compute

import (
	"fmt"

	"fairlead/analytics/change"
	"fairlead/analytics/figure"
)

// changeMethods say what changed, when, and how sure that is.
func changeMethods() []Method {
	return []Method{changePoint(), changeInTime(), interruptedSeries(), poissonRegression(), negativeBinomialRegression(), seasonality()}
}

// longestSought is the longest series whose change is sought.
const longestSought = 1200

// mostTotal bounds all cases of a series whose change is sought: the exact
// chance follows every total.
const mostTotal = 1_000_000

func replicatesInput(about string, most int) Input {
	return Input{Name: "replicates", Type: Whole, About: about, Range: Range{Lo: 99, Hi: float64(most), Zero: true, bounded: true}, Default: 0}
}

// rateSeries are the inputs of a series without gaps: a period without exposure
// has exposure 0 and no case.
func rateSeries(required bool) []Input {
	return []Input{
		{Name: "counts", Type: Wholes, About: "cases of each period", Unit: "cases", Range: from(0, 1e6), Required: true, Longest: longestSeries},
		{Name: "exposures", Type: Numbers, About: "exposure of each period, 0 where nothing was worked; without it, equal exposure", Range: exposureRange(), Required: required, Longest: longestSeries},
	}
}

// ratedSeries returns counts and exposures per base, nil for equal exposure.
func ratedSeries(in *inputs) (counts []int, exposures []float64, err error) {
	total := 0
	for _, n := range in.wholes("counts") {
		total += n
	}
	if total > mostTotal {
		return nil, nil, bad("counts", "add up to %s: at most %s cases are taken", num(float64(total)), num(mostTotal))
	}
	if !in.has("exposures") {
		return in.wholes("counts"), nil, nil
	}
	base := 1.0
	if in.has("base") {
		base = in.number("base")
	}
	for _, e := range in.numbers("exposures") {
		exposures = append(exposures, e/base)
	}
	return in.wholes("counts"), exposures, nil
}

// per says what the rates of a series are per.
func (in *inputs) per(w words) string {
	if in.has("exposures") {
		return "per " + perBase(in.number("base"), w.unit)
	}
	return "a " + w.period
}

func changePoint() Method {
	return Method{
		Name: "change_point", Group: Changes, Also: []string{"change", "when_did_it_change"},
		Purpose: "Whether and when a series of counts changed its level, allowing for the search over all dates",
		Inputs: join(rateSeries(false), []Input{
			labelsInput("period"), baseInput(),
			{Name: "least_segment", Type: Whole, About: "fewest periods on either side", Range: from(1, longestSeries), Default: 1},
			replicatesInput("series simulated for the p-value; 0 works it out exactly where that is feasible, and simulates 9,999 where not", 9999), seedInput(),
		}, wordInputs(), []Input{periodInput()}),
		Outputs: []Output{
			{Name: "after", About: "periods before the change; the next one is the first after it"},
			{Name: "rate_before", About: "rate before, per base (per period without exposures)"}, {Name: "rate_after", About: "rate after"}, {Name: "rate_overall", About: "rate without a change"},
			{Name: "statistic", About: "likelihood ratio statistic; not chi-square distributed"}, {Name: "p_value", About: "chance of as clear a change at some date in a series that never changed"},
			{Name: "p_method", About: "how it was found"},
			{Name: "most_probable", About: "most probable date, given exactly one change"}, {Name: "posterior", About: "chance of each date, given exactly one change; the first entry is after 1 period"},
			{Name: "mean_date", About: "mean of that distribution"}, {Name: "span_first", About: "shortest run of dates that holds 90 %: its first"}, {Name: "span_last", About: "and its last"}, {Name: "within_two", About: "chance that the date is within 2 periods of the most probable"},
		},
		How:     "The date with the highest likelihood. The p-value is given the total number of cases and allows for having looked at every date; a plain chi-square would cry wolf. The distribution of the date takes all dates as equally probable beforehand and the rates as Gamma(1, 1) in the base.",
		Source:  "Hinkley (1970), Biometrika 57:1-17; Worsley (1983), Biometrika 70:455-464; Carlin, Gelfand and Smith (1992), Applied Statistics 41:389-405",
		Example: `{"counts": [7, 5, 9, 6, 8, 7, 6, 9, 7, 8, 3, 4, 2, 5, 3, 4, 2, 3, 4, 3], "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"counts", "exposures", "labels"}},
		named:   map[string]string{"draws": "replicates"},
		run:     runChangePoint,
	}
}

func runChangePoint(in *inputs) (*answer, error) {
	w, a, labels := wordsOf(in), newAnswer(), in.texts("labels")
	counts, exposures, err := ratedSeries(in)
	if err != nil {
		return nil, err
	}
	if len(counts) > longestSought {
		return nil, bad("counts", "has %s: at most %s are taken here; add periods together", entries(len(counts)), num(longestSought))
	}
	p, err := change.Find(counts, exposures, change.Options{MinSegment: in.whole("least_segment"), Draws: in.whole("replicates"), Seed: in.seed()})
	if err != nil {
		return nil, err
	}
	if !p.Defined {
		a.noneLeft(in.method, p.Reason)
		a.sentence = "No change can be looked for: " + p.Reason + "."
		return a, nil
	}
	first, last, err := p.Span(0.9)
	if err != nil {
		return nil, err
	}
	a.puts("after", p.After, "rate_before", p.RateBefore, "rate_after", p.RateAfter, "rate_overall", p.RateOverall, "statistic", p.LR, "p_value", p.PValue, "p_method", p.Method,
		"most_probable", p.Mode, "posterior", p.Posterior[1:], "mean_date", p.MeanDate(), "span_first", first, "span_last", last, "within_two", p.Within(2))
	a.sentence = fmt.Sprintf("The clearest change comes with %s: from %s to %s %s %s. %s (%s, over all dates).", labelled(labels, p.After, w), num(p.RateBefore), num(p.RateAfter), w.more, in.per(w), upper(chanceWords(p.PValue)), chance(p.PValue))
	a.how = upper(p.Method) + ". " + in.method.How
	levels := []figure.Level{{Last: p.After - 1, Value: p.RateBefore}, {First: p.After, Last: len(counts) - 1, Value: p.RateAfter}}
	a.draw = seriesFigure("Change of level of "+w.more, in, counts, exposures, w, levels, &figure.Flag{At: p.After, Number: 1, Note: "clearest change"})
	return a, nil
}

// seriesFigure draws a series with its levels.
func seriesFigure(title string, in *inputs, counts []int, exposures []float64, w words, levels []figure.Level, flag *figure.Flag) figure.Control {
	f := figure.Control{Title: title, Unit: w.more + " " + in.per(w), CountName: w.more, PeriodName: w.period, CenterName: "level", Center: levels}
	if exposures != nil {
		f.ExposureName = w.unit
	}
	labels := in.texts("labels")
	for i, n := range counts {
		o := observation(labelled(labels, i, w))
		o.Count, o.Value = float64(n), float64(n)
		if exposures != nil {
			o.Exposure = in.numbers("exposures")[i]
			if o.Missing = exposures[i] == 0; !o.Missing {
				o.Value /= exposures[i]
			}
		}
		f.Points = append(f.Points, o)
	}
	if flag != nil {
		f.Flags = []figure.Flag{*flag}
	}
	return f
}

func changeInTime() Method {
	return Method{
		Name: "change_in_time", Group: Changes, Also: []string{"change_point_continuous"},
		Purpose: "Whether and when the rate of rare single events changed, from their dates",
		Inputs: []Input{
			{Name: "times", Type: Numbers, About: "when each event happened: decimal years, days, or hours worked so far", Range: from(-mostHours, mostHours), Required: true, Longest: longestSeries},
			{Name: "start", Type: Number, About: "start of the record", Range: from(-mostHours, mostHours), Required: true}, {Name: "end", Type: Number, About: "end of the record", Range: from(-mostHours, mostHours), Required: true},
			{Name: "least_segment", Type: Whole, About: "fewest events on either side", Range: from(1, longestSeries), Default: 1},
			replicatesInput("records simulated for the p-value; 0 means 9,999", 9999), seedInput(),
		},
		Outputs: []Output{
			{Name: "at", About: "time of the change, at an event"}, {Name: "events_before", About: "events before it"},
			{Name: "rate_before", About: "events per unit of time before"}, {Name: "rate_after", About: "events per unit of time after"},
			{Name: "statistic", About: "likelihood ratio statistic; not chi-square distributed"}, {Name: "p_value", About: "chance of as clear a change at some time by chance"}, {Name: "p_method", About: "how it was found"},
		},
		How:     "The time with the highest likelihood, which is right before or after an event. By chance alone the events fall anywhere, given how many there were; the p-value is simulated and allows for the search.",
		Source:  "Raftery and Akman (1986), Biometrika 73:85-89",
		Example: `{"times": [2019.1, 2019.3, 2019.35, 2019.8, 2020.0, 2020.2, 2020.6, 2020.7, 2021.9, 2023.0, 2024.4], "start": 2019, "end": 2026, "seed": 7}`,
		named:   map[string]string{"draws": "replicates"},
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			if !(in.number("end") > in.number("start")) {
				return nil, bad("end", "is %s: must be after start, %s", num(in.number("end")), num(in.number("start")))
			}
			m, err := change.FindInTime(in.numbers("times"), in.number("start"), in.number("end"), change.Options{MinSegment: in.whole("least_segment"), Draws: in.whole("replicates"), Seed: in.seed()})
			if err != nil {
				return nil, err
			}
			if !m.Defined {
				a.noneLeft(in.method, m.Reason)
				a.sentence = "No change can be looked for: " + m.Reason + "."
				return a, nil
			}
			a.puts("at", m.At, "events_before", m.EventsBefore, "rate_before", m.RateBefore, "rate_after", m.RateAfter, "statistic", m.LR, "p_value", m.PValue, "p_method", m.Method)
			a.sentence = fmt.Sprintf("The clearest change is at %.6g: from %s to %s events a unit of time. %s (%s, over all dates).", m.At, num(m.RateBefore), num(m.RateAfter), upper(chanceWords(m.PValue)), chance(m.PValue))
			a.how = upper(m.Method) + ". " + in.method.How
			return a, nil
		},
	}
}

// seasonInputs say where a series stands in the year.
func seasonInputs() []Input {
	return []Input{
		{Name: "season_start", Type: Whole, About: "where the first period stands in the year, such as 7 for July; without it, no season is allowed for", Range: from(1, 366)},
		{Name: "season_length", Type: Whole, About: "periods in a year", Range: from(2, 366), Default: 12},
		{Name: "waves", Type: Whole, About: "sine waves of the season", Range: from(1, 6), Default: 2},
	}
}

// position returns where each period stands in the year, from 0.
func (in *inputs) position(n int) ([]int, error) {
	length, start := in.whole("season_length"), in.whole("season_start")
	if start > length {
		return nil, bad("season_start", "is %d: must be at most season_length, %d", start, length)
	}
	if 2*in.whole("waves") > length {
		return nil, bad("waves", "is %d: must be at most half of season_length, %d", in.whole("waves"), length)
	}
	out := make([]int, n)
	for i := range out {
		out[i] = (start - 1 + i) % length
	}
	return out, nil
}

func interruptedSeries() Method {
	return Method{
		Name: "interrupted_series", Group: Changes, Also: []string{"interrupted_time_series", "segmented_regression", "step_change"},
		Purpose: "By how much the rate changed at a date fixed beforehand, allowing for hours, a trend and a season",
		Inputs: join(rateSeries(false), []Input{
			labelsInput("period"), baseInput(),
			{Name: "at", Type: Whole, About: "first period after the change, from 1", Range: from(2, longestSeries), Required: true},
			{Name: "trend", Type: YesNo, About: "the rate was already rising or falling steadily", Default: false},
			{Name: "slope", Type: YesNo, About: "the change may also have bent the trend; needs trend", Default: false},
			levelInput(),
		}, seasonInputs(), wordInputs(), []Input{periodInput()}),
		Outputs: []Output{
			{Name: "ratio", About: "level right after the change over what it would have been"}, {Name: "lower", About: "lower limit"}, {Name: "upper", About: "upper limit"}, {Name: "p_value", About: "two-sided, of ratio 1"},
			{Name: "bend", About: "factor by which each later period departs further; 1 without slope"}, {Name: "bend_lower", About: "lower limit"}, {Name: "bend_upper", About: "upper limit"},
			{Name: "cases_before", About: "cases before"}, {Name: "cases_after", About: "cases after"}, {Name: "expected_after", About: "cases after, had nothing changed"}, {Name: "expected_lower", About: "lower limit"}, {Name: "expected_upper", About: "upper limit"},
			{Name: "dispersion", About: "spread of the counts over what chance makes; above 1 it has widened all intervals"}, {Name: "memory", About: "correlation of what is left unexplained with the period before"},
		},
		How:     "Poisson regression with standard errors widened where counts spread more than chance makes them, and Student's quantiles. A date found by looking at the same data belongs to change_point. Something else that changed at the same time would look the same.",
		Source:  "Wagner et al. (2002), Journal of Clinical Pharmacy and Therapeutics 27:299-309; Bernal, Cummins and Gasparrini (2017), International Journal of Epidemiology 46:348-355",
		Example: `{"counts": [7, 5, 9, 6, 8, 7, 6, 9, 7, 8, 3, 4, 2, 5, 3, 4, 2, 3, 4, 3], "at": 11, "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"counts", "exposures", "labels"}},
		run:     runInterrupted,
	}
}

func runInterrupted(in *inputs) (*answer, error) {
	w, a := wordsOf(in), newAnswer()
	counts, exposures, err := ratedSeries(in)
	if err != nil {
		return nil, err
	}
	at := in.whole("at") - 1
	if at < 1 || at >= len(counts) {
		return nil, bad("at", "is %d: must leave periods on both sides, from 2 to %d", at+1, len(counts))
	}
	if in.yes("slope") && !in.yes("trend") {
		return nil, bad("slope", "is true without a trend to bend: set trend to true as well")
	}
	i := change.Interruption{At: at, Trend: in.yes("trend"), Slope: in.yes("slope"), Level: in.number("level"), Period: in.whole("season_length"), Harmonics: in.whole("waves")}
	if in.has("season_start") {
		if i.Position, err = in.position(len(counts)); err != nil {
			return nil, err
		}
	}
	s, err := change.Interrupted(counts, exposures, i)
	if err != nil {
		return nil, err
	}
	a.puts("cases_before", s.Before.Cases, "cases_after", s.After.Cases)
	facts := fmt.Sprintf("%s in %s before, %s in %s after", many(s.Before.Cases, w.one, w.more), many(s.Before.Periods, w.period, w.periods), num(float64(s.After.Cases)), num(float64(s.After.Periods)))
	if !s.Defined {
		a.noneLeft(in.method, s.Reason)
		a.sentence = fmt.Sprintf("%s: the change cannot be measured, because %s.", upper(facts), s.Reason)
		return a, nil
	}
	a.puts("ratio", s.Ratio, "lower", s.Lo, "upper", s.Hi, "p_value", s.PValue, "bend", s.Bend, "bend_lower", s.BendLo, "bend_upper", s.BendHi,
		"expected_after", s.Expected, "expected_lower", s.ExpectedLo, "expected_upper", s.ExpectedHi, "dispersion", s.Dispersion, "memory", s.Memory)
	a.sentence = fmt.Sprintf("%s: %s times what it would have been, and anything from %s to %s would fit (%s). %s (%s).", upper(facts), num(s.Ratio), num(s.Lo), num(s.Hi), levelWord(s.Level), upper(chanceWords(s.PValue)), chance(s.PValue))
	a.how = upper(s.Method) + ". " + in.method.How
	a.note(s.Note)
	levels := []figure.Level{{Last: at - 1, Value: stretchRate(s.Before)}, {First: at, Last: len(counts) - 1, Value: stretchRate(s.After)}}
	a.draw = seriesFigure("Before and after: "+w.more, in, counts, exposures, w, levels, &figure.Flag{At: at, Number: 1, Note: "the change asked about"})
	return a, nil
}

// stretchRate is the plain rate of one side.
func stretchRate(s change.Stretch) float64 { return float64(s.Cases) / s.Exposure }
