package compute

import (
	"fmt"
	"math"

	"fairlead/analytics/figure"
	"fairlead/analytics/rate"
)

// twoMethods compare two rates, or a count with what was expected.
func twoMethods() []Method { return []Method{rateRatio(), expectedCount(), timeToSee()} }

func rateRatio() Method {
	return Method{
		Name: "rate_ratio", Group: TwoRates, Also: []string{"compare_rates", "e_test", "etest", "incidence_rate_ratio"},
		Purpose: "Whether two rates differ by more than chance, and by how much: ratio, interval, p-values, E-test",
		Inputs: join([]Input{
			countInput("first_count", "cases on the first side, such as after"), hoursInput("first_exposure", "exposure on the first side"),
			countInput("second_count", "cases on the second side, such as before"), hoursInput("second_exposure", "exposure on the second side, in the same unit"),
			{Name: "null_ratio", Type: Number, About: "ratio to test against; 1 means no difference", Range: above(0, 1e12), Default: 1.0},
			levelInput(), intervalInput("exact", "mid_p"),
		}, wordInputs()),
		Outputs: []Output{
			{Name: "ratio", About: "first rate over second", Null: "no case on the second side: the ratio has no upper bound"},
			{Name: "lower", About: "lower limit of the kind asked for"}, {Name: "upper", About: "upper limit", Null: "no case on the second side: the ratio has no upper bound"},
			{Name: "exact_lower", About: "exact limits"}, {Name: "exact_upper", About: "exact limits", Null: "no case on the second side: the ratio has no upper bound"},
			{Name: "mid_p_lower", About: "mid-P limits"}, {Name: "mid_p_upper", About: "mid-P limits", Null: "no case on the second side: the ratio has no upper bound"},
			{Name: "p_value", About: "two-sided, of the same kind as the interval"},
			{Name: "p_central", About: "goes with the exact interval"}, {Name: "p_mid", About: "goes with the mid-P interval"},
			{Name: "p_min_like", About: "as some packages print; may contradict the interval"},
			{Name: "p_less", About: "one-sided: the first rate is lower"}, {Name: "p_greater", About: "one-sided: the first rate is higher"},
			{Name: "e_test_p", About: "E-test, each side's own standard error"}, {Name: "e_test_p_greater", About: "the same, one-sided"}, {Name: "e_test_statistic", About: "its statistic"},
			{Name: "e_test_pooled_p", About: "E-test, pooled standard error"}, {Name: "e_test_pooled_statistic", About: "its statistic"},
		},
		How:     "Given all cases together, the number on the first side is binomial; the limits are those of its probability. The E-test (null ratio 1 only) does without that condition and has more power, but no interval of its own. It holds for a comparison fixed beforehand: a date found by looking at the data belongs to change_point.",
		Source:  "Przyborowski and Wilenski (1940), Biometrika 31:313-323; Fay (2010), R Journal 2(1):53-58; Krishnamoorthy and Thomson (2004), Journal of Statistical Planning and Inference 119:23-35 (E-test)",
		Example: `{"first_count": 4, "first_exposure": 398000, "second_count": 11, "second_exposure": 405000, "event": "lost-time injury", "events": "lost-time injuries"}`,
		named:   map[string]string{"first count + second count": "first_count"},
		run:     runRateRatio,
	}
}

