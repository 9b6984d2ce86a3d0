package compute

import (
	"fmt"

	"fairlead/analytics/figure"
	"fairlead/analytics/survive"
)

// howLongMethods say how long things take when some are not finished.
func howLongMethods() []Method { return []Method{kaplanMeier(), logRank()} }

// mostItems bounds a list of items.
const mostItems = 20_000

func itemInputs() []Input {
	return []Input{
		{Name: "times", Type: Numbers, About: "how long each item took, or has been open", Unit: "days, or any other unit", Range: from(0, mostHours), Required: true, Longest: mostItems},
		{Name: "closed", Type: YesNos, About: "true where the item was closed then, false where it was still open", Required: true, Longest: mostItems},
	}
}

func observations(in *inputs) []survive.Observation {
	closed := in.yeses("closed")
	out := make([]survive.Observation, len(closed))
	for i, t := range in.numbers("times") {
		out[i] = survive.Observation{Time: t, Done: closed[i]}
	}
	return out
}

func timeUnitInput() Input {
	return Input{Name: "unit", Type: Text, About: "what times are counted in", Default: "days"}
}

func kaplanMeier() Method {
	return Method{
		Name: "kaplan_meier", Group: HowLong, Also: []string{"survival", "days_to_close", "median_time"},
		Purpose: "How long things take, those still open counted as at least so long: curve, median, share open",
		Inputs: join(itemInputs(), []Input{
			{Name: "interval", Type: Text, About: "how the interval of the curve is worked out", Choices: []string{"log_log", "log", "plain"}, Default: "log_log"}, levelInput(),
			{Name: "at", Type: Numbers, About: "times at which to say the share still open", Range: from(0, mostHours), Longest: 100},
			{Name: "share", Type: Number, About: "closed share whose time is wanted besides the median", Range: Range{Lo: 0, Hi: 1, Above: true, Below: true, bounded: true}, Default: 0.9},
			{Name: "limit", Type: Number, About: "limit of the restricted mean; without it, the longest time seen", Range: above(0, mostHours)}, timeUnitInput(),
		}),
		Outputs: []Output{
			{Name: "median", About: "time by which half is closed", Null: "half is not closed yet"}, {Name: "median_lower", About: "lower limit", Null: "it does not exist yet"}, {Name: "median_upper", About: "upper limit", Null: "it does not exist yet"},
			{Name: "share_time", About: "time by which the share asked for is closed", Null: "so many are not closed yet"}, {Name: "share_lower", About: "lower limit", Null: "it does not exist yet"}, {Name: "share_upper", About: "upper limit", Null: "it does not exist yet"},
			{Name: "times", About: "times at which items were closed"}, {Name: "at_risk", About: "open just before"}, {Name: "closed", About: "closed then"}, {Name: "open", About: "share still open after"},
			{Name: "se", About: "Greenwood's standard error", Null: "null once the last item at risk is closed"}, {Name: "lower", About: "lower limits", Null: "null once the last item at risk is closed"}, {Name: "upper", About: "upper limits", Null: "null once the last item at risk is closed"},
			{Name: "open_at", About: "share still open at the times asked for", Null: "null past the longest time seen"},
			{Name: "restricted_mean", About: "mean time, each item counted at most up to the limit", Null: "there is no time to count up to"}, {Name: "limit", About: "the limit used", Null: "there is no time to count up to"}, {Name: "items", About: "items"}, {Name: "done", About: "of them closed"},
		},
		How:     "The share still open after each closing, with Greenwood's standard error. Open items are censored: leaving them out would make slow work look fast. Where fewer than half are closed there is no median.",
		Source:  "Kaplan and Meier (1958), JASA 53:457-481; Greenwood (1926); Kalbfleisch and Prentice (1980), The Statistical Analysis of Failure Time Data; Brookmeyer and Crowley (1982), Biometrics 38:29-41; Irwin (1949), Journal of Hygiene 47:188-189",
		Example: `{"times": [3, 9, 14, 14, 20, 28, 35, 41, 60, 60], "closed": [true, true, true, false, true, true, false, true, false, false]}`,
		alike:   [][]string{{"times", "closed"}},
		named:   map[string]string{"items time": "times"},
		run:     runKaplanMeier,
	}
}

