package compute

import (
	"fmt"
	"slices"
	"strings"

	"fairlead/analytics/spc"
)

// chartMethods are control charts of counts by period.
func chartMethods() []Method {
	const (
		shewhart = "Shewhart (1931), Economic Control of Quality of Manufactured Product; Montgomery, Introduction to Statistical Quality Control"
		laney    = "Laney (2002), Quality Engineering 14:531-537; Mohammed et al. (2013), BMJ Quality and Safety 22:362-368"
		counts   = `"counts": [12, 9, 14, 11, 8, 13, 10, 12, 7, 11, 15, 9, 12, 10, 13, 8, 11, 27, 12, 10, 9, 14, 11, 12]`
		hours    = `"exposures": [34100, 33800, 35900, 34700, 30200, 36100, 34400, 35000, 28700, 33900, 37200, 31500, 34800, 34000, 36400, 29900, 34600, 35200, 34100, 33700, 31800, 36900, 34900, 35100]`
		sizes    = `"sizes": [62, 58, 71, 66, 54, 70, 61, 64, 49, 60, 75, 55, 63, 60, 69, 50, 62, 65, 61, 59, 56, 72, 64, 66]`
		said     = `"event": "near miss", "events": "near misses"`
	)
	return []Method{
		chosenChart(`{` + counts + `, ` + hours + `, ` + said + `}`),
		controlChart("c_chart", spc.C, "Control chart of counts, where exposure is steady", shewhart, `{`+counts+`, "baseline": 12, `+said+`}`),
		controlChart("u_chart", spc.U, "Control chart of rates, with limits that follow the hours worked", shewhart, `{`+counts+`, `+hours+`, "limits": "probability", `+said+`}`),
		controlChart("np_chart", spc.NP, "Control chart of how many out of a steady number", shewhart, `{`+counts+`, "size": 60, "event": "late action", "events": "late actions"}`),
		controlChart("p_chart", spc.P, "Control chart of a share out of a varying number", shewhart, `{`+counts+`, `+sizes+`, "event": "late action", "events": "late actions"}`),
		controlChart("laney_u_chart", spc.LaneyU, "Control chart of rates that spread more than chance makes them (Laney u′)", laney, `{`+counts+`, `+hours+`, `+said+`}`),
		controlChart("laney_p_chart", spc.LaneyP, "Control chart of shares that spread more than chance makes them (Laney p′)", laney, `{`+counts+`, `+sizes+`, "event": "late action", "events": "late actions"}`),
	}
}

// ruleNames are the rules by their name here.
func ruleNames() []string {
	return []string{"beyond_limits", "run_on_one_side", "two_of_three", "four_of_five", "trend", "alternating", "hugging", "mixture", "western_electric", "nelson", "none"}
}

// rulesOf turns names into rules; no names are the default.
func rulesOf(names []string) []spc.Rule {
	one := map[string][]spc.Rule{
		"beyond_limits": {spc.BeyondLimits}, "run_on_one_side": {spc.RunOneSide}, "two_of_three": {spc.TwoOfThree}, "four_of_five": {spc.FourOfFive},
		"trend": {spc.Trend}, "alternating": {spc.Alternating}, "hugging": {spc.Hugging}, "mixture": {spc.Mixture},
		"western_electric": spc.WesternElectric(), "nelson": spc.Nelson(), "none": {},
	}
	if len(names) == 0 {
		return nil
	}
	out, seen := []spc.Rule{}, map[spc.Rule]bool{}
	for _, n := range names {
		for _, r := range one[n] {
			if !seen[r] {
				out, seen[r] = append(out, r), true
			}
		}
	}
	return out
}

// ruleInputs are rules and run lengths.
func ruleInputs() []Input {
	return []Input{
		{Name: "rules", Type: Texts, About: "patterns to look for; without it, beyond_limits and run_on_one_side. Fewer are better: each adds false alarms", Choices: ruleNames(), Longest: 20},
		{Name: "run_above", Type: Whole, About: "points in a row above the centre that make a run", Range: from(2, 60), Default: 8},
		{Name: "run_below", Type: Whole, About: "points in a row below the centre that make a run", Range: from(2, 60), Default: 8},
	}
}

