package compute

import (
	"fmt"

	"fairlead/analytics/figure"
	"fairlead/analytics/rate"
)

func standardisedRate() Method {
	return Method{
		Name: "standardised_rate", Group: OneRate, Also: []string{"direct_standardisation", "age_adjusted_rate", "fay_feuer"},
		Purpose: "The rate a standard population would have: makes places with a different mix of work comparable",
		Inputs: join([]Input{
			{Name: "counts", Type: Wholes, About: "cases of each class of work", Unit: "cases", Range: below(0, mostCases), Required: true, Longest: longestSeries},
			exposuresInput(true),
			{Name: "weights", Type: Numbers, About: "exposure of each class in the standard population", Range: from(0, mostHours), Required: true, Longest: longestSeries},
			labelsInput("class"), baseInput(), levelInput(),
		}, wordInputs()),
		Outputs: []Output{
			{Name: "rate", About: "standardised rate per base"}, {Name: "lower", About: "its lower limit"}, {Name: "upper", About: "its upper limit"},
			{Name: "crude_rate", About: "the plain rate, for comparison", Null: "the exposure of some class is not known, or there is none"},
			{Name: "count", About: "all cases"},
		},
		How:     "Each class's own rate, weighed as in the standard population. The interval is the gamma one of Fay and Feuer, which for one class is the exact one.",
		Source:  "Fay and Feuer (1997), Statistics in Medicine 16:791-801",
		Example: `{"labels": ["roads", "parks", "nursery"], "counts": [9, 4, 1], "exposures": [210000, 160000, 42000], "weights": [300000, 500000, 200000]}`,
		alike:   [][]string{{"counts", "exposures", "weights", "labels"}},
		run:     runStandardised,
	}
}

func runStandardised(in *inputs) (*answer, error) {
	counts, hours, weights, labels, base := in.wholes("counts"), in.numbers("exposures"), in.numbers("weights"), in.texts("labels"), in.number("base")
	w, a, o := wordsOf(in), newAnswer(), rate.Options{Level: in.number("level")}
	strata, parts, rows, total := make([]rate.Stratum, len(counts)), make([]rate.Part, len(counts)), []figure.Estimate{}, 0
	for i, n := range counts {
		label := fmt.Sprintf("class %d", i+1)
		if i < len(labels) && labels[i] != "" {
			label = labels[i]
		}
		missing := !in.knows("exposures", i)
		strata[i] = rate.Stratum{Label: label, Count: n, Exposure: hours[i], Missing: missing, Weight: weights[i]}
		parts[i] = rate.Part{Label: label, Count: n, Exposure: hours[i], Missing: missing}
		total += n
		if !missing {
			r, err := rate.Of(n, hours[i], base, o)
			if err != nil {
				return nil, err
			}
			rows = append(rows, figure.Estimate{Label: label, Facts: fmt.Sprintf("%s in %s", num(float64(n)), num(hours[i])), Value: r.Value, Lo: r.Lo, Hi: r.Hi, HasInterval: r.Defined, Missing: !r.Defined, Why: r.Reason})
		}
	}
	r, err := rate.Standardise(strata, base, o)
	if err != nil {
		return nil, err
	}
	crude, err := rate.Pool(parts, base, o)
	if err != nil {
		return nil, err
	}
	a.puts("count", total, "crude_rate", some(crude.Value, crude.Defined))
	if !r.Defined {
		a.none(r.Reason, "rate", "lower", "upper")
		a.sentence = "The standardised rate is undefined: " + r.Reason + "."
		return a, nil
	}
	a.puts("rate", r.Value, "lower", r.Lo, "upper", r.Hi)
	a.sentence = fmt.Sprintf("%s: %s per %s in the standard population, and anything from %s to %s would fit (%s, gamma).", upper(many(total, w.one, w.more)), num(r.Value), perBase(base, w.unit), num(r.Lo), num(r.Hi), levelWord(r.Level))
	if crude.Defined {
		a.sentence += fmt.Sprintf(" The plain rate is %s.", num(crude.Value))
	}
	rows = append(rows, figure.Estimate{Label: "standardised", Facts: num(float64(total)) + " in all", Value: r.Value, Lo: r.Lo, Hi: r.Hi, HasInterval: true, Summary: true})
	a.draw = intervalsOf("Standardised rate of "+w.more, w.more+" per "+perBase(base, w.unit), "class", r.Level, rows)
	return a, nil
}

