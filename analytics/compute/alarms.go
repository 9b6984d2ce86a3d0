package compute

import (
	"fmt"
	"math"
	"math/rand/v2"

	"fairlead/analytics/spc"
)

// alarmMethods say how sure a chart is.
func alarmMethods() []Method {
	return []Method{dispersion(), countLimits(), runRules(), ruleRunLength(), runLengths(), falseAlarms()}
}

func dispersion() Method {
	return Method{
		Name: "dispersion", Group: Alarms, Also: []string{"dispersion_test", "overdispersion"},
		Purpose: "Whether counts spread more than chance makes them, and Laney's sigma z",
		Inputs: join([]Input{
			{Name: "counts", Type: Wholes, About: "cases of each period", Unit: "cases", Range: below(0, mostCases), Required: true, Longest: longestSeries},
			{Name: "exposures", Type: Numbers, About: "exposure of each; without it, equal exposure", Range: from(1e-9, mostHours), Longest: longestSeries},
		}, wordInputs()[:2]),
		Outputs: []Output{
			{Name: "statistic", About: "sum of squared distances from the mean over what chance makes"}, {Name: "df", About: "degrees of freedom"}, {Name: "p_value", About: "chance of as large a statistic"},
			{Name: "ratio", About: "variance over what chance makes; 1 by chance"}, {Name: "sigma_z", About: "Laney's sigma z: mean moving range of z over 1.128"},
		},
		How:     "Pearson's statistic against chi-square. A large sigma z means that successive periods differ by more than chance; a small p with sigma z near 1 rather means that the level has moved.",
		Source:  "Wetherill and Brown (1991), Statistical Process Control, pp. 216-218; Laney (2002), Quality Engineering 14:531-537",
		Example: `{"counts": [11, 8, 13, 11, 13, 17, 25, 23, 11, 16, 9, 15, 10, 16, 12, 8]}`,
		alike:   [][]string{{"counts", "exposures"}},
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			counts := in.wholes("counts")
			d, err := spc.DispersionTest(counts, in.numbers("exposures"))
			if err != nil {
				return nil, err
			}
			if !d.Defined {
				a.noneLeft(in.method, "there are fewer than two periods, or no cases")
				a.sentence = "Nothing can be said of the spread: there are fewer than two periods, or no cases."
				return a, nil
			}
			a.puts("statistic", d.Statistic, "df", d.DF, "p_value", d.P, "ratio", d.Ratio, "sigma_z", d.SigmaZ)
			word := "The counts spread no more than chance makes them"
			if d.P < surely {
				word = "The counts spread more than chance makes them"
			}
			a.sentence = fmt.Sprintf("%s: %s times the variance of chance (%s), sigma z %s.", word, num(d.Ratio), chance(d.P), num(d.SigmaZ))
			return a, nil
		},
	}
}