func limitInputs(kinds ...string) []Input {
	return []Input{
		{Name: "limits", Type: Text, About: "how limits are set: so many sigma off the centre, or crossed by chance with at most a stated probability", Choices: kinds, Default: kinds[0]},
		{Name: "sigmas", Type: Number, About: "for sigma limits: how many", Range: above(0, 10), Default: 3.0}, tailInput(),
	}
}

func tailInput() Input {
	return Input{Name: "tail", Type: Number, About: "for probability limits: chance of a point beyond either", Range: from(1e-12, 0.5), Default: 0.00135}
}

func baselineInputs() []Input {
	return []Input{
		{Name: "baseline", Type: Whole, About: "how many points at the start of each phase set the centre, which is then frozen; 0 means all", Range: from(0, longestSeries), Default: 0},
		{Name: "exclude", Type: Wholes, About: "points left out of the baseline because their cause was found, from 1", Range: from(1, longestSeries), Longest: longestSeries},
	}
}

func chartOutputs() []Output {
	const gap = "null in a period that is a gap, or without a centre"
	return []Output{
		{Name: "kind", About: "kind of chart"}, {Name: "finding", About: `"more than chance", "no more than chance" or "too few to say"`},
		{Name: "center", About: "centre of the last phase", Null: "there is nothing to set a centre from"},
		{Name: "values", About: "what is plotted", Null: "null in a period that is a gap"},
		{Name: "centers", About: "centre at each point", Null: gap}, {Name: "sigmas", About: "standard deviation at each point", Null: gap},
		{Name: "z", About: "distance from the centre in sigma", Null: gap},
		{Name: "lower", About: "lower limit at each point", Null: "null in a gap, and where counts are too few for a lower limit"},
		{Name: "upper", About: "upper limit at each point", Null: "null in a gap, and where there is no upper limit"},
		{Name: "beyond", About: "points beyond a limit, from 1; a point on a limit is within"},
		{Name: "signals", About: "patterns found: rule, side, points (from 1), and the one that completed it"},
		{Name: "phases", About: "stretches with one centre: first and last point, note, centre, sigma_z, periods and cases of the baseline", Null: "null where a phase has nothing to set a centre from"},
		{Name: "dispersion_ratio", About: "variance over what chance makes", Null: "too few periods or no cases"},
		{Name: "dispersion_p", About: "chance of as large a spread", Null: "too few periods or no cases"},
		{Name: "sigma_z", About: "Laney's sigma z", Null: "too few periods or no cases"},
		{Name: "false_alarm_every", About: "mean number of points between false alarms of these rules and limits"},
		{Name: "false_alarm_method", About: "how that was worked out"},
	}
}

