package compute

import (
	"fmt"

	"fairlead/analytics/figure"
	"fairlead/analytics/predict"
)

// aheadMethods speak of the coming period.
func aheadMethods() []Method { return []Method{nextCount(), nextCountKnown()} }

func aheadOutputs() []Output {
	return []Output{
		{Name: "mean", About: "cases to be expected"}, {Name: "variance", About: "variance of the count"},
		{Name: "median", About: "least count that has at least an even chance of not being passed"},
		{Name: "range_lower", About: "lower end of the range asked for"}, {Name: "range_upper", About: "upper end of the range asked for"},
		{Name: "quantile_5", About: "5 % quantile"}, {Name: "quantile_95", About: "95 % quantile"},
		{Name: "chance_of_none", About: "chance of no case"},
		{Name: "chance_at_most", About: "chance of at most the target", Null: "no target was given"},
		{Name: "chance_below", About: "chance of fewer than the target", Null: "no target was given"},
		{Name: "chance_above", About: "chance of more than the target", Null: "no target was given"},
	}
}

func targetInput() Input {
	return Input{Name: "target", Type: Whole, About: "a number the count should stay at or below", Range: from(0, mostCases)}
}

func rangeInput() Input {
	return Input{Name: "level", Type: Number, About: "chance that the count falls in the range", Range: from(0.5, 0.9999), Default: 0.9}
}

func nextCount() Method {
	return Method{
		Name: "next_count", Group: Ahead, Also: []string{"predictive", "forecast", "target_chance"},
		Purpose: "What the next period may bring if nothing changes, and the chance of staying at or below a target",
		Inputs: join([]Input{
			{Name: "count", Type: Whole, About: "cases so far", Unit: "cases", Range: from(0, 1e8), Required: true}, hoursInput("exposure", "exposure so far, in hours or months"),
			hoursInput("next_exposure", "exposure to come, in the same unit"), targetInput(), rangeInput(),
			{Name: "prior_shape", Type: Number, About: "cases the prior stands for; 0.5 with prior_rate 0 lets the data speak", Range: above(0, 1e8), Default: 0.5},
			{Name: "prior_rate", Type: Number, About: "exposure the prior stands for", Range: exposureRange(), Default: 0.0},
		}, wordInputs()),
		Outputs: append(aheadOutputs(), Output{Name: "posterior_shape", About: "the rate now is gamma-distributed with this shape"}, Output{Name: "posterior_rate", About: "and this rate"}),
		How:     "The count to come is negative binomial: Poisson given the rate, and the rate as uncertain as its past makes it. It holds only while the rate stays as it was.",
		Source:  "Gelman et al. (2014), Bayesian Data Analysis, 3rd edition, section 2.6; Jeffreys (1946), Proceedings of the Royal Society A 186:453-461, for the prior",
		Example: `{"count": 9, "exposure": 24, "next_exposure": 12, "target": 4, "unit": "months", "event": "injury", "events": "injuries"}`,
		named:   map[string]string{"p": "level"},
		run: func(in *inputs) (*answer, error) {
			w, n, a := wordsOf(in), in.whole("count"), newAnswer()
			f, err := predict.Next(predict.Prior{Shape: in.number("prior_shape"), Rate: in.number("prior_rate")}, n, in.number("exposure"), in.number("next_exposure"))
			if err != nil {
				return nil, err
			}
			if !f.Defined {
				a.noneLeft(in.method, f.Reason)
				a.sentence = "Nothing can be said of the coming period: " + f.Reason + "."
				return a, nil
			}
			a.puts("posterior_shape", f.PostShape, "posterior_rate", f.PostRate)
			past := fmt.Sprintf("%s in %s %s; in the next %s", upper(many(n, w.one, w.more)), num(f.Exposure), w.unit, num(f.Next))
			return a, ahead(in, f, past, w, a)
		},
	}
}

func nextCountKnown() Method {
	return Method{
		Name: "next_count_at_known_rate", Group: Ahead, Also: []string{"poisson_limit"},
		Purpose: "What a period may bring when the mean is taken as known, as a frozen centre line is",
		Inputs: join([]Input{
			{Name: "mean", Type: Number, About: "cases to be expected", Unit: "cases", Range: from(0, mostCases), Required: true}, targetInput(), rangeInput(),
		}, wordInputs()[:2]),
		Outputs: aheadOutputs(),
		How:     "The count is Poisson with the given mean. It leaves out that the mean is itself only estimated: next_count allows for that.",
		Source:  "Gelman et al. (2014), Bayesian Data Analysis, 3rd edition, section 2.6, as the past grows long",
		Example: `{"mean": 4.5, "target": 4}`,
		named:   map[string]string{"p": "level"},
		run: func(in *inputs) (*answer, error) {
			w, a := wordsOf(in), newAnswer()
			f, err := predict.KnownRate(in.number("mean"))
			if err != nil {
				return nil, err
			}
			return a, ahead(in, f, "With "+many2(f.Mean, w)+" to be expected", w, a)
		},
	}
}

// ahead fills in what both forecasts share.
func ahead(in *inputs, f predict.Forecast, past string, w words, a *answer) error {
	level := in.number("level")
	lo, hi, err := f.Range(level)
	if err != nil {
		return err
	}
	q := map[string]int{}
	for name, p := range map[string]float64{"quantile_5": 0.05, "median": 0.5, "quantile_95": 0.95} {
		if q[name], err = f.Quantile(p); err != nil {
			return err
		}
	}
	a.puts("mean", f.Mean, "variance", f.Variance, "range_lower", lo, "range_upper", hi, "chance_of_none", f.Exactly(0),
		"median", q["median"], "quantile_5", q["quantile_5"], "quantile_95", q["quantile_95"], "chance_at_most", nil, "chance_below", nil, "chance_above", nil)
	a.sentence = fmt.Sprintf("%s, anything from %s to %s is to be expected with a chance of %s", past, num(float64(lo)), num(float64(hi)), percent(level))
	if in.has("target") {
		k := in.whole("target")
		a.puts("chance_at_most", f.AtMost(k), "chance_below", f.Below(k), "chance_above", f.MoreThan(k))
		a.sentence += fmt.Sprintf("; at most %s has a chance of %s", num(float64(k)), percent(f.AtMost(k)))
	}
	a.sentence += ", if nothing changes."
	var rows []figure.Estimate
	for _, share := range []float64{0.5, 0.8, 0.95} {
		l, h, err := f.Range(share)
		if err != nil {
			return err
		}
		rows = append(rows, figure.Estimate{Label: percent(share) + " of chances", Value: f.Mean, Lo: float64(l), Hi: float64(h), HasInterval: true})
	}
	d := figure.Intervals{Title: "The count to come", Unit: w.more, RowName: "range", IntervalName: "range", Decimals: 1, Rows: rows}
	if in.has("target") {
		d.Reference, d.HasReference, d.ReferenceName = float64(in.whole("target")), true, "target"
	}
	a.draw = d
	return nil
}
