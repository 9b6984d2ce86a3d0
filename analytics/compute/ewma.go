package compute

import (
	"fmt"

	"fairlead/analytics/spc"
)

func lambdaInput(lo float64) Input {
	return Input{Name: "lambda", Type: Number, About: "weight of the newest period", Range: from(lo, 1), Default: 0.2}
}

func widthInput() Input {
	return Input{Name: "width", Type: Number, About: "limits are so many sigma of the average off the mean", Range: above(0, 20), Default: 2.7}
}

func ewma() Method {
	return Method{
		Name: "ewma", Group: Lasting, Also: []string{"ewma_chart", "ewma_path", "moving_average"},
		Purpose: "EWMA of counts or rates: an average in which the newest period weighs most",
		Inputs: join([]Input{
			countsInput("cases of each period; null where nothing is known"), exposuresInput(false), labelsInput("period"),
			{Name: "mean", Type: Number, About: "mean while nothing changes: cases a period, or per base where exposures are given", Range: above(0, 1e9), Required: true},
			lambdaInput(0.001), widthInput(), baseInput(),
			{Name: "long_running", Type: YesNo, About: "use the limits of a chart long running from the start", Default: false},
		}, wordInputs(), []Input{periodInput()}),
		Outputs: append(chartOutputs(), Output{Name: "final_lower", About: "lower limit that the chart tends to, at one base of exposure a period", Null: "the lower limit would be at or below zero"}, Output{Name: "final_upper", About: "upper limit that the chart tends to"}),
		How:     "Each period weighs lambda and all before it the rest. A period that is missing leaves the average as it was. Successive averages depend on each other, so that only limits are looked at, not runs.",
		Source:  borror, Example: `{` + exampleSeries + `, "mean": 4, "lambda": 0.2, "width": 2.7, "event": "near miss", "events": "near misses"}`,
		alike: [][]string{{"counts", "exposures", "labels"}},
		named: map[string]string{"periods count": "counts", "periods exposure": "exposures"},
		run: func(in *inputs) (*answer, error) {
			a, w, periods := newAnswer(), wordsOf(in), periodsOf(in)
			o := spc.EwmaOptions{EwmaDesign: spc.EwmaDesign{Mean: in.number("mean"), Lambda: in.number("lambda"), Width: in.number("width")}, Asymptotic: in.yes("long_running")}
			if in.has("exposures") {
				o.Base = in.number("base")
				for i := range periods {
					periods[i].Missing = periods[i].Missing || !in.knows("exposures", i)
				}
			}
			c, err := spc.NewEwma(periods, o)
			if err != nil {
				return nil, err
			}
			if err := chartAnswer(c, w, a); err != nil {
				return nil, err
			}
			a.how = upper(c.Method) + ". " + in.method.How
			a.none("successive averages depend on each other: ask ewma_run_length", "false_alarm_every", "false_alarm_method")
			lo, hi, hasLo, err := o.Limits()
			if err != nil {
				return nil, err
			}
			a.puts("final_lower", some(lo, hasLo), "final_upper", hi)
			return a, nil
		},
	}
}

func ewmaDesign() Method {
	return Method{
		Name: "ewma_design", Group: Lasting,
		Purpose: "The width of an EWMA that gives a false alarm no more often than asked",
		Inputs: []Input{
			meanInput("cases a period while nothing changes", 0.05, 1000), lambdaInput(0.05),
			{Name: "false_alarm_every", Type: Number, About: "periods between false alarms, on average", Range: from(10, 10_000), Default: 370.0},
		},
		Outputs: []Output{
			{Name: "width", About: "sigma of the average"}, {Name: "lower", About: "lower limit in the long run", Null: "it would be at or below zero"}, {Name: "upper", About: "upper limit in the long run"},
			{Name: "arl0", About: "mean number of periods to a false alarm"},
		},
		How:    "The least width that meets the false alarms asked for, by a Markov chain over the values of the average, good to about one per cent.",
		Source: borror, Example: `{"mean": 4, "lambda": 0.2, "false_alarm_every": 370}`,
		named: map[string]string{"arl0": "false_alarm_every"},
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			d, err := spc.DesignEwma(in.number("mean"), in.number("lambda"), in.number("false_alarm_every"))
			if err != nil {
				return nil, err
			}
			arl, err := d.ARL(d.Mean, d.Mean)
			if err != nil {
				return nil, err
			}
			lo, hi, hasLo, err := d.Limits()
			if err != nil {
				return nil, err
			}
			a.puts("width", d.Width, "lower", some(lo, hasLo), "upper", hi, "arl0", arl)
			a.sentence = fmt.Sprintf("Limits %s sigma of the average off the mean give a false alarm every %s periods.", num(d.Width), num(arl))
			return a, nil
		},
	}
}

func ewmaRunLength() Method {
	return Method{
		Name: "ewma_run_length", Group: Lasting, Also: []string{"ewma_arl"},
		Purpose: "Mean number of periods until an EWMA signals, at a given mean",
		Inputs: []Input{
			{Name: "center", Type: Number, About: "mean the chart was made for", Range: above(0, 1000), Required: true},
			{Name: "mean", Type: Number, About: "mean that holds now", Range: above(0, 1e4), Required: true},
			lambdaInput(0.01), widthInput(),
			{Name: "start", Type: Number, About: "where the average starts; without it, at the center", Range: from(0, 1e6)},
		},
		Outputs: []Output{{Name: "arl", About: "mean number of periods to a signal"}},
		How:     "A Markov chain over the values of the average, good to about one per cent; the limits are those of a chart long running.",
		Source:  borror, Example: `{"center": 20, "mean": 24, "lambda": 0.27, "width": 3.319}`,
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			d := spc.EwmaDesign{Mean: in.number("center"), Lambda: in.number("lambda"), Width: in.number("width")}
			start := d.Mean
			if in.has("start") {
				start = in.number("start")
			}
			arl, err := d.ARL(in.number("mean"), start)
			if err != nil {
				return nil, err
			}
			a.put("arl", arl)
			a.sentence = fmt.Sprintf("With %s cases a period to be expected, the average leaves its limits after %s periods on average.", num(in.number("mean")), num(arl))
			return a, nil
		},
	}
}