// controlChart is one kind of chart as a method.
func controlChart(name string, kind spc.Kind, purpose, source, example string) Method {
	ins := []Input{countsInput("cases of each period; null where nothing is known")}
	switch kind {
	case spc.U, spc.LaneyU:
		ins = append(ins, exposuresInput(true), baseInput())
	case spc.P, spc.LaneyP:
		ins = append(ins, Input{Name: "sizes", Type: Wholes, About: "number examined in each period", Range: below(0, mostCases), Required: true, Longest: longestSeries, Gaps: true})
	case spc.NP:
		ins = append(ins, Input{Name: "size", Type: Whole, About: "number examined in every period", Range: below(0, mostCases), Required: true})
	}
	ins = append(ins, labelsInput("period"))
	if kind == spc.LaneyU || kind == spc.LaneyP {
		ins = append(ins, limitInputs("sigma")[1])
	} else {
		ins = append(ins, limitInputs("sigma", "probability")...)
	}
	center := Range{Lo: 0, Hi: 1e15, bounded: true}
	if kind == spc.P || kind == spc.NP || kind == spc.LaneyP {
		center.Hi = 1
	}
	ins = join(ins, baselineInputs(), []Input{
		{Name: "center", Type: Number, About: "a frozen centre from elsewhere, in the unit of the values (a share for p and np)", Range: center},
		{Name: "phase_starts", Type: Wholes, About: "points at which a recorded decision begins a new phase, from 2", Range: from(2, longestSeries), Longest: 100},
		{Name: "phase_notes", Type: Texts, About: "the decision behind each new phase", Longest: 100},
	}, ruleInputs(), wordInputs(), []Input{periodInput()})
	return Method{
		Name: name, Group: Charts, Purpose: purpose, Inputs: ins, Outputs: chartOutputs(), Source: source, Example: example,
		Also:  []string{strings.TrimSuffix(name, "_chart"), name + "_frozen"},
		How:   "The centre is all cases over all exposure of the baseline, never the mean of monthly rates; limits follow each point's own exposure. A point on a limit is not out, a point on the centre ends a run, a period without exposure is a gap.",
		alike: [][]string{{"counts", "exposures", "sizes", "labels"}, {"phase_starts", "phase_notes"}},
		named: map[string]string{"periods count": "counts", "periods exposure": "exposures", "periods number examined": "sizes", "phases": "phase_starts", "run length": "run_above"},
		run: func(in *inputs) (*answer, error) {
			periods, w := periodsOf(in), wordsOf(in)
			o := spc.Options{
				Kind: kind, Limits: limitKind(in.text("limits")), Sigmas: in.number("sigmas"), Tail: in.number("tail"), Base: in.number("base"),
				Baseline: in.whole("baseline"), Exclude: fromOne(in.wholes("exclude")), Rules: rulesOf(in.texts("rules")),
				RunLength: spc.RunLength{Above: in.whole("run_above"), Below: in.whole("run_below")},
			}
			if kind == spc.LaneyU || kind == spc.LaneyP {
				o.Limits = spc.Sigma
			}
			if in.has("center") {
				c := in.number("center")
				o.Center = &c
			}
			notes := in.texts("phase_notes")
			for i, at := range fromOne(in.wholes("phase_starts")) {
				p := spc.PhaseStart{At: at}
				if i < len(notes) {
					p.Note = notes[i]
				}
				o.Phases = append(o.Phases, p)
			}
			if err := in.points("exclude", len(periods)); err != nil {
				return nil, err
			}
			if err := in.points("phase_starts", len(periods)); err != nil {
				return nil, err
			}
			for i, p := range periods {
				if in.has("size") || in.has("sizes") {
					if known := in.has("size") || in.knows("sizes", i); known && float64(p.Count) > p.Exposure {
						return nil, bad(fmt.Sprintf("counts[%d]", i+1), "is %s: must be at most the number examined, %s", num(float64(p.Count)), num(p.Exposure))
					}
				}
			}
			for i := 1; i < len(o.Phases); i++ {
				if o.Phases[i].At <= o.Phases[i-1].At {
					return nil, bad(fmt.Sprintf("phase_starts[%d]", i+1), "is %d: must be after the one before, %d", o.Phases[i].At+1, o.Phases[i-1].At+1)
				}
			}
			c, err := spc.New(periods, o)
			if err != nil {
				return nil, err
			}
			a := newAnswer()
			return a, chartAnswer(c, w, a)
		},
	}
}

// points refuses positions past the end of a series.
func (in *inputs) points(name string, n int) error {
	for i, p := range in.wholes(name) {
		if p > n {
			return bad(fmt.Sprintf("%s[%d]", name, i+1), "is %d: there are only %s", p, many(n, "point", "points"))
		}
	}
	return nil
}

// limitKind turns the name of a kind of limits into itself.
func limitKind(name string) spc.LimitKind {
	if name == "probability" {
		return spc.Probability
	}
	return spc.Sigma
}

// fromOne turns positions that count from 1 into indices.
func fromOne(positions []int) []int {
	var out []int
	for _, p := range positions {
		out = append(out, p-1)
	}
	return out
}

