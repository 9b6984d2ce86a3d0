package compute

import (
	"fmt"

	"fairlead/analytics/figure"
	"fairlead/analytics/sites"
)

func silentCrews() Method {
	const none = "null where the hours are not known, or no number of hours would do"
	return Method{
		Name: "silent_crews", Group: Places, Also: []string{"silence", "under_reporting"},
		Purpose: "Which crews report so little for their hours that nothing is known about them",
		Inputs: join(placeInputs(true), []Input{
			{Name: "alarm", Type: Number, About: "chance of any false alarm in the whole list", Range: above(0, 0.5), Default: 0.05}, baseInput(),
		}, wordInputs()),
		Outputs: []Output{
			{Name: "silent", About: "true where so few reports are more than chance: what happens there is not known", Null: none}, {Name: "expected", About: "reports to be expected from the other crews' rates", Null: none},
			{Name: "chance", About: "chance of so few or fewer from a crew like the others", Null: none}, {Name: "adjusted", About: "the same, allowing for all crews looked at", Null: none},
			{Name: "can_tell", About: "false where the hours are too few for even no report at all to be remarkable", Null: none}, {Name: "needed", About: "exposure after which no report at all would be remarkable", Null: none},
			{Name: "looked", About: "crews looked at"}, {Name: "flagged", About: "crews found silent"}, {Name: "alarm", About: "chance of any false alarm in a list like this"},
		},
		How:     "What is to be expected of a crew is learnt from all the others, from how much they differ, and from how little is known of both; chances are corrected over all crews. The finding is \"not known\", never \"good\": few reports come from safe work, and from people who do not tell.",
		Source:  "gamma-Poisson model; Gelman et al. (2014), Bayesian Data Analysis, 3rd edition, chapter 5; Holm (1979), Scandinavian Journal of Statistics 6:65-70",
		Example: `{"labels": ["roads", "trees", "mowing", "drainage", "nursery"], "counts": [31, 24, 19, 1, 12], "exposures": [61000, 44000, 39000, 52000, 21000], "event": "near miss", "events": "near misses"}`,
		alike:   [][]string{{"counts", "exposures", "labels"}}, named: map[string]string{"crews": "counts"},
		run: func(in *inputs) (*answer, error) {
			a, w, base := newAnswer(), wordsOf(in), in.number("base")
			s, err := sites.Silent(placesOf(in), sites.SilenceOptions{Alarm: in.number("alarm")})
			if err != nil {
				return nil, err
			}
			if !s.Defined {
				a.noneLeft(in.method, s.Reason)
				a.sentence = "Nothing can be said: " + s.Reason + "."
				return a, nil
			}
			silent, tell := []any{}, []any{}
			var expected, chances, adjusted, needed []*float64
			var names []string
			for _, c := range s.Crews {
				d := c.Defined
				expected, chances, adjusted = append(expected, some(c.Expected, d)), append(chances, some(c.Chance, d)), append(adjusted, some(c.Adjusted, d))
				needed = append(needed, some(c.Needed*base, d && !c.NeverTells))
				if !d {
					silent, tell = append(silent, nil), append(tell, nil)
					a.note(fmt.Sprintf("%s is not looked at: %s.", c.Label, c.Reason))
					continue
				}
				silent, tell = append(silent, c.Silent), append(tell, c.CanTell)
				if c.Silent {
					names = append(names, fmt.Sprintf("%s (%s where %s would be expected)", c.Label, num(float64(c.Count)), num(c.Expected)))
				}
			}
			a.puts("silent", silent, "can_tell", tell, "expected", expected, "chance", chances, "adjusted", adjusted, "needed", needed, "looked", s.Looked, "flagged", s.Flagged, "alarm", s.Alarm)
			a.how = upper(s.Method) + ". " + in.method.How
			a.sentence = fmt.Sprintf("None of %s reports %s so seldom that it is more than chance.", many(s.Looked, "crew", "crews"), w.more)
			if len(names) > 0 {
				a.sentence = fmt.Sprintf("What happens is not known at %s: more than chance.", listed(names))
			}
			return a, nil
		},
	}
}

