package compute

import (
	"fmt"

	"fairlead/analytics/figure"
	"fairlead/analytics/rate"
)

// countMethods are figures of one count: with exposure, without, and shares.
func countMethods() []Method {
	return []Method{countInterval(), oneRate(), pooledRate(), standardisedRate(), share(), timeBetween(), daysLost(), percentChange()}
}

const intervalSource = "Garwood (1936), Biometrika 28:437-442; Cohen and Yang (1994), Statistics in Medicine 13:2189-2204 (mid-P); " +
	"Rothman and Boice (1979), Epidemiologic Analysis with a Programmable Calculator (Byar); Wilson (1927), JASA 22:209-212"

func countInterval() Method {
	return Method{
		Name: "count_interval", Group: OneRate, Also: []string{"poisson_interval", "garwood", "exact_count_ci", "midp_count_ci", "byar"},
		Purpose: "Interval for the number of cases to be expected, from one count",
		Inputs:  join([]Input{countInput("count", "cases counted"), levelInput()}, wordInputs()[:2]),
		Outputs: []Output{
			{Name: "exact_lower", About: "lower limit, exact (Garwood)"}, {Name: "exact_upper", About: "upper limit, exact (Garwood)"},
			{Name: "mid_p_lower", About: "lower limit, mid-P"}, {Name: "mid_p_upper", About: "upper limit, mid-P"},
			{Name: "byar_lower", About: "lower limit, Byar's approximation"}, {Name: "byar_upper", About: "upper limit, Byar's approximation"},
		},
		How:    "The means at which a count this low or this high would be unusual. The exact interval never covers less than it says; mid-P covers its level on average; Byar's fits on a pocket calculator. Cases are taken to happen independently.",
		Source: intervalSource, Example: `{"count": 10, "event": "lost-time injury", "events": "lost-time injuries"}`,
		run: func(in *inputs) (*answer, error) {
			n, level, w, a := in.whole("count"), in.number("level"), wordsOf(in), newAnswer()
			var rows []figure.Estimate
			for _, k := range []struct {
				name string
				m    rate.Method
			}{{"exact", rate.Garwood}, {"mid_p", rate.MidP}, {"byar", rate.Byar}} {
				r, err := rate.Of(n, 1, 1, rate.Options{Level: level, Method: k.m})
				if err != nil {
					return nil, err
				}
				a.puts(k.name+"_lower", r.Lo, k.name+"_upper", r.Hi)
				rows = append(rows, figure.Estimate{Label: string(k.m), Value: r.Value, Lo: r.Lo, Hi: r.Hi, HasInterval: true})
				if k.m == rate.Garwood {
					a.sentence = fmt.Sprintf("%s counted; anything from %s to %s to be expected would fit (%s, exact).", upper(many(n, w.one, w.more)), num(r.Lo), num(r.Hi), levelWord(level))
				}
			}
			a.draw = figure.Intervals{Title: "What would fit " + many(n, w.one, w.more), Unit: "expected " + w.more, RowName: "interval", IntervalName: levelWord(level) + " interval", Rows: rows}
			return a, nil
		},
	}
}

func oneRate() Method {
	return Method{
		Name: "rate", Group: OneRate, Also: []string{"rate_ci", "frequency_rate", "incidence_rate", "wilson"},
		Purpose: "A rate with its interval: cases over hours worked, and a test against a stated rate",
		Inputs: join([]Input{
			countInput("count", "cases"), hoursInput("exposure", "the hours in which the cases arose"), baseInput(), levelInput(),
			intervalInput("exact", "mid_p", "byar", "wilson"),
			{Name: "stated_rate", Type: Number, About: "a rate to compare with, fixed beforehand, in the same base", Range: from(0, 1e15)},
		}, wordInputs()),
		Outputs: []Output{
			{Name: "rate", About: "cases per base", Null: "there is no exposure, and a rate without it is not zero but undefined"},
			{Name: "lower", About: "lower limit of the kind asked for"}, {Name: "upper", About: "upper limit of the kind asked for"},
			{Name: "exact_lower", About: "exact limits"}, {Name: "exact_upper", About: "exact limits"},
			{Name: "mid_p_lower", About: "mid-P limits"}, {Name: "mid_p_upper", About: "mid-P limits"},
			{Name: "byar_lower", About: "Byar's limits"}, {Name: "byar_upper", About: "Byar's limits"},
			{Name: "wilson_lower", About: "Wilson's limits, each unit of exposure a trial"}, {Name: "wilson_upper", About: "Wilson's limits"},
			{Name: "p_value", About: "two-sided p-value against stated_rate, of the same kind as the interval"},
			{Name: "p_central", About: "twice the smaller one-sided value; goes with the exact interval"},
			{Name: "p_mid", About: "mid-P; goes with the mid-P interval"},
			{Name: "p_min_like", About: "all counts no more likely than the one seen, as some packages print"},
			{Name: "p_less", About: "one-sided: as few or fewer"}, {Name: "p_greater", About: "one-sided: as many or more"},
		},
		How:     "Cases over exposure, times the base. The interval is that of the count over the same exposure; the p-value is the chance of a count at least as far from what the stated rate leads to expect. Cases are taken to happen independently.",
		Source:  intervalSource + "; Fay (2010), R Journal 2(1):53-58, on which p-value goes with which interval",
		Example: `{"count": 3, "exposure": 412000, "stated_rate": 5, "event": "lost-time injury", "events": "lost-time injuries"}`,
		named:   map[string]string{"mean": "stated_rate", "trials": "exposure"},
		run:     runRate,
	}
}