// toOne turns indices into positions that count from 1.
func toOne(indices []int) []int {
	out := []int{}
	for _, i := range indices {
		out = append(out, i+1)
	}
	return out
}

// periodsOf reads counts with exposures, sizes or one size.
func periodsOf(in *inputs) []spc.Period {
	w, labels := wordsOf(in), in.texts("labels")
	exposures, sizes := in.numbers("exposures"), in.wholes("sizes")
	out := make([]spc.Period, len(in.wholes("counts")))
	for i, n := range in.wholes("counts") {
		p := spc.Period{Label: labelled(labels, i, w), Count: n, Missing: !in.knows("counts", i)}
		switch {
		case i < len(exposures):
			p.Exposure = exposures[i]
		case i < len(sizes):
			p.Exposure = float64(sizes[i])
			p.Missing = p.Missing || !in.knows("sizes", i)
		case in.has("size"):
			p.Exposure = float64(in.whole("size"))
		}
		out[i] = p
	}
	return out
}

func chosenChart(example string) Method {
	ins := join([]Input{countsInput("cases of each period; null where nothing is known"), exposuresInput(false), labelsInput("period"), baseInput(), baselineInputs()[0]}, wordInputs(), []Input{periodInput()})
	outs := append([]Output{{Name: "reason", About: "why this kind of chart"}, {Name: "companion", About: "a further chart worth drawing", Null: "none is needed"}}, chartOutputs()...)
	for i := range outs {
		if outs[i].Null == "" && i > 2 {
			outs[i].Null = "there is no chart of these periods: see reason"
		}
	}
	return Method{
		Name: "chart", Group: Charts, Also: []string{"control_chart", "choose_chart", "chooser"}, Example: example,
		Purpose: "The control chart that serves these months, chosen by the data, with its reason",
		Inputs:  ins, Outputs: outs,
		How:    "c or u with exact Poisson limits while counts are few, three sigma when they are many, Laney u′ when successive periods differ more than chance, time between events when they are rare, none below that. Signals: a point beyond limits, and a run on one side.",
		Source: "Benneyan (2001), Health Care Management Science 4:305-318; Woodall (2006), Journal of Quality Technology 38:89-104; Laney (2002), Quality Engineering 14:531-537; the bounds between kinds are in the documentation of package spc",
		alike:  [][]string{{"counts", "exposures", "labels"}},
		named:  map[string]string{"periods count": "counts", "periods exposure": "exposures"},
		run: func(in *inputs) (*answer, error) {
			periods, w, a := periodsOf(in), wordsOf(in), newAnswer()
			ch, err := spc.Choose(periods, in.number("base"))
			if err != nil {
				return nil, err
			}
			a.puts("reason", ch.Reason, "companion", nil)
			if ch.Companion != spc.NoChart {
				a.put("companion", string(ch.Companion))
			}
			if ch.Options.Kind == "" {
				kind := string(ch.Kind)
				if ch.Kind == spc.NoChart {
					kind = "none"
				}
				a.puts("kind", kind, "finding", string(spc.TooFewToSay))
				a.noneLeft(in.method, "there is no chart of these periods: see reason")
				a.sentence = ch.Reason
				if ch.Kind == spc.T {
					a.note("Hand the days or hours between events to t_chart.")
				}
				return a, nil
			}
			ch.Options.Baseline = in.whole("baseline")
			c, err := spc.New(periods, ch.Options)
			if err != nil {
				return nil, err
			}
			a.note(ch.Reason)
			if err := chartAnswer(c, w, a); err != nil {
				return nil, err
			}
			a.how = upper(c.Method) + ". " + in.method.How
			return a, nil
		},
	}
}