func countLimits() Method {
	return Method{
		Name: "count_limits", Group: Alarms, Also: []string{"poisson_limits", "probability_limits", "thresholds"},
		Purpose: "Limits of a count with a given mean: so many sigma against exact ones, and their false alarms",
		Inputs: []Input{
			{Name: "mean", Type: Number, About: "cases to be expected in a period", Range: from(0, mostCases), Required: true},
			{Name: "sigmas", Type: Number, About: "for sigma limits: how many", Range: above(0, 10), Default: 3.0}, tailInput(),
		},
		Outputs: []Output{
			{Name: "sigma_upper", About: "upper limit by sigma"}, {Name: "sigma_lower", About: "lower limit by sigma", Null: "the mean is at or below the square of the number of sigma: there is no lower limit"},
			{Name: "sigma_chance_above", About: "chance of a count above it"}, {Name: "sigma_chance_below", About: "chance of a count below the lower one"},
			{Name: "sigma_false_alarm_every", About: "periods between false alarms", Null: "chance never crosses them"},
			{Name: "exact_upper", About: "exact upper limit"}, {Name: "exact_lower", About: "exact lower limit", Null: "no count is low enough to signal at this mean"},
			{Name: "exact_chance_above", About: "chance of a count above it"}, {Name: "exact_chance_below", About: "chance of a count below the lower one"},
			{Name: "exact_false_alarm_every", About: "periods between false alarms", Null: "chance never crosses them"},
			{Name: "least_mean_with_exact_lower", About: "mean above which exact limits have a lower one"}, {Name: "least_mean_with_sigma_lower", About: "mean above which sigma limits have one"},
			{Name: "normal_chance_beyond", About: "chance of a normal value beyond so many sigma"},
		},
		How:    "The exact limits are the least count that chance exceeds, and the largest it undercuts, with probability at most tail. A count on a limit is within.",
		Source: "Poisson distribution; Montgomery, Introduction to Statistical Quality Control, on probability limits", Example: `{"mean": 2}`,
		run: func(in *inputs) (*answer, error) {
			a, m, k := newAnswer(), in.number("mean"), in.number("sigmas")
			s, err := spc.SigmaLimits(m, k)
			if err != nil {
				return nil, err
			}
			p, err := spc.ProbabilityLimits(m, in.number("tail"))
			if err != nil {
				return nil, err
			}
			least, err := spc.LeastMeanWithLowerLimit(in.number("tail"))
			if err != nil {
				return nil, err
			}
			normal, err := spc.NormalFalseAlarm(k)
			if err != nil {
				return nil, err
			}
			every := func(l spc.CountLimits) *float64 { n, ok := l.FalseAlarmEvery(); return some(n, ok) }
			a.puts("sigma_upper", s.Upper, "sigma_lower", some(s.Lower, s.HasLower), "sigma_chance_above", s.PAbove, "sigma_chance_below", s.PBelow, "sigma_false_alarm_every", every(s),
				"exact_upper", p.Upper, "exact_lower", some(p.Lower, p.HasLower), "exact_chance_above", p.PAbove, "exact_chance_below", p.PBelow, "exact_false_alarm_every", every(p),
				"least_mean_with_exact_lower", least, "least_mean_with_sigma_lower", k*k, "normal_chance_beyond", normal)
			a.sentence = fmt.Sprintf("With %s to be expected, a count above %s signals by exact limits and above %s by %s sigma.", num(m), num(p.Upper), num(s.Upper), num(k))
			if !p.HasLower {
				a.sentence += fmt.Sprintf(" No single period can signal an improvement: that takes a mean above %s.", num(least))
			}
			return a, nil
		},
	}
}

func runRules() Method {
	names := []struct{ name, about string }{
		{"beyond", "one beyond three sigma (Western Electric 1, Nelson 1)"}, {"two_of_three", "two of three beyond two sigma on one side (W.E. 2, Nelson 5)"},
		{"four_of_five", "four of five beyond one sigma on one side (W.E. 3, Nelson 6)"}, {"run_of_eight", "eight in a row on one side (W.E. 4)"},
		{"run_of_nine", "nine in a row on one side (Nelson 2)"}, {"trend", "six in a row rising or falling; a tie ends it (Nelson 3)"},
		{"alternating", "fourteen in a row alternating (Nelson 4)"}, {"hugging", "fifteen in a row within one sigma (Nelson 7)"},
		{"mixture", "eight in a row beyond one sigma, on both sides (Nelson 8)"}, {"outside", "eight in a row beyond one sigma, whichever side"},
	}
	var outs []Output
	for _, n := range names {
		outs = append(outs, Output{Name: n.name, About: "points that complete " + n.about + ", from 1"})
	}
	return Method{
		Name: "run_rules", Group: Alarms, Also: []string{"western_electric", "nelson"},
		Purpose: "The classical run rules on a standardised series",
		Inputs: []Input{
			{Name: "z", Type: Numbers, About: "value less centre over sigma, for each point", Range: from(-1e9, 1e9), Required: true, Longest: longestSeries},
		},
		Outputs: outs,
		How:     "Each rule looks at the points up to and including the one it lists. A point exactly on the centre ends a run, one exactly on a zone line is not beyond it. All of them together cry wolf once in six to eight years of months: choose few.",
		Source:  "Western Electric (1956), Statistical Quality Control Handbook; Nelson (1984), Journal of Quality Technology 16:237-239",
		Example: `{"z": [0.2, -0.5, 1.1, 3.2, -0.4, 0.6, -3.1, 0.3]}`,
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			r, err := spc.RunRules(in.numbers("z"))
			if err != nil {
				return nil, err
			}
			found, total := "", 0
			for i, list := range [][]int{r.Beyond, r.TwoOfThree, r.FourOfFive, r.RunOfEight, r.RunOfNine, r.Trend, r.Alternating, r.Hugging, r.Mixture, r.Outside} {
				a.put(names[i].name, toOne(list))
				if len(list) > 0 {
					found += fmt.Sprintf("; %s at %s", names[i].about, positions(list))
					total++
				}
			}
			a.sentence = fmt.Sprintf("None of the ten rules is met in %s.", many(len(in.numbers("z")), "point", "points"))
			if total > 0 {
				a.sentence = upper(found[2:]) + "."
			}
			return a, nil
		},
	}
}

