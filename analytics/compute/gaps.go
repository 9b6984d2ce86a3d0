package compute

import (
	"fmt"
	"strings"

	"fairlead/analytics/spc"
)

// gapMethods are charts of single values and of what lies between rare events.
func gapMethods() []Method {
	const (
		days = `[12, 31, 5, 44, 9, 27, 18, 63, 2, 35, 21, 8, 50, 14, 39, 26, 71, 33, 92, 57]`
		said = `"event": "lost-time injury", "events": "lost-time injuries"`
	)
	return []Method{
		gapChart("t_chart", spc.T, "Chart of the time between rare events, with the gap that is still open",
			"Nelson (1994), Journal of Quality Technology 26:239-241; Montgomery, Introduction to Statistical Quality Control, on low defect levels",
			"exact quantiles of an exponential time, centre at the median, so that runs on either side are equally likely; or, with sigma limits, individuals limits of the time raised to a power. A long gap is an improvement",
			`{"gaps": `+days+`, "open_gap": 48, "unit": "days", `+said+`}`),
		gapChart("g_chart", spc.G, "Chart of whole days (or cases) between rare events",
			"Benneyan (2001), Health Care Management Science 4:305-318",
			"exact quantiles of a geometric number, centre at the median; or, with sigma limits, Benneyan's. A long gap is an improvement",
			`{"gaps": `+days+`, "limits": "sigma", "unit": "days", `+said+`}`),
		gapChart("individuals_chart", spc.IMR, "Chart of single measurements, with limits from the moving range",
			"Shewhart (1931); Montgomery, Introduction to Statistical Quality Control, on the moving range chart",
			"mean plus and minus so many sigma, sigma being the mean moving range over 1.128. For measurements, not for counts of few events",
			`{"gaps": [14.2, 13.1, 15.8, 12.9, 14.4, 16.0, 13.7, 14.9, 15.1, 13.3, 21.6, 14.0], "unit": "days to close"}`),
		openGap(), gapLimits(),
	}
}

func gapChart(name string, kind spc.Kind, purpose, source, how, example string) Method {
	also := map[spc.Kind][]string{spc.T: {"t", "days_between", "time_between_events"}, spc.G: {"g"}, spc.IMR: {"i_chart", "imr", "xmr"}}[kind]
	unit := "time between successive events, finely recorded"
	ins := []Input{{Name: "gaps", Type: Numbers, About: unit, Range: from(0, mostHours), Required: true, Longest: longestSeries}}
	kinds := []string{"probability", "sigma"}
	switch kind {
	case spc.G:
		ins[0] = Input{Name: "gaps", Type: Wholes, About: "whole units between successive events", Range: from(0, 1e8), Required: true, Longest: longestSeries}
	case spc.IMR:
		ins[0].About, ins[0].Range = "the values, in order", from(-1e15, 1e15)
	}
	ins = append(ins, labelsInput("event that ended the gap"))
	if kind == spc.IMR {
		ins = append(ins, limitInputs("sigma")[1])
	} else {
		ins = append(ins, limitInputs(kinds...)...)
	}
	switch kind {
	case spc.G:
		ins = append(ins, Input{Name: "minimum", Type: Whole, About: "least possible gap", Range: from(0, 1), Default: 0})
	case spc.T:
		ins = append(ins, Input{Name: "power", Type: Number, About: "for sigma limits: power of the time", Range: from(0.05, 1), Default: 1 / 3.6})
	}
	if kind != spc.IMR {
		ins = append(ins, Input{Name: "open_gap", Type: Number, About: "how long it has been since the last event; it is not part of the chart", Range: from(0, mostHours)})
	}
	ins = join(ins, baselineInputs(), ruleInputs(), wordInputs())
	outs := append(chartOutputs(), Output{Name: "mean", About: "mean of the baseline", Null: "there are no values"}, Output{Name: "moving_range", About: "mean moving range of the values, or of their transform", Null: "there are fewer than two values"})
	if kind == spc.T {
		outs = append(outs, Output{Name: "transformed_center", About: "for sigma limits: centre of the transformed times", Null: "limits are not sigma limits, or there are no values"})
	}
	if kind != spc.IMR {
		outs = append(outs, Output{Name: "open_gap_chance", About: "chance of a gap at least as long as the open one, by a mean as uncertain as its gaps make it", Null: "no open_gap was given, or there is no mean to compare it with"})
	}
	return Method{
		Name: name, Group: Rare, Also: also, Purpose: purpose, Source: source, Example: example,
		Inputs: ins, Outputs: outs, How: upper(how) + ".",
		alike: [][]string{{"gaps", "labels"}},
		named: map[string]string{"run length": "run_above", "mean": "gaps"},
		run:   func(in *inputs) (*answer, error) { return runGaps(in, kind) },
	}
}