// chartAnswer fills in what every chart gives.
func chartAnswer(c spc.Chart, w words, a *answer) error {
	v := c.Verdict(w.spc())
	kind := string(c.Kind)
	a.puts("kind", kind, "finding", string(v.Finding), "center", some(c.Center, len(c.Phases) > 0 && c.Phases[len(c.Phases)-1].Defined))
	var values, centers, sigmas, z, lower, upper []*float64
	beyond := []int{}
	for i, p := range c.Points {
		there := !p.Missing
		centered := there && c.Phases[p.Phase].Defined
		values, centers, sigmas, z = append(values, some(p.Value, there)), append(centers, some(p.Center, centered)), append(sigmas, some(p.Sigma, centered)), append(z, some(p.Z, centered))
		lower, upper = append(lower, some(p.LCL, there && p.HasLCL)), append(upper, some(p.UCL, there && p.HasUCL))
		if there && p.Beyond != spc.Within {
			beyond = append(beyond, i+1)
		}
	}
	a.puts("values", values, "centers", centers, "sigmas", sigmas, "z", z, "lower", lower, "upper", upper, "beyond", beyond)
	signals := []map[string]any{}
	for _, s := range c.Signals {
		signals = append(signals, map[string]any{"rule": string(s.Rule), "side": s.Side.String(), "points": toOne(s.Points), "at": s.At + 1})
	}
	phases := []map[string]any{}
	for _, ph := range c.Phases {
		phases = append(phases, map[string]any{
			"first": ph.First + 1, "last": ph.Last + 1, "note": ph.Note, "center": some(ph.Center, ph.Defined), "sigma_z": ph.SigmaZ,
			"periods": ph.Periods, "cases": ph.Events, "baseline_first": ph.BaselineFirst + 1, "baseline_last": ph.BaselineLast + 1, "given": ph.Given,
		})
	}
	d := c.Dispersion
	a.puts("signals", signals, "phases", phases, "dispersion_ratio", some(d.Ratio, d.Defined), "dispersion_p", some(d.P, d.Defined), "sigma_z", some(d.SigmaZ, d.Defined))
	if err := falseAlarmsInto(c, a); err != nil {
		return err
	}
	a.sentence, a.how = v.Sentence, c.Method
	if c.Method != "" {
		a.how = strings.ToUpper(c.Method[:1]) + c.Method[1:] + ". Centre: all cases over all exposure of the baseline. A point on a limit is not out, a point on the centre ends a run, a period without exposure is a gap."
	}
	a.note(c.Notes...)
	if len(c.Points) > 0 {
		a.draw = controlOf(c, w)
	}
	return nil
}

// longestSimulatedRun bounds the runs whose false alarms are simulated: those of
// a dozen take about 8,000 points each, of twenty a million.
const longestSimulatedRun = 12

// falseAlarmsInto adds how often the chart signals by chance.
func falseAlarmsInto(c spc.Chart, a *answer) error {
	const none = "these rules never signal by chance on this chart, or there is no centre"
	if !cheapFalseAlarms(c) {
		a.none(fmt.Sprintf("runs of more than %d points and nothing else are not simulated", longestSimulatedRun), "false_alarm_every", "false_alarm_method")
		return nil
	}
	f, err := c.FalseAlarms()
	if err != nil {
		return err
	}
	if !f.Defined {
		a.none(none, "false_alarm_every", "false_alarm_method")
		return nil
	}
	a.puts("false_alarm_every", f.Every, "false_alarm_method", f.Method)
	return nil
}

// cheapFalseAlarms reports whether false alarms are worked out in bounded time.
// Only runs alone can go on for millions of points; any other rule ends a
// simulated series much sooner.
func cheapFalseAlarms(c spc.Chart) bool {
	if slices.ContainsFunc(c.Rules, func(r spc.Rule) bool { return r != spc.RunOneSide }) {
		return true
	}
	const longestExact = 30
	shortest, longest := min(c.RunLength.Above, c.RunLength.Below), max(c.RunLength.Above, c.RunLength.Below)
	byCounts := c.Kind == spc.C || c.Kind == spc.U || c.Kind == spc.P || c.Kind == spc.NP || c.Kind == spc.G || (c.Kind == spc.T && c.Limits == spc.Probability)
	return byCounts || shortest <= longestSimulatedRun || (shortest == longest && longest <= longestExact)
}