func runRateRatio(in *inputs) (*answer, error) {
	first := rate.Sample{Count: in.whole("first_count"), Exposure: in.number("first_exposure")}
	second := rate.Sample{Count: in.whole("second_count"), Exposure: in.number("second_exposure")}
	w, a, null := wordsOf(in), newAnswer(), in.number("null_ratio")
	facts := fmt.Sprintf("%s in %s %s against %s in %s", many(first.Count, w.one, w.more), num(first.Exposure), w.unit, num(float64(second.Count)), num(second.Exposure))
	asked := intervalMethod(in.text("interval"))
	var rows []figure.Estimate
	for _, k := range []struct {
		name string
		m    rate.Method
	}{{"exact", rate.Garwood}, {"mid_p", rate.MidP}} {
		c, err := rate.Compare(first, second, null, rate.Options{Level: in.number("level"), Method: k.m})
		if err != nil {
			return nil, err
		}
		if !c.Defined {
			a.noneLeft(in.method, c.Reason)
			a.sentence = fmt.Sprintf("%s: no comparison, because %s.", upper(facts), c.Reason)
			return a, nil
		}
		hi := some(c.Hi, !c.HiOpen)
		a.puts(k.name+"_lower", c.Lo, k.name+"_upper", hi)
		row := figure.Estimate{Label: c.Method, Value: c.Ratio, Lo: c.Lo, Hi: c.Hi, HasInterval: true, Missing: c.RatioOpen, Why: "no upper bound"}
		if c.HiOpen {
			row.Hi = math.Inf(1)
		}
		rows = append(rows, row)
		if k.m != asked {
			continue
		}
		a.puts("ratio", some(c.Ratio, !c.RatioOpen), "lower", c.Lo, "upper", hi, "p_value", c.PValue, "p_central", c.P.Central, "p_mid", c.P.MidP,
			"p_min_like", c.P.MinLike, "p_less", c.P.Less, "p_greater", c.P.Greater)
		a.sentence = upper(facts) + ": " + ratioWords(c) + fmt.Sprintf(" %s (%s).", upper(chanceWords(c.PValue)), chance(c.PValue))
		if null != 1 {
			a.note(fmt.Sprintf("The p-values are of a ratio of %s.", num(null)))
		}
	}
	if err := eTests(first, second, null, a); err != nil {
		return nil, err
	}
	a.draw = ratiosOf("First rate over second", "ratio of rates", "interval", in.number("level"), rows)
	return a, nil
}

// ratioWords says a ratio with its interval.
func ratioWords(c rate.Comparison) string {
	to := "without an upper limit"
	if !c.HiOpen {
		to = "to " + num(c.Hi)
	}
	if c.RatioOpen {
		return fmt.Sprintf("at least %s times the rate, %s (%s).", num(c.Lo), to, levelWord(c.Level))
	}
	return fmt.Sprintf("%s times the rate, and anything from %s %s would fit (%s).", num(c.Ratio), num(c.Lo), to, levelWord(c.Level))
}

// eTests adds both forms of the E-test.
func eTests(first, second rate.Sample, null float64, a *answer) error {
	names := []string{"e_test_p", "e_test_p_greater", "e_test_statistic", "e_test_pooled_p", "e_test_pooled_statistic"}
	if null != 1 {
		a.none("the E-test is of equal rates only", names...)
		return nil
	}
	const most = 200_000 // larger counts take the E-test longer than they are worth: the p-values agree by then
	if max(first.Count, second.Count) > most {
		a.none("the E-test is worked out for counts up to "+num(most)+" only", names...)
		return nil
	}
	own, err := rate.ETest(first, second, false)
	if err != nil {
		return err
	}
	pooled, err := rate.ETest(first, second, true)
	if err != nil {
		return err
	}
	a.puts("e_test_p", own.PTwoSided, "e_test_p_greater", own.PGreater, "e_test_statistic", own.Statistic,
		"e_test_pooled_p", pooled.PTwoSided, "e_test_pooled_statistic", pooled.Statistic)
	return nil
}

func expectedCount() Method {
	return Method{
		Name: "expected_count", Group: TwoRates, Also: []string{"poisson_test", "observed_expected"},
		Purpose: "Whether a count differs from what was to be expected by more than chance",
		Inputs: join([]Input{
			countInput("count", "cases counted"),
			{Name: "expected", Type: Number, About: "cases to be expected, fixed beforehand: last year's rate times this year's hours", Unit: "cases", Range: from(0, mostCases), Required: true},
		}, wordInputs()[:2]),
		Outputs: []Output{
			{Name: "ratio", About: "count over expected", Null: "nothing was to be expected"},
			{Name: "p_central", About: "two-sided: twice the smaller one-sided value"}, {Name: "p_mid", About: "two-sided, mid-P"},
			{Name: "p_min_like", About: "two-sided: all counts no more likely"},
			{Name: "p_less", About: "as few or fewer"}, {Name: "p_greater", About: "as many or more"},
			{Name: "p_less_mid", About: "as few or fewer, the count itself by half"}, {Name: "p_greater_mid", About: "as many or more, the count itself by half"},
		},
		How:     "Chances under a Poisson distribution whose mean is taken as known. An expectation that rests on a short past is itself uncertain: use rate_ratio there.",
		Source:  "Fay (2010), R Journal 2(1):53-58; the definition of R's stats::poisson.test for p_min_like",
		Example: `{"count": 9, "expected": 4.2, "event": "near miss", "events": "near misses"}`,
		named:   map[string]string{"mean": "expected"},
		run: func(in *inputs) (*answer, error) {
			n, e, w, a := in.whole("count"), in.number("expected"), wordsOf(in), newAnswer()
			p, err := rate.TestMean(n, e)
			if err != nil {
				return nil, err
			}
			ratio := math.Inf(1)
			if e > 0 {
				ratio = float64(n) / e
			}
			a.puts("ratio", ratio, "p_central", p.Central, "p_mid", p.MidP, "p_min_like", p.MinLike, "p_less", p.Less, "p_greater", p.Greater, "p_less_mid", p.MidPLess, "p_greater_mid", p.MidPGreater)
			a.sentence = fmt.Sprintf("%s where %s were to be expected: %s (%s).", upper(many(n, w.one, w.more)), num(e), chanceWords(p.Central), chance(p.Central))
			return a, nil
		},
	}
}