// positions lists a few positions, from 1.
func positions(list []int) string {
	s, most := "", 6
	for i, v := range list {
		switch {
		case i == most:
			return s + fmt.Sprintf(" and %d more", len(list)-most)
		case i > 0:
			s += ", "
		}
		s += fmt.Sprint(v + 1)
	}
	return s
}

func ruleRunLength() Method {
	return Method{
		Name: "rule_run_length", Group: Alarms, Also: []string{"arl_rules", "arl_simulated", "average_run_length"},
		Purpose: "Mean number of points until a set of rules signals on a normal chart",
		Inputs: []Input{
			{Name: "rules", Type: Texts, About: "the rules", Choices: ruleNames(), Required: true, Longest: 20},
			{Name: "run", Type: Whole, About: "points in a row on one side that make a run", Range: from(2, 30), Default: 8},
			{Name: "shift", Type: Number, About: "how far the mean has moved, in sigma; 0 gives the time between false alarms", Range: from(-10, 10), Default: 0.0},
			{Name: "replicates", Type: Whole, About: "series simulated where no exact way is known", Range: from(100, 5000), Default: 3000}, seedInput(),
		},
		Outputs: []Output{
			{Name: "arl", About: "mean number of points to a signal"}, {Name: "standard_error", About: "of a simulated one", Null: "it is exact"}, {Name: "chain", About: `"exact" or "simulated"`},
		},
		How:    "Independent normal points. Exact by a Markov chain for a point beyond three sigma, two of three, four of five, and a run; simulated with the seed given for the others.",
		Source: "Champ and Woodall (1987), Technometrics 29:393-399", Example: `{"rules": ["western_electric"]}`,
		run: func(in *inputs) (*answer, error) {
			a, rules, run, shift := newAnswer(), rulesOf(in.texts("rules")), in.whole("run"), in.number("shift")
			if len(rules) == 0 {
				return nil, bad("rules", "hold no rule: give at least one")
			}
			zones, exact := spc.ZoneRules{}, true
			for _, r := range rules {
				switch r {
				case spc.BeyondLimits:
					zones.Beyond = true
				case spc.TwoOfThree:
					zones.TwoOfThree = true
				case spc.FourOfFive:
					zones.FourOfFive = true
				case spc.RunOneSide:
					zones.Run = run
				default:
					exact = false
				}
			}
			if exact {
				arl, err := zones.ARL(shift)
				if err != nil {
					return nil, err
				}
				a.puts("arl", arl, "standard_error", nil, "chain", "exact")
				a.sentence = fmt.Sprintf("A signal every %s points on average, exactly.", num(math.Round(10*arl)/10))
				return a, nil
			}
			s, err := spc.SimulateARL(rules, spc.RunLength{Above: run, Below: run}, shift, in.whole("replicates"), rand.New(rand.NewPCG(in.seed(), 0)))
			if err != nil {
				return nil, err
			}
			a.puts("arl", s.ARL, "standard_error", s.StandardError, "chain", "simulated")
			a.sentence = fmt.Sprintf("A signal every %s points on average, give or take %s (%s simulated series, seed %d).", num(s.ARL), num(2*s.StandardError), num(float64(s.Runs)), in.seed())
			return a, nil
		},
	}
}