func runKaplanMeier(in *inputs) (*answer, error) {
	a, unit := newAnswer(), in.text("unit")
	kind := map[string]survive.Interval{"log": survive.Log, "plain": survive.Plain}[in.text("interval")]
	c, err := survive.KaplanMeier(observations(in), survive.Options{Level: in.number("level"), Interval: kind})
	if err != nil {
		return nil, err
	}
	a.puts("items", c.Items, "done", c.Done)
	if !c.Defined {
		a.noneLeft(in.method, c.Reason)
		a.sentence = "Nothing can be said: " + c.Reason + "."
		return a, nil
	}
	var times, open []float64
	var risk, done []int
	var se, lo, hi []*float64
	for _, s := range c.Steps {
		times, open, risk, done = append(times, s.Time), append(open, s.Survival), append(risk, s.AtRisk), append(done, s.Done)
		se, lo, hi = append(se, some(s.SE, s.Bounded)), append(lo, some(s.Lo, s.Bounded)), append(hi, some(s.Hi, s.Bounded))
	}
	a.puts("times", times, "at_risk", risk, "closed", done, "open", open, "se", se, "lower", lo, "upper", hi)
	m := c.Median()
	q, err := c.Quantile(in.number("share"))
	if err != nil {
		return nil, err
	}
	a.puts("median", some(m.Time, m.HasTime), "median_lower", some(m.Lo, m.HasLo), "median_upper", some(m.Hi, m.HasHi),
		"share_time", some(q.Time, q.HasTime), "share_lower", some(q.Lo, q.HasLo), "share_upper", some(q.Hi, q.HasHi))
	var at []*float64
	for _, t := range in.numbers("at") {
		s, known := c.At(t)
		at = append(at, some(s.Survival, known))
	}
	a.put("open_at", at)
	limit := c.Last
	if in.has("limit") {
		if limit = in.number("limit"); limit > c.Last {
			return nil, bad("limit", "is %s: must be at most the longest time seen, %s", num(limit), num(c.Last))
		}
	}
	a.puts("restricted_mean", nil, "limit", some(limit, limit > 0))
	if limit > 0 {
		mean, err := c.RestrictedMean(limit)
		if err != nil {
			return nil, err
		}
		a.put("restricted_mean", mean)
	}
	facts := fmt.Sprintf("%s of %s closed", num(float64(c.Done)), many(c.Items, "item", "items"))
	if m.HasTime {
		a.sentence = fmt.Sprintf("%s: half of them within %s %s%s.", facts, num(m.Time), unit, limitsWords(m))
	} else {
		a.sentence = fmt.Sprintf("%s: so few that nobody can say yet when half of them will be.", facts)
	}
	a.draw = survivalFigure("How long they stay open", unit, map[string]survive.Curve{"": c}, []string{""}, map[string][]survive.Observation{"": observations(in)})
	return a, nil
}

// limitsWords says the limits of a quantile.
func limitsWords(q survive.Quantile) string {
	switch {
	case q.HasLo && q.HasHi:
		return fmt.Sprintf(", and anything from %s to %s would fit (%s)", num(q.Lo), num(q.Hi), levelWord(q.Level))
	case q.HasLo:
		return fmt.Sprintf(", and anything from %s up would fit (%s)", num(q.Lo), levelWord(q.Level))
	}
	return ""
}

// survivalFigure draws curves.
func survivalFigure(title, unit string, curves map[string]survive.Curve, names []string, items map[string][]survive.Observation) figure.Survival {
	f := figure.Survival{Title: title, Unit: "share still open", TimeUnit: unit}
	for _, n := range names {
		c := curves[n]
		s := figure.SurvivalCurve{Name: n, End: c.Last}
		for _, p := range c.Steps {
			s.Steps = append(s.Steps, figure.SurvivalStep{Time: p.Time, Share: p.Survival, Lo: p.Lo, Hi: p.Hi, HasInterval: p.Bounded && len(names) == 1})
		}
		const ticks = 400 // more would be a bar
		for _, o := range items[n] {
			if !o.Done && len(s.Censored) < ticks {
				s.Censored = append(s.Censored, o.Time)
			}
		}
		const marks = 5
		for i := range marks {
			t := c.Last * float64(i) / (marks - 1)
			waiting := 0
			for _, o := range items[n] {
				if o.Time >= t {
					waiting++
				}
			}
			s.Waiting = append(s.Waiting, figure.Waiting{Time: t, N: waiting})
		}
		f.Curves = append(f.Curves, s)
	}
	return f
}