func beforeAfter() Method {
	cases := func(name, about string) Input {
		return Input{Name: name, Type: Wholes, About: about, Unit: "cases", Range: from(0, 1e6), Required: true, Longest: mostPlaces}
	}
	hours := func(name, about string) Input {
		return Input{Name: name, Type: Numbers, About: about, Unit: "hours worked", Range: exposureRange(), Required: true, Longest: mostPlaces}
	}
	labels := labelsInput("place")
	labels.Longest = mostPlaces
	return Method{
		Name: "before_after", Group: Places, Also: []string{"empirical_bayes_before_after", "comparison_group"},
		Purpose: "What a change did at some places, judged against others like them, allowing for the luck of those picked",
		Inputs: join([]Input{
			cases("before_counts", "cases at each place before"), hours("before_exposures", "exposure before"), cases("after_counts", "cases after"), hours("after_exposures", "exposure after"),
			{Name: "changed", Type: YesNos, About: "true where the change was made", Required: true, Longest: mostPlaces}, labels, levelInput(),
			{Name: "hoped", Type: Number, About: "the ratio that was hoped for, stated beforehand", Range: above(0, 10), Default: 0.5},
			{Name: "power", Type: Number, About: "chance wanted of seeing it", Range: from(0.05, 0.99), Default: 0.8},
		}, wordInputs()),
		Outputs: []Output{
			{Name: "observed", About: "cases after at the places that changed"}, {Name: "expected", About: "what there would have been without the change"}, {Name: "uncertainty", About: "standard deviation of that, in proportion"},
			{Name: "ratio", About: "observed over expected"}, {Name: "lower", About: "lower limit"}, {Name: "upper", About: "upper limit"}, {Name: "p_value", About: "two-sided, of no effect"}, {Name: "verdict", About: "in words"},
			{Name: "naive_ratio", About: "plain ratio of the rates after and before, for comparison", Null: "there was no case before"}, {Name: "luck", About: "factor by which the rate was to be expected to change by itself"},
			{Name: "trend", About: "factor by which the other places changed"}, {Name: "wobble", About: "how differently the other places changed beyond chance, as a standard deviation of the logarithm; above 0 it has widened the limits"},
			{Name: "wait_times", About: "how many times as long a record after the change would show the ratio hoped for", Null: "too little is known of before for any length to do"}, {Name: "wait_exposure", About: "exposure still needed", Null: "too little is known of before for any length to do"},
		},
		How:     "Each place's rate before is drawn towards the group's, because places are mostly picked after a bad spell; carried over to the hours after; and multiplied by how the other places changed. The limits allow for all three being uncertain.",
		Source:  "Hauer (1997), Observational Before-After Studies in Road Safety",
		Example: `{"before_counts": [9, 4, 5, 3, 6, 2, 4, 5, 3, 4], "before_exposures": [40000, 38000, 42000, 35000, 41000, 30000, 37000, 43000, 33000, 39000], "after_counts": [3, 4, 4, 3, 5, 3, 4, 4, 2, 5], "after_exposures": [41000, 37000, 42000, 36000, 40000, 31000, 38000, 42000, 34000, 40000], "changed": [true, false, false, false, false, false, false, false, false, false], "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"before_counts", "before_exposures", "after_counts", "after_exposures", "changed", "labels"}},
		run:     runBeforeAfter,
	}
}

func runBeforeAfter(in *inputs) (*answer, error) {
	a, w, labels := newAnswer(), wordsOf(in), in.texts("labels")
	b, be, c, ce := in.wholes("before_counts"), in.numbers("before_exposures"), in.wholes("after_counts"), in.numbers("after_exposures")
	var changed, others []sites.Place
	for i, yes := range in.yeses("changed") {
		p := sites.Place{Label: placeName(labels, i), Before: b[i], After: c[i], BeforeExposure: be[i], AfterExposure: ce[i]}
		if yes {
			changed = append(changed, p)
		} else {
			others = append(others, p)
		}
	}
	hoped := in.number("hoped")
	if hoped == 1 {
		return nil, bad("hoped", "is 1, which is no change: give a ratio such as 0.5")
	}
	e, err := sites.BeforeAfter(changed, others, sites.EffectOptions{Level: in.number("level"), Hoped: hoped, Power: in.number("power")})
	if err != nil {
		return nil, err
	}
	a.note(e.Note)
	if !e.Defined {
		a.noneLeft(in.method, e.Reason)
		a.sentence = "The change cannot be judged: " + e.Reason + "."
		return a, nil
	}
	a.puts("observed", e.Observed, "expected", e.Expected, "uncertainty", e.Uncertainty, "ratio", e.Ratio, "lower", e.Lo, "upper", e.Hi, "p_value", e.PValue, "verdict", string(e.Verdict),
		"naive_ratio", some(e.Naive, e.Naive > 0), "luck", e.Luck, "trend", e.Trend, "wobble", e.Wobble, "wait_times", some(e.Wait.Times, !e.Wait.Never), "wait_exposure", some(e.Wait.More, !e.Wait.Never))
	a.how = upper(e.Method) + ". " + in.method.How
	a.sentence = fmt.Sprintf("%s after the change where %s would have been expected without it: %s times, and anything from %s to %s would fit (%s). %s (%s).",
		upper(many(e.Observed, w.one, w.more)), num(e.Expected), num(e.Ratio), num(e.Lo), num(e.Hi), levelWord(e.Level), upper(string(e.Verdict)), chance(e.PValue))
	a.draw = ratiosOf("The change against what there would have been", "ratio of "+w.more, "", e.Level, []figure.Estimate{
		{Label: "with the other places", Facts: fmt.Sprintf("%d against %s", e.Observed, num(e.Expected)), Value: e.Ratio, Lo: e.Lo, Hi: e.Hi, HasInterval: true},
		{Label: "plain rates, for comparison", Value: e.Naive, Missing: e.Naive == 0, Why: "no case before"},
	})
	return a, nil
}