func runGaps(in *inputs, kind spc.Kind) (*answer, error) {
	w, a, labels := wordsOf(in), newAnswer(), in.texts("labels")
	values := in.numbers2("gaps")
	gaps := make([]spc.Gap, len(values))
	for i, v := range values {
		gaps[i] = spc.Gap{Length: v, Label: fmt.Sprintf("%s %d", w.one, i+1)}
		if i < len(labels) && labels[i] != "" {
			gaps[i].Label = labels[i]
		}
	}
	o := spc.GapOptions{Limits: limitKind(in.text("limits")), Sigmas: in.number("sigmas"), Tail: in.number("tail"), Minimum: in.whole("minimum"), Power: in.number("power"),
		Baseline: in.whole("baseline"), Exclude: fromOne(in.wholes("exclude")), Rules: rulesOf(in.texts("rules")), Run: spc.RunLength{Above: in.whole("run_above"), Below: in.whole("run_below")}}
	if err := in.points("exclude", len(gaps)); err != nil {
		return nil, err
	}
	build := map[spc.Kind]func([]spc.Gap, spc.GapOptions) (spc.Chart, error){spc.T: spc.NewT, spc.G: spc.NewG, spc.IMR: spc.NewI}[kind]
	c, err := build(gaps, o)
	if err != nil {
		return nil, err
	}
	said := w
	if said.one = "a " + w.one; strings.ContainsRune("aeiouAEIOU", rune(w.one[0])) {
		said.one = "an " + w.one
	}
	if err := chartAnswer(c, said, a); err != nil {
		return nil, err
	}
	a.how = upper(c.Method) + ". " + in.method.How
	base := baselineOf(c, values, o.Exclude)
	a.puts("mean", some(mean(base), len(base) > 0))
	ranged := values
	if kind == spc.T {
		ranged = powers(values, o.Power)
		a.put("transformed_center", some(mean(powers(base, o.Power)), o.Limits == spc.Sigma && len(base) > 0))
	}
	m, err := spc.MovingRangeOf(ranged)
	if err != nil {
		return nil, err
	}
	a.put("moving_range", some(m.Mean, m.Ranges > 0))
	if kind == spc.IMR {
		return a, nil
	}
	a.put("open_gap_chance", nil)
	if total := mean(base) * float64(len(base)); in.has("open_gap") && total > 0 {
		p, err := spc.OpenGapAfter(len(base), total, in.number("open_gap"))
		if err != nil {
			return nil, err
		}
		a.put("open_gap_chance", p)
		a.note(fmt.Sprintf("%s %s have passed since the last one; as long a gap or longer has a chance of %s if nothing has changed.", num(in.number("open_gap")), w.unit, percent(p)))
	}
	return a, nil
}

// numbers2 reads a list of numbers or of whole numbers.
func (in *inputs) numbers2(name string) []float64 {
	if v, ok := in.values[name].([]int); ok {
		out := make([]float64, len(v))
		for i, n := range v {
			out[i] = float64(n)
		}
		return out
	}
	return in.numbers(name)
}

// baselineOf returns the values that set the centre.
func baselineOf(c spc.Chart, values []float64, exclude []int) []float64 {
	if len(c.Phases) == 0 {
		return nil
	}
	ph, out := c.Phases[0], []float64{}
	for i := ph.BaselineFirst; i <= ph.BaselineLast && i < len(values); i++ {
		if !contains(exclude, i) {
			out = append(out, values[i])
		}
	}
	return out
}

