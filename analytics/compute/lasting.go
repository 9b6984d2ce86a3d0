package compute

import (
	"fmt"
	"math"

	"fairlead/analytics/figure"
	"fairlead/analytics/spc"
)

// lastingMethods see small lasting changes: CUSUM and EWMA.
func lastingMethods() []Method {
	return []Method{cusum(), cusumDesign(), cusumRunLength(), cusumReference(), ewma(), ewmaDesign(), ewmaRunLength()}
}

const (
	lucas  = "Lucas (1985), Technometrics 27:129-144; Brook and Evans (1972), Biometrika 59:539-549"
	borror = "Borror, Champ and Rigdon (1998), Journal of Quality Technology 30:352-361"

	exampleSeries = `"counts": [3, 5, 4, 2, 6, 4, 3, 5, 7, 6, 8, 5, 9, 6, 7, 4, 8, 10]`
)

func meanInput(about string, lo, hi float64) Input {
	return Input{Name: "mean", Type: Number, About: about, Unit: "cases a period", Range: from(lo, hi), Required: true}
}

func sideInput() Input {
	return Input{Name: "side", Type: Text, About: "watch for a rise or for a fall", Choices: []string{"rise", "fall"}, Default: "rise"}
}

func sideOf(in *inputs) spc.Side {
	if in.text("side") == "fall" {
		return spc.Below
	}
	return spc.Above
}

func cusum() Method {
	return Method{
		Name: "cusum", Group: Lasting, Also: []string{"cusum_chart", "cumulative_sum", "cusum_path"},
		Purpose: "CUSUM of counts: sees a small lasting change long before a monthly chart does",
		Inputs: join([]Input{
			countsInput("cases of each period; null where nothing is known"), exposuresInput(false), labelsInput("period"),
			{Name: "reference", Type: Number, About: "cases a period (per base of exposure, where exposures are given) that the sum compares with", Range: above(0, 1e9)},
			{Name: "decision_interval", Type: Number, About: "cases: a signal when the sum is that or more", Range: above(0, 1e9)},
			{Name: "head_start", Type: Number, About: "where the sum starts", Range: from(0, 1e9)}, sideInput(),
			{Name: "mean", Type: Number, About: "cases a period while nothing changes, to design the CUSUM from, instead of reference and decision_interval", Range: from(0.01, 1000)},
			{Name: "ratio", Type: Number, About: "with mean: the change to be seen, such as 1.5 or 0.5", Range: from(0.1, 10), Default: 2.0},
			{Name: "false_alarm_every", Type: Number, About: "with mean: periods between false alarms", Range: from(2, 10_000), Default: 370.0},
			{Name: "base", Type: Number, About: "with exposures: what reference is per", Range: from(1e-9, 1e12), Default: 1e6},
			{Name: "restart", Type: YesNo, About: "start anew after a signal", Default: false},
		}, wordInputs(), []Input{periodInput()}),
		Outputs: []Output{
			{Name: "path", About: "the sum after each period"}, {Name: "signals", About: "points at which it is at or past the decision interval, from 1"},
			{Name: "first_signal", About: "the first of them", Null: "there is none"}, {Name: "since", About: "likeliest first point of the change", Null: "there is no signal"},
			{Name: "reference", About: "as used"}, {Name: "decision_interval", About: "as used"}, {Name: "head_start", About: "as used"},
			{Name: "arl0", About: "periods between false alarms, of a designed CUSUM", Null: "the CUSUM was handed in, not designed: ask cusum_run_length"},
			{Name: "arl1", About: "periods until the change is seen, of a designed CUSUM", Null: "the CUSUM was handed in, not designed: ask cusum_run_length"},
		},
		How:     "Adds up what each period has above (or below) the reference, never falling below zero. Months without hours leave the sum as it was.",
		Source:  lucas + "; Hawkins and Olwell (1998), Cumulative Sum Charts and Charting for Quality Improvement, chapter 5, on exposure",
		Example: `{` + exampleSeries + `, "reference": 5, "decision_interval": 8, "event": "near miss", "events": "near misses"}`,
		alike:   [][]string{{"counts", "exposures", "labels"}},
		named:   map[string]string{"periods count": "counts", "periods exposure": "exposures", "arl0": "false_alarm_every"},
		run:     runCusum,
	}
}