func logRank() Method {
	return Method{
		Name: "log_rank", Group: HowLong, Also: []string{"logrank", "compare_curves", "peto_prentice"},
		Purpose: "Whether groups of items close at the same pace",
		Inputs:  join(itemInputs(), []Input{{Name: "groups", Type: Texts, About: "group of each item", Required: true, Longest: mostItems}, timeUnitInput()}),
		Outputs: []Output{
			{Name: "groups", About: "in this order"}, {Name: "items", About: "items in each"}, {Name: "observed", About: "closed in each"}, {Name: "expected", About: "what they would be if all groups were alike"},
			{Name: "statistic", About: "log-rank statistic, chi-square by chance"}, {Name: "df", About: "degrees of freedom"}, {Name: "p_value", About: "its p-value"},
			{Name: "peto_prentice", About: "statistic that attends more to early differences"}, {Name: "peto_prentice_p", About: "its p-value"},
			{Name: "medians", About: "median of each group", Null: "null where half of a group is not closed yet"},
		},
		How:     "At each time, how many closings each group would have if all were alike, given how many are open in each. It says whether there is more than chance between them, not how much.",
		Source:  "Mantel (1966), Cancer Chemotherapy Reports 50:163-170; Peto and Peto (1972), Journal of the Royal Statistical Society A 135:185-207; Harrington and Fleming (1982), Biometrika 69:553-566",
		Example: `{"times": [3, 9, 14, 14, 20, 28, 35, 41, 60, 60, 5, 6, 11, 12, 16], "closed": [true, true, true, false, true, true, false, true, false, false, true, true, true, true, true], "groups": ["low", "low", "low", "low", "low", "low", "low", "low", "low", "low", "high", "high", "high", "high", "high"]}`,
		alike:   [][]string{{"times", "closed", "groups"}},
		named:   map[string]string{"items time": "times"},
		run:     runLogRank,
	}
}

func runLogRank(in *inputs) (*answer, error) {
	a, names := newAnswer(), distinct(in.texts("groups"))
	const most = 50
	if len(names) > most {
		return nil, bad("groups", "are %d: at most %d are taken", len(names), most)
	}
	items, curves := map[string][]survive.Observation{}, map[string]survive.Curve{}
	for i, o := range observations(in) {
		g := in.texts("groups")[i]
		items[g] = append(items[g], o)
	}
	var groups [][]survive.Observation
	var medians []*float64
	var said []string
	for _, n := range names {
		groups = append(groups, items[n])
		c, err := survive.KaplanMeier(items[n], survive.Options{})
		if err != nil {
			return nil, err
		}
		curves[n] = c
		m := c.Median()
		medians = append(medians, some(m.Time, m.HasTime))
		if m.HasTime {
			said = append(said, fmt.Sprintf("%s %s", n, num(m.Time)))
		} else {
			said = append(said, n+" not known yet")
		}
	}
	c, err := survive.Compare(groups, survive.LogRank)
	if err != nil {
		return nil, err
	}
	p, err := survive.Compare(groups, survive.PetoPrentice)
	if err != nil {
		return nil, err
	}
	a.puts("groups", append([]string{}, names...), "medians", medians)
	if !c.Defined {
		a.noneLeft(in.method, c.Reason)
		a.sentence = "The groups cannot be compared: " + c.Reason + "."
		return a, nil
	}
	a.puts("items", c.Items, "observed", c.Observed, "expected", c.Expected, "statistic", c.Statistic, "df", c.DF, "p_value", c.PValue, "peto_prentice", some(p.Statistic, p.Defined), "peto_prentice_p", some(p.PValue, p.Defined))
	if !p.Defined {
		a.none(p.Reason, "peto_prentice", "peto_prentice_p")
	}
	a.sentence = fmt.Sprintf("Median %s: %s. Between the groups there is %s (%s).", in.text("unit"), listed(said), chanceWords(c.PValue), chance(c.PValue))
	const drawn = 6
	if len(names) <= drawn {
		a.draw = survivalFigure("How long they stay open, by group", in.text("unit"), curves, names, items)
	}
	return a, nil
}