func timeToSee() Method {
	return Method{
		Name: "hours_to_see", Group: TwoRates, Also: []string{"power", "sample_size", "time_to_see_a_change"},
		Purpose: "How many hours it takes until a change of a given size could be seen",
		Inputs: join([]Input{
			{Name: "past_count", Type: Whole, About: "cases so far", Unit: "cases", Range: from(0, 1e6), Required: true}, hoursInput("past_exposure", "exposure so far"),
			{Name: "ratio", Type: Number, About: "the change to be seen: 0.5 is a halving of the rate", Range: from(0, 1000), Required: true},
			{Name: "power", Type: Number, About: "chance wanted of seeing it", Range: from(0.05, 0.999), Default: 0.8}, levelInput(),
			{Name: "known_past", Type: YesNo, About: "take the past rate as known exactly, as a frozen centre line does", Default: false},
			{Name: "exposure_per_month", Type: Number, About: "exposure of a month to come, to give the answer in months", Range: above(0, mostHours)},
		}, wordInputs()),
		Outputs: []Output{
			{Name: "exposure", About: "exposure needed from now on"}, {Name: "months", About: "the same in months", Null: "no exposure_per_month was given"},
			{Name: "expected", About: "cases to be expected in it if the change is real"}, {Name: "power", About: "chance that the test then shows it"},
		},
		How:     "The least exposure at which the exact two-sided test of rate_ratio (of expected_count with known_past) shows the change with the chance asked for. A past of few cases is itself so uncertain that no future is long enough.",
		Source:  "power summed exactly over the Poisson distribution of the future count; the test is that of Przyborowski and Wilenski (1940), Biometrika 31:313-323",
		Example: `{"past_count": 22, "past_exposure": 800000, "ratio": 0.5, "exposure_per_month": 34000, "event": "injury", "events": "injuries"}`,
		run:     runTimeToSee,
	}
}

func runTimeToSee(in *inputs) (*answer, error) {
	w, a := wordsOf(in), newAnswer()
	past, ratio := rate.Sample{Count: in.whole("past_count"), Exposure: in.number("past_exposure")}, in.number("ratio")
	if ratio == 1 {
		return nil, bad("ratio", "is 1, which is no change: give a ratio such as 0.5 or 1.5")
	}
	d, err := rate.Detect(past, ratio, rate.DetectOptions{Power: in.number("power"), Level: in.number("level"), KnownPast: in.yes("known_past")})
	if err != nil {
		return nil, err
	}
	change := fmt.Sprintf("a change to %s times the rate", num(ratio))
	if !d.Defined {
		a.noneLeft(in.method, d.Reason)
		a.sentence = fmt.Sprintf("No amount of %s would show %s: %s.", w.unit, change, d.Reason)
		return a, nil
	}
	a.puts("exposure", d.Exposure, "expected", d.Expected, "power", d.Power, "months", nil)
	long := num(d.Exposure) + " " + w.unit
	if in.has("exposure_per_month") {
		months := d.Exposure / in.number("exposure_per_month")
		if math.IsInf(months, 0) {
			return nil, bad("exposure_per_month", "is too small to divide by")
		}
		a.put("months", months)
		long += fmt.Sprintf(" (%s months)", num(months))
	}
	a.sentence = fmt.Sprintf("After %s in %s %s, it takes %s more until %s would be seen with a chance of %s, with %s to be expected in them.",
		many(past.Count, w.one, w.more), num(past.Exposure), w.unit, long, change, percent(d.Power), many2(d.Expected, w))
	return a, nil
}