func runRate(in *inputs) (*answer, error) {
	n, hours, base, level, w, a := in.whole("count"), in.number("exposure"), in.number("base"), in.number("level"), wordsOf(in), newAnswer()
	asked := intervalMethod(in.text("interval"))
	facts := fmt.Sprintf("%s in %s %s", many(n, w.one, w.more), num(hours), w.unit)
	var rows []figure.Estimate
	for _, k := range []struct {
		name string
		m    rate.Method
	}{{"exact", rate.Garwood}, {"mid_p", rate.MidP}, {"byar", rate.Byar}, {"wilson", rate.Wilson}} {
		if k.m == rate.Wilson && hours < float64(n) {
			reason := "each unit of exposure is a trial there, and there are fewer of them than cases"
			a.none(reason, "wilson_lower", "wilson_upper")
			if asked == rate.Wilson {
				return nil, bad("interval", "is wilson, but %s; use exact", reason)
			}
			continue
		}
		r, err := rate.Of(n, hours, base, rate.Options{Level: level, Method: k.m})
		if err != nil {
			return nil, err
		}
		if !r.Defined {
			a.noneLeft(in.method, r.Reason)
			a.sentence = fmt.Sprintf("%s, but the rate is undefined: %s.", upper(facts), r.Reason)
			return a, nil
		}
		a.puts(k.name+"_lower", r.Lo, k.name+"_upper", r.Hi)
		rows = append(rows, figure.Estimate{Label: string(k.m), Facts: facts, Value: r.Value, Lo: r.Lo, Hi: r.Hi, HasInterval: true})
		if k.m == asked {
			a.puts("rate", r.Value, "lower", r.Lo, "upper", r.Hi)
			a.sentence = fmt.Sprintf("%s: %s per %s, and anything from %s to %s would fit (%s, %s).", upper(facts), num(r.Value), perBase(base, w.unit), num(r.Lo), num(r.Hi), levelWord(level), k.m)
		}
	}
	f := figure.Intervals{Title: "Rate of " + w.more, Unit: w.more + " per " + perBase(base, w.unit), RowName: "interval", IntervalName: levelWord(level) + " interval", Rows: rows}
	if in.has("stated_rate") {
		stated := in.number("stated_rate")
		expected := stated / base * hours
		if expected > mostCases {
			return nil, bad("stated_rate", "is %s: more than 1e9 cases would be expected in these hours", num(stated))
		}
		p, err := rate.TestMean(n, expected)
		if err != nil {
			return nil, err
		}
		value := p.For(asked)
		a.puts("p_value", value, "p_central", p.Central, "p_mid", p.MidP, "p_min_like", p.MinLike, "p_less", p.Less, "p_greater", p.Greater)
		a.sentence += fmt.Sprintf(" Against a stated rate of %s, which leads to expect %s: %s (%s).", num(stated), many2(expected, w), chanceWords(value), chance(value))
		f.Reference, f.HasReference, f.ReferenceName = stated, true, "stated"
	} else {
		a.none("no stated_rate was given", "p_value", "p_central", "p_mid", "p_min_like", "p_less", "p_greater")
	}
	a.draw = f
	return a, nil
}

func pooledRate() Method {
	return Method{
		Name: "pooled_rate", Group: OneRate, Also: []string{"ratio_of_sums"},
		Purpose: "One rate of several periods or places together: the ratio of the sums, never the mean of rates",
		Inputs: join([]Input{
			{Name: "counts", Type: Wholes, About: "cases of each part", Unit: "cases", Range: below(0, mostCases), Required: true, Longest: longestSeries},
			exposuresInput(true), labelsInput("part"), baseInput(), levelInput(), intervalInput("exact", "mid_p", "byar"),
		}, wordInputs()),
		Outputs: []Output{
			{Name: "count", About: "all cases"}, {Name: "exposure", About: "all exposure", Null: "the exposure of some part is not known"},
			{Name: "rate", About: "pooled rate per base"}, {Name: "lower", About: "its lower limit"}, {Name: "upper", About: "its upper limit"},
			{Name: "rates", About: "rate of each part", Null: "null where a part has no exposure"},
			{Name: "lowers", About: "lower limit of each part", Null: "null where a part has no exposure"},
			{Name: "uppers", About: "upper limit of each part", Null: "null where a part has no exposure"},
		},
		How:     "All cases over all exposure, so that each hour weighs alike. If the exposure of any part is not known, the whole is undefined: its cases over other parts' hours would inflate the rate.",
		Source:  intervalSource,
		Example: `{"labels": ["Northside depot", "Quarry Road depot", "Workshop"], "counts": [4, 7, 1], "exposures": [118000, 240500, 31000]}`,
		alike:   [][]string{{"counts", "exposures", "labels"}},
		run:     runPooled,
	}
}