func runLengths() Method {
	return Method{
		Name: "run_lengths", Group: Alarms, Also: []string{"matched_runs"},
		Purpose: "How many points in a row make a run on either side when counts are few",
		Inputs:  []Input{meanInput("cases a period", 0, mostCases)},
		Outputs: []Output{{Name: "above", About: "points in a row above the centre"}, {Name: "below", About: "points in a row below the centre"}},
		How:     "The least lengths, never below eight, that are about as unlikely on either side as eight in a row on a symmetric chart. Counts are skewed: at a mean of 1.05, seven months in ten lie below it.",
		Source:  "Poisson distribution; the eight is that of Western Electric (1956), Statistical Quality Control Handbook", Example: `{"mean": 1.05}`,
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			r := spc.MatchedRuns(in.number("mean"))
			a.puts("above", r.Above, "below", r.Below)
			a.sentence = fmt.Sprintf("With %s cases a period, %d in a row above the centre or %d below it are as unlikely as eight on a symmetric chart.", num(in.number("mean")), r.Above, r.Below)
			return a, nil
		},
	}
}

func falseAlarms() Method {
	return Method{
		Name: "false_alarms", Group: Alarms, Also: []string{"false_alarms_per_year"},
		Purpose: "False alarms a year to expect from a whole set of charts on view together",
		Inputs: join([]Input{
			{Name: "means", Type: Numbers, About: "cases a period of each chart while nothing changes", Range: from(0, 1e6), Required: true, Longest: 5000},
			{Name: "points_per_year", Type: Number, About: "points each chart gains in a year", Range: above(0, 10_000), Default: 12.0},
		}, limitInputs("sigma", "probability"), ruleInputs()),
		Outputs: []Output{
			{Name: "per_year", About: "false alarms a year from all charts together"}, {Name: "every", About: "points between false alarms of each chart", Null: "null where a chart never signals by chance"},
			{Name: "unknown", About: "charts without a figure"},
		},
		How:     "Each chart is a c-chart around its mean; its false alarms are exact for limits and runs and by normal theory for the other rules. One chart seldom cries wolf, a page of forty does.",
		Source:  "Markov chain over the Poisson distribution; Champ and Woodall (1987), Technometrics 29:393-399, for the normal chart",
		Example: `{"means": [12, 9.5, 4.1, 2.2, 0.8], "limits": "probability"}`,
		run:     runFalseAlarms,
	}
}

func runFalseAlarms(in *inputs) (*answer, error) {
	a, rules := newAnswer(), rulesOf(in.texts("rules"))
	var every []*float64
	perYear, unknown := 0.0, 0
	var normal *spc.FalseAlarms // the same for every chart: it knows no mean
	for i, m := range in.numbers("means") {
		center := m
		c, err := spc.New([]spc.Period{{Count: int(math.Round(m))}}, spc.Options{
			Kind: spc.C, Limits: limitKind(in.text("limits")), Sigmas: in.number("sigmas"), Tail: in.number("tail"), Center: &center, Rules: rules,
			RunLength: spc.RunLength{Above: in.whole("run_above"), Below: in.whole("run_below")},
		})
		if err != nil {
			return nil, err
		}
		var f spc.FalseAlarms
		switch {
		case normal != nil:
			f = *normal
		case !cheapFalseAlarms(c):
			return nil, bad("run_above", "and run_below are more than %d and the only rule: give shorter runs", longestSimulatedRun)
		default:
			if f, err = c.FalseAlarms(); err != nil {
				return nil, fmt.Errorf("means[%d]: %w", i+1, err)
			}
			if f.Defined && f.Method != "exact" {
				normal = &f
			}
		}
		every = append(every, some(f.Every, f.Defined))
		if !f.Defined {
			unknown++
			continue
		}
		perYear += f.PerYear(in.number("points_per_year"))
	}
	a.puts("per_year", perYear, "every", every, "unknown", unknown)
	if every == nil {
		a.put("every", []float64{})
	}
	a.sentence = fmt.Sprintf("%s together cry wolf %s times a year.", upper(many(len(every), "chart", "charts")), num(perYear))
	if unknown > 0 {
		a.sentence += fmt.Sprintf(" For %s of them there is no figure.", num(float64(unknown)))
	}
	return a, nil
}