func runCusum(in *inputs) (*answer, error) {
	w, a, periods := wordsOf(in), newAnswer(), periodsOf(in)
	o := spc.CusumOptions{CusumDesign: spc.CusumDesign{Side: sideOf(in), Reference: in.number("reference"), DecisionInterval: in.number("decision_interval"), HeadStart: in.number("head_start")}, Restart: in.yes("restart")}
	given := in.has("reference") && in.has("decision_interval")
	switch {
	case in.has("mean") && (in.has("reference") || in.has("decision_interval")):
		return nil, bad("mean", "is given together with reference or decision_interval: give either mean or those two")
	case in.has("mean"):
		d, err := designCusum(in.number("mean"), in.number("ratio"), in.number("false_alarm_every"), false)
		if err != nil {
			return nil, err
		}
		o.CusumDesign = d
	case !given:
		return nil, bad("reference", "is missing: give reference and decision_interval, or mean to design them from")
	}
	if in.has("exposures") {
		o.Base = in.number("base")
		if in.has("mean") {
			// The design is per mean period; what it compares with is per base.
			var hours []float64
			for i, p := range periods {
				if in.knows("exposures", i) && p.Exposure > 0 {
					hours = append(hours, p.Exposure)
				}
			}
			if m := mean(hours); m > 0 {
				o.Reference *= o.Base / m
			}
		}
		for i := range periods {
			periods[i].Missing = periods[i].Missing || !in.knows("exposures", i)
		}
	}
	c, err := spc.NewCusum(periods, o)
	if err != nil {
		return nil, err
	}
	path := make([]float64, len(c.Points))
	for i, p := range c.Points {
		path[i] = p.Value
	}
	a.puts("path", path, "signals", toOne(c.Signals), "first_signal", nil, "since", nil, "reference", c.Reference, "decision_interval", c.DecisionInterval, "head_start", c.HeadStart,
		"arl0", some(c.ARL0, c.ARL0 > 0), "arl1", some(c.ARL1, c.ARL1 > 0))
	word := map[spc.Side]string{spc.Above: "a lasting rise", spc.Below: "a lasting fall"}[c.Side]
	if c.First >= 0 {
		since := min(c.Since, c.First)
		a.puts("first_signal", c.First+1, "since", since+1)
		a.sentence = fmt.Sprintf("%s: the sum reaches %s, at or past %s: %s of %s, likeliest since %s. More than chance.", c.Points[c.First].Label, num(c.Points[c.First].Value), num(c.DecisionInterval), word, w.more, c.Points[since].Label)
	} else {
		a.sentence = fmt.Sprintf("The sum stays below %s over %s: no sign of %s of %s. No more than chance.", num(c.DecisionInterval), many(len(c.Points), w.period, w.periods), word, w.more)
	}
	a.how = upper(c.Method) + ". " + in.method.How
	a.draw = cusumFigure(c, w)
	return a, nil
}

func cusumFigure(c spc.CusumChart, w words) figure.Control {
	f := figure.Control{Title: "CUSUM of " + w.more, Unit: "sum of " + w.more + " beyond the reference", CountName: w.more, PeriodName: w.period, Method: c.Method}
	for _, p := range c.Points {
		o := observation(p.Label)
		o.Value, o.Count, o.Missing, o.Why, o.Beyond, o.UCL, o.HasUCL = p.Value, float64(p.Count), p.Missing, "nothing known", p.Beyond, c.DecisionInterval, true
		o.Note = "sum " + num(p.Value)
		f.Points = append(f.Points, o)
	}
	return f
}

// designCusum refuses a ratio that is no change before the design does.
func designCusum(mean, ratio, every float64, headStart bool) (spc.CusumDesign, error) {
	if math.Abs(ratio-1) < 0.1-1e-9 {
		return spc.CusumDesign{}, bad("ratio", "is %s: must differ from 1 by at least a tenth", num(ratio))
	}
	return spc.DesignCusum(mean, ratio, every, headStart)
}