func openGap() Method {
	return Method{
		Name: "open_gap", Group: Rare, Also: []string{"time_since_last"},
		Purpose: "How unusual the time since the last event is",
		Inputs: []Input{
			{Name: "mean", Type: Number, About: "mean gap so far", Range: above(0, mostHours), Required: true},
			{Name: "open_gap", Type: Number, About: "time since the last event, in the same unit", Range: from(0, mostHours), Required: true},
			{Name: "gaps", Type: Whole, About: "how many gaps the mean rests on; without it the mean is taken as known exactly", Range: from(1, 1e6)},
		},
		Outputs: []Output{{Name: "chance", About: "chance of a gap at least as long, the mean taken as known"}, {Name: "chance_after", About: "the same, the mean as uncertain as its gaps make it", Null: "gaps was not given"}},
		How:     "Exponential times. The open gap is censored and must not enter the mean. With few gaps the mean is uncertain, and as long a gap is less remarkable.",
		Source:  "exponential survival function; with gaps, the predictive distribution under the prior 1/rate (Gelman et al. (2014), Bayesian Data Analysis, 3rd edition, section 2.6)",
		Example: `{"mean": 32.85, "open_gap": 150, "gaps": 20}`,
		named:   map[string]string{"open": "open_gap", "total": "mean"},
		run: func(in *inputs) (*answer, error) {
			a, m, open := newAnswer(), in.number("mean"), in.number("open_gap")
			p, err := spc.OpenGap(m, open)
			if err != nil {
				return nil, err
			}
			a.puts("chance", p, "chance_after", nil)
			a.sentence = fmt.Sprintf("%s since the last event, where %s is the mean: as long a gap or longer has a chance of %s by chance alone.", num(open), num(m), percent(p))
			if in.has("gaps") {
				q, err := spc.OpenGapAfter(in.whole("gaps"), m*float64(in.whole("gaps")), open)
				if err != nil {
					return nil, err
				}
				a.put("chance_after", q)
				a.sentence = fmt.Sprintf("%s since the last event, after %s with a mean of %s: as long a gap or longer has a chance of %s by chance alone.", num(open), many(in.whole("gaps"), "gap", "gaps"), num(m), percent(q))
			}
			return a, nil
		},
	}
}

func gapLimits() Method {
	return Method{
		Name: "gap_limits", Group: Rare, Also: []string{"exponential_limits", "geometric_limits"},
		Purpose: "Limits for the time, or the whole number, between events with a given mean",
		Inputs: []Input{
			{Name: "mean", Type: Number, About: "mean gap", Range: from(0, 1e8), Required: true},
			{Name: "minimum", Type: Whole, About: "least possible whole gap", Range: from(0, 1), Default: 0}, limitInputs("sigma")[1], tailInput(),
		},
		Outputs: []Output{
			{Name: "time_lower", About: "lower limit of a time (exponential)"}, {Name: "time_middle", About: "its median"}, {Name: "time_upper", About: "its upper limit"},
			{Name: "whole_lower", About: "lower limit of a whole number (geometric)"}, {Name: "whole_middle", About: "its median"}, {Name: "whole_upper", About: "its upper limit"},
			{Name: "sigma", About: "standard deviation of a whole number"}, {Name: "sigma_lower", About: "lower limit by so many sigma, at least the least gap"}, {Name: "sigma_upper", About: "upper limit by so many sigma"},
			{Name: "chance_each_unit", About: "chance of an event in each unit"},
		},
		How:    "Quantiles that chance crosses with probability tail on each side.",
		Source: "Benneyan (2001), Health Care Management Science 4:305-318; exponential quantiles", Example: `{"mean": 100}`,
		named: map[string]string{"least gap": "minimum"},
		run: func(in *inputs) (*answer, error) {
			a, m := newAnswer(), in.number("mean")
			t, err := spc.ExponentialLimits(m, in.number("tail"))
			if err != nil {
				return nil, err
			}
			a.puts("time_lower", t.Lower, "time_middle", t.Center, "time_upper", t.Upper)
			a.sentence = fmt.Sprintf("Times with a mean of %s lie between %s and %s, half of them below %s.", num(m), num(t.Lower), num(t.Upper), num(t.Center))
			if m < float64(in.whole("minimum")) {
				a.noneLeft(in.method, "the mean is below the least possible whole gap")
				return a, nil
			}
			g, err := spc.GeometricLimits(m, in.whole("minimum"), in.number("sigmas"), in.number("tail"))
			if err != nil {
				return nil, err
			}
			a.puts("whole_lower", g.Lower, "whole_middle", g.Median, "whole_upper", g.Upper, "sigma", g.Sigma, "sigma_lower", g.SigmaLower, "sigma_upper", g.SigmaUpper, "chance_each_unit", g.P)
			return a, nil
		},
	}
}