func runPooled(in *inputs) (*answer, error) {
	counts, hours, labels, base := in.wholes("counts"), in.numbers("exposures"), in.texts("labels"), in.number("base")
	w, a, o := wordsOf(in), newAnswer(), rate.Options{Level: in.number("level"), Method: intervalMethod(in.text("interval"))}
	parts, rows := make([]rate.Part, len(counts)), []figure.Estimate{}
	var values, lo, hi []*float64
	for i, n := range counts {
		label := fmt.Sprintf("part %d", i+1)
		if i < len(labels) && labels[i] != "" {
			label = labels[i]
		}
		parts[i] = rate.Part{Label: label, Count: n, Exposure: hours[i], Missing: !in.knows("exposures", i)}
		r, err := rate.Missing(n, base, o)
		if !parts[i].Missing {
			r, err = rate.Of(n, hours[i], base, o)
		}
		if err != nil {
			return nil, err
		}
		values, lo, hi = append(values, some(r.Value, r.Defined)), append(lo, some(r.Lo, r.Defined)), append(hi, some(r.Hi, r.Defined))
		rows = append(rows, figure.Estimate{Label: label, Facts: fmt.Sprintf("%s in %s", num(float64(n)), num(hours[i])), Value: r.Value, Lo: r.Lo, Hi: r.Hi, HasInterval: r.Defined, Missing: !r.Defined, Why: r.Reason})
	}
	all, err := rate.Pool(parts, base, o)
	if err != nil {
		return nil, err
	}
	total := 0
	for _, n := range counts {
		total += n
	}
	a.puts("rates", values, "lowers", lo, "uppers", hi, "count", total)
	if !all.Defined {
		a.none(all.Reason, "rate", "lower", "upper", "exposure")
		a.sentence = fmt.Sprintf("%s, but the rate is undefined: %s.", upper(many(total, w.one, w.more)), all.Reason)
	} else {
		a.puts("rate", all.Value, "lower", all.Lo, "upper", all.Hi, "exposure", all.Exposure)
		a.sentence = fmt.Sprintf("%s in %s %s: %s per %s together, and anything from %s to %s would fit (%s, %s).", upper(many(all.Count, w.one, w.more)), num(all.Exposure), w.unit,
			num(all.Value), perBase(base, w.unit), num(all.Lo), num(all.Hi), levelWord(all.Level), all.Method)
		rows = append(rows, figure.Estimate{Label: "all together", Facts: fmt.Sprintf("%s in %s", num(float64(all.Count)), num(all.Exposure)), Value: all.Value, Lo: all.Lo, Hi: all.Hi, HasInterval: true, Summary: true})
	}
	a.draw = intervalsOf("Rates of "+w.more, w.more+" per "+perBase(base, w.unit), "part", o.Level, rows)
	return a, nil
}

func timeBetween() Method {
	return Method{
		Name: "time_between", Group: OneRate, Also: []string{"mean_time_between", "hours_per_case"},
		Purpose: "Mean hours (or days) between cases, with its interval",
		Inputs:  join([]Input{countInput("count", "cases"), hoursInput("exposure", "the time in which they arose"), levelInput()}, wordInputs()),
		Outputs: []Output{
			{Name: "mean", About: "exposure per case"}, {Name: "lower", About: "at least so much"},
			{Name: "upper", About: "at most so much", Null: "no upper limit follows from so few cases"},
		},
		How:    "The reciprocal of the rate, with the reciprocals of its exact limits. Without a case the mean is not known, but a lower limit is.",
		Source: "Garwood (1936), Biometrika 28:437-442", Example: `{"count": 2, "exposure": 640, "unit": "days", "event": "lost-time injury", "events": "lost-time injuries"}`,
		run: func(in *inputs) (*answer, error) {
			n, w, a := in.whole("count"), wordsOf(in), newAnswer()
			s, err := rate.MeanBetween(n, in.number("exposure"), in.number("level"))
			if err != nil {
				return nil, err
			}
			facts := fmt.Sprintf("%s in %s %s", many(n, w.one, w.more), num(s.Exposure), w.unit)
			switch {
			case s.Exposure == 0:
				a.noneLeft(in.method, s.Reason)
				a.sentence = fmt.Sprintf("%s: nothing can be said, because %s.", upper(facts), s.Reason)
				return a, nil
			case !s.Defined:
				a.none(s.Reason, "mean")
				a.sentence = fmt.Sprintf("%s: the mean is not known, but it is at least %s %s (%s).", upper(facts), num(s.Lo), w.unit, levelWord(s.Level))
			default:
				a.put("mean", s.Value)
				to := "and has no upper limit"
				if !s.HiOpen {
					to = "to " + num(s.Hi)
				}
				a.sentence = fmt.Sprintf("%s: one in %s %s on average, from %s %s (%s).", upper(facts), num(s.Value), w.unit, num(s.Lo), to, levelWord(s.Level))
			}
			a.puts("lower", s.Lo, "upper", some(s.Hi, !s.HiOpen))
			return a, nil
		},
	}
}