func share() Method {
	return Method{
		Name: "share", Group: OneRate, Also: []string{"proportion", "clopper_pearson"},
		Purpose: "A part of a whole with its exact interval, such as the share of actions closed on time",
		Inputs: []Input{
			countInput("count", "the part"), {Name: "of", Type: Whole, About: "the whole", Range: below(0, mostCases), Required: true}, levelInput(),
		},
		Outputs: []Output{{Name: "share", About: "part of the whole, 0 to 1"}, {Name: "lower", About: "lower limit"}, {Name: "upper", About: "upper limit"}},
		How:     "The part over the whole, with the exact binomial interval. It is for things that turn out one way or the other independently of each other.",
		Source:  "Clopper and Pearson (1934), Biometrika 26:404-413", Example: `{"count": 34, "of": 51}`,
		run: func(in *inputs) (*answer, error) {
			n, of, a := in.whole("count"), in.whole("of"), newAnswer()
			if n > of {
				return nil, bad("count", "is %s: must be at most the whole, %s", num(float64(n)), num(float64(of)))
			}
			s, err := rate.ShareOf(n, of, in.number("level"))
			if err != nil {
				return nil, err
			}
			if !s.Defined {
				a.noneLeft(in.method, s.Reason)
				a.sentence = "The share is undefined: " + s.Reason + "."
				return a, nil
			}
			a.puts("share", s.Value, "lower", s.Lo, "upper", s.Hi)
			a.sentence = fmt.Sprintf("%s of %s: %s, and anything from %s to %s would fit (%s, exact).", num(float64(n)), num(float64(of)), percent(s.Value), percent(s.Lo), percent(s.Hi), levelWord(s.Level))
			a.draw = intervalsOf("Share", "share", "share", s.Level, []figure.Estimate{{Label: "share", Facts: fmt.Sprintf("%d of %d", n, of), Value: s.Value, Lo: s.Lo, Hi: s.Hi, HasInterval: true}})
			return a, nil
		},
	}
}

func daysLost() Method {
	return Method{
		Name: "days_lost", Group: OneRate, Also: []string{"severity_rate", "average_time_lost", "duration_rate"},
		Purpose: "Days lost per case and per hours worked",
		Inputs: []Input{
			{Name: "days", Type: Number, About: "days lost, counted and charged by one convention", Range: from(0, mostHours), Required: true},
			countInput("cases", "the cases that lost them"),
			{Name: "hours", Type: Number, About: "hours worked", Range: exposureRange()}, baseInput(),
		},
		Outputs: []Output{
			{Name: "average_time_lost", About: "days per case", Null: "there is no case"},
			{Name: "severity_rate", About: "days per base hours", Null: "no hours were given"},
			{Name: "frequency_rate", About: "cases per base hours", Null: "no hours were given"},
		},
		How:     "Days over cases, and days over hours. Days of one case go together, so that these have no Poisson interval; their severity is the frequency rate times the average time lost. Compare only figures that count and charge days by the same convention.",
		Source:  "AS 1885.1-1990, Workplace injury and disease recording standard",
		Example: `{"days": 87, "cases": 6, "hours": 412000}`,
		run: func(in *inputs) (*answer, error) {
			days, n, a := in.number("days"), in.whole("cases"), newAnswer()
			q, err := rate.AverageTimeLost(days, n)
			if err != nil {
				return nil, err
			}
			a.put("average_time_lost", some(q.Value, q.Defined))
			a.sentence = fmt.Sprintf("%s lost in %s", upper(manyX(days, "day", "days")), many(n, "case", "cases"))
			if q.Defined {
				a.sentence += fmt.Sprintf(": %s a case", num(q.Value))
			}
			if !in.has("hours") {
				a.puts("severity_rate", nil, "frequency_rate", nil)
				a.sentence += "."
				return a, nil
			}
			hours, base := in.number("hours"), in.number("base")
			s, err := rate.SeverityRate(days, hours, base)
			if err != nil {
				return nil, err
			}
			f, err := rate.Of(n, hours, base, rate.Options{})
			if err != nil {
				return nil, err
			}
			a.puts("severity_rate", some(s.Value, s.Defined), "frequency_rate", some(f.Value, f.Defined))
			if !s.Defined {
				a.none(s.Reason, "severity_rate", "frequency_rate")
				a.sentence += "; the rates are undefined: " + s.Reason + "."
				return a, nil
			}
			a.sentence += fmt.Sprintf(", %s days and %s cases per %s.", num(s.Value), num(f.Value), perBase(base, "hours"))
			return a, nil
		},
	}
}

func percentChange() Method {
	return Method{
		Name: "percent_change", Group: TwoRates, Also: []string{"change_percent"},
		Purpose: "Change from one figure to another in per cent; whether it is more than chance, rate_ratio says",
		Inputs: []Input{
			{Name: "from", Type: Number, About: "the earlier figure", Range: from(0, mostHours), Required: true},
			{Name: "to", Type: Number, About: "the later figure", Range: from(0, mostHours), Required: true},
		},
		Outputs: []Output{{Name: "percent", About: "change in per cent", Null: "the earlier figure is zero"}},
		How:     "The difference over the earlier figure. It says nothing about chance: from 3 to 4 cases is 33 % more and no news.",
		Source:  "arithmetic", Example: `{"from": 3.2, "to": 4.1}`,
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			q, err := rate.PercentChange(in.number("from"), in.number("to"))
			if err != nil {
				return nil, err
			}
			a.put("percent", some(q.Value, q.Defined))
			a.note("A change in per cent hides the counts behind it. Compare the counts and hours with rate_ratio.")
			if !q.Defined {
				a.none(q.Reason, "percent")
				a.sentence = "The change in per cent is undefined: " + q.Reason + "."
				return a, nil
			}
			word := "more"
			if q.Value < 0 {
				word = "less"
			}
			a.sentence = fmt.Sprintf("From %s to %s: %s %% %s.", num(in.number("from")), num(in.number("to")), num(max(q.Value, -q.Value)), word)
			return a, nil
		},
	}
}