func cusumDesign() Method {
	return Method{
		Name: "cusum_design", Group: Lasting,
		Purpose: "The CUSUM that sees a change of a given size, with a false alarm no more often than asked",
		Inputs: []Input{
			meanInput("cases a period while nothing changes", 0.01, 1000),
			{Name: "ratio", Type: Number, About: "the change to be seen: 1.5 is a rise by half, 0.5 a halving", Range: from(0.1, 10), Required: true},
			{Name: "false_alarm_every", Type: Number, About: "periods between false alarms, on average", Range: from(2, 10_000), Default: 370.0},
			{Name: "head_start", Type: YesNo, About: "start at half the decision interval", Default: false},
		},
		Outputs: []Output{
			{Name: "reference", About: "k, cases a period"}, {Name: "decision_interval", About: "h, cases"}, {Name: "head_start", About: "where the sum starts"},
			{Name: "arl0", About: "mean number of periods to a false alarm"}, {Name: "arl1", About: "mean number of periods until the change is seen"},
		},
		How:    "The reference is the difference of the two means over the difference of their logarithms, rounded; the decision interval is the least that meets the false alarms asked for. Run lengths are exact, by a Markov chain.",
		Source: lucas, Example: `{"mean": 4, "ratio": 1.5, "false_alarm_every": 370}`,
		named: map[string]string{"arl0": "false_alarm_every"},
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			d, err := designCusum(in.number("mean"), in.number("ratio"), in.number("false_alarm_every"), in.yes("head_start"))
			if err != nil {
				return nil, err
			}
			a.puts("reference", d.Reference, "decision_interval", d.DecisionInterval, "head_start", d.HeadStart, "arl0", d.ARL0, "arl1", d.ARL1)
			a.sentence = fmt.Sprintf("Add up what each period has beyond %s and look when the sum reaches %s: a false alarm every %s periods, a change to %s times the mean seen after %s.",
				num(d.Reference), num(d.DecisionInterval), num(math.Round(d.ARL0)), num(in.number("ratio")), num(d.ARL1))
			return a, nil
		},
	}
}

func cusumRunLength() Method {
	return Method{
		Name: "cusum_run_length", Group: Lasting, Also: []string{"cusum_arl"},
		Purpose: "Mean number of periods until a CUSUM signals, at a given mean",
		Inputs: []Input{
			meanInput("cases a period", 0, 1e6),
			{Name: "reference", Type: Number, About: "k, cases a period; like the others a multiple of 1/m for a whole m up to 200", Range: above(0, 1e6), Required: true},
			{Name: "decision_interval", Type: Number, About: "h, cases: a signal when the sum is h or more", Range: above(0, 1e6), Required: true},
			{Name: "head_start", Type: Number, About: "where the sum starts", Range: from(0, 1e6), Default: 0.0}, sideInput(),
		},
		Outputs: []Output{{Name: "arl", About: "mean number of periods to a signal"}},
		How:     "Exact, by a Markov chain over the values of the sum.", Source: lucas,
		Example: `{"mean": 4, "reference": 5, "decision_interval": 8}`,
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			d := spc.CusumDesign{Side: sideOf(in), Reference: in.number("reference"), DecisionInterval: in.number("decision_interval"), HeadStart: in.number("head_start")}
			arl, err := d.ARL(in.number("mean"))
			if err != nil {
				return nil, err
			}
			a.put("arl", arl)
			a.sentence = fmt.Sprintf("With %s cases a period to be expected, the CUSUM signals after %s periods on average.", num(in.number("mean")), num(arl))
			return a, nil
		},
	}
}

func cusumReference() Method {
	return Method{
		Name: "cusum_reference", Group: Lasting, Also: []string{"cusum_k"},
		Purpose: "The reference value that sees a change from one mean to another soonest",
		Inputs: []Input{
			{Name: "acceptable", Type: Number, About: "mean while nothing changes", Range: from(1e-9, 1e9), Required: true},
			{Name: "rejectable", Type: Number, About: "mean to be seen", Range: from(1e-9, 1e9), Required: true},
		},
		Outputs: []Output{{Name: "reference", About: "k, cases a period"}},
		How:     "The difference of the two means over the difference of their logarithms.", Source: lucas,
		Example: `{"acceptable": 4, "rejectable": 6}`,
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			k, err := spc.CusumReference(in.number("acceptable"), in.number("rejectable"))
			if err != nil {
				return nil, err
			}
			a.put("reference", k)
			a.sentence = fmt.Sprintf("Between means of %s and %s, compare each period with %s.", num(in.number("acceptable")), num(in.number("rejectable")), num(k))
			return a, nil
		},
	}
}
