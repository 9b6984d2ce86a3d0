package compute

import (
	"fmt"
	"strings"

	"fairlead/analytics/cause"
	"fairlead/analytics/figure"
)

// causeMethods look for what goes together.
func causeMethods() []Method {
	return []Method{pareto(), association(), coOccurrence(), tableTest(), crossTable(), adjustPValues(), scan(), tellingOrHappening()}
}

func pareto() Method {
	return Method{
		Name: "pareto", Group: Causes, Also: []string{"top_causes"},
		Purpose: "Categories by size, with what is not known beside them and how sure their order is",
		Inputs: join([]Input{
			{Name: "labels", Type: Texts, About: "name of each category", Required: true, Longest: 1000},
			{Name: "counts", Type: Wholes, About: "reports in each", Range: below(0, mostCases), Required: true, Longest: 1000},
			{Name: "unknown", Type: Whole, About: "reports whose category is not known", Range: below(0, mostCases), Default: 0}, levelInput(),
		}, wordInputs()[:2]),
		Outputs: []Output{
			{Name: "rows", About: "largest first: label, count, rank (ties share it), tied, share with lower and upper, running share, and apart: the chance of as large a gap to the next row if both were equally common", Null: "null in shares where no report has a known category"},
			{Name: "known", About: "reports with a known category"}, {Name: "unknown", About: "reports without"}, {Name: "unknown_share", About: "share of all that is not known", Null: "there are no reports"},
			{Name: "covering_80", About: "categories from the top that hold 80 % of what is known, whole ties together"},
		},
		How:     "Counts in order, with exact binomial intervals of their shares. Where apart is not small the order of two neighbours means nothing, and with a third unknown any category may be on top.",
		Source:  "Clopper and Pearson (1934), Biometrika 26:404-413, for the shares; the order of two Poisson counts by the binomial test",
		Example: `{"labels": ["muscular stress", "slip or trip", "hit by moving object", "heat", "bite or sting"], "counts": [31, 24, 17, 6, 5], "unknown": 12, "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"labels", "counts"}}, named: map[string]string{"categories": "counts"},
		run: func(in *inputs) (*answer, error) {
			a, w, labels := newAnswer(), wordsOf(in), in.texts("labels")
			var list []cause.Category
			seen := map[string]int{}
			for i, n := range in.wholes("counts") {
				if at, twice := seen[labels[i]]; twice {
					return nil, bad(fmt.Sprintf("labels[%d]", i+1), "is the same as labels[%d]: add their counts together", at+1)
				}
				seen[labels[i]] = i
				list = append(list, cause.Category{Label: labels[i], Count: n})
			}
			p, err := cause.ParetoOf(list, in.whole("unknown"), in.number("level"))
			if err != nil {
				return nil, err
			}
			rows := []map[string]any{}
			f := figure.Pareto{Title: upper(w.more) + " by category", Unit: w.more, RowName: "category", Unknown: float64(p.Unknown)}
			for i, r := range p.Rows {
				rows = append(rows, map[string]any{"label": r.Label, "count": r.Count, "rank": r.Rank, "tied": r.Tied, "share": some(r.Share.Value, r.Share.Defined), "lower": some(r.Share.Lo, r.Share.Defined), "upper": some(r.Share.Hi, r.Share.Defined),
					"running": r.Running, "apart": r.Apart})
				const drawn = 25
				if i < drawn {
					f.Bars = append(f.Bars, figure.Bar{Label: r.Label, Count: float64(r.Count)})
				} else {
					f.Other += float64(r.Count)
				}
			}
			cover := p.Covering(0.8)
			a.puts("rows", rows, "known", p.Known, "unknown", p.Unknown, "unknown_share", some(p.UnknownShare.Value, p.UnknownShare.Defined), "covering_80", cover)
			a.sentence = fmt.Sprintf("No %s has a known category.", w.one)
			if p.Known > 0 {
				top := p.Rows[0]
				a.sentence = fmt.Sprintf("Of %s with a known category %s: %s; %s of %s hold 80 %%.", many(p.Known, w.one, w.more), num(float64(top.Count)), top.Label, num(float64(cover)), many(len(p.Rows), "category", "categories"))
			}
			if p.Unknown > 0 {
				a.sentence += fmt.Sprintf(" Of %s more the category is not known.", num(float64(p.Unknown)))
			}
			a.draw = f
			return a, nil
		},
	}
}

func association() Method {
	none := []Output{}
	for _, o := range []Output{
		{Name: "support", About: "share of reports with both"}, {Name: "confidence", About: "of those with the exposure, share with the outcome"}, {Name: "lift", About: "how many times as often together as by chance"},
		{Name: "leverage", About: "share together less the share by chance"}, {Name: "conviction", About: "how many times as often the exposure would come without the outcome by chance", Null: "the exposure never comes without the outcome"}, {Name: "phi", About: "correlation of the two facts"},
		{Name: "odds_ratio", About: "sample odds ratio", Null: "a cell is empty"}, {Name: "odds_lower", About: "its limits by logarithms (Woolf)", Null: "a cell is empty: there is no such interval"}, {Name: "odds_upper", About: "its limits by logarithms (Woolf)", Null: "a cell is empty: there is no such interval"},
		{Name: "haldane", About: "the same with a half added to each cell"}, {Name: "haldane_lower", About: "its lower limit"}, {Name: "haldane_upper", About: "its upper limit"},
		{Name: "conditional", About: "exact odds ratio given the margins", Null: "it has no upper bound, or the table is too large"}, {Name: "conditional_lower", About: "exact lower limit", Null: "the table is too large"}, {Name: "conditional_upper", About: "exact upper limit", Null: "there is none, or the table is too large"},
		{Name: "chi_square", About: "Pearson's statistic"}, {Name: "chi_square_p", About: "its p-value"}, {Name: "yates", About: "with continuity correction"}, {Name: "yates_p", About: "its p-value"}, {Name: "least_expected", About: "least count to be expected by chance; below 5 prefer Fisher"},
		{Name: "fisher_p", About: "Fisher's exact test, two-sided"}, {Name: "fisher_p_greater", About: "at least as many together"}, {Name: "fisher_p_less", About: "at most as many together"},
	} {
		none = append(none, o)
	}
	cell := func(name, about string) Input {
		return Input{Name: name, Type: Whole, About: about, Range: from(0, 1e8), Required: true}
	}
	return Method{
		Name: "association", Group: Causes, Also: []string{"odds_ratio", "lift", "fisher", "association_2x2", "two_by_two"},
		Purpose: "How far two facts go together: lift, odds ratios with intervals, Fisher's and chi-square tests",
		Inputs: []Input{cell("both", "reports with both facts"), cell("exposure_only", "with the first only, such as wet floor"), cell("outcome_only", "with the second only, such as slip"), cell("neither", "with neither"), levelInput(),
			{Name: "exposure", Type: Text, About: "name of the first fact", Default: "the first"}, {Name: "outcome", Type: Text, About: "name of the second fact", Default: "the second"}},
		Outputs: none,
		How:     "Counts of reports in which both facts are known. Going together is not because of: a third thing, such as a season, may bring both.",
		Source:  "Woolf (1955), Annals of Human Genetics 19:251-253; Haldane (1956), ibid. 20:309-311; Fisher (1935), Journal of the Royal Statistical Society 98:39-82; Brin et al. (1997), SIGMOD Record 26(2):255-264",
		Example: `{"both": 14, "exposure_only": 21, "outcome_only": 33, "neither": 240, "exposure": "wet floor", "outcome": "slip or trip"}`,
		named:   map[string]string{"total": "neither"},
		run:     runAssociation,
	}
}

func runAssociation(in *inputs) (*answer, error) {
	a, x, y := newAnswer(), in.text("exposure"), in.text("outcome")
	s, err := cause.Associate(cause.Fourfold{Both: in.whole("both"), ExposureOnly: in.whole("exposure_only"), OutcomeOnly: in.whole("outcome_only"), Neither: in.whole("neither")}, in.number("level"))
	if err != nil {
		return nil, err
	}
	if !s.Defined {
		a.noneLeft(in.method, s.Reason)
		a.sentence = "Nothing can be said: " + s.Reason + "."
		return a, nil
	}
	a.puts("support", s.Support, "confidence", s.Confidence, "lift", s.Lift, "leverage", s.Leverage, "conviction", some(s.Conviction, !s.NoConviction), "phi", s.Phi,
		"chi_square", s.Pearson, "chi_square_p", s.PearsonP, "yates", s.Yates, "yates_p", s.YatesP, "least_expected", s.MinExpected,
		"fisher_p", s.Fisher.TwoSided, "fisher_p_greater", s.Fisher.Greater, "fisher_p_less", s.Fisher.Less)
	var rows []figure.Estimate
	for _, k := range []struct {
		name, lower, upper string
		o                  cause.Odds
	}{{"conditional", "conditional_lower", "conditional_upper", s.Conditional}, {"odds_ratio", "odds_lower", "odds_upper", s.Woolf}, {"haldane", "haldane_lower", "haldane_upper", s.Haldane}} {
		there := k.o.Method != ""
		a.puts(k.name, some(k.o.Value, there && !k.o.Open), k.lower, some(k.o.Lo, k.o.Bounded), k.upper, some(k.o.Hi, k.o.Bounded && !k.o.HiOpen))
		if there {
			rows = append(rows, oddsRow(k.o.Method, k.o))
		}
	}
	if !s.Fisher.Exact {
		a.note("The table is so large that the chi-square test stands in for Fisher's.")
	}
	a.note("Together is not because of: a third thing may bring both.")
	verb := "go together more often than"
	if s.Lift < 1 {
		verb = "go together less often than"
	}
	if s.Fisher.TwoSided >= surely {
		verb = "go together no more than"
	}
	o := s.Odds()
	a.sentence = fmt.Sprintf("%s and %s %s chance would have it: %s together of %s, lift %s, odds ratio %s (Fisher %s).", upper(x), y, verb, num(float64(s.Both)), num(float64(s.Total())), num(s.Lift), oddsWords(o), chance(s.Fisher.TwoSided))
	a.draw = ratiosOf("Odds ratio", "odds ratio", "method", s.Level, rows)
	return a, nil
}

// oddsWords says an odds ratio with its interval.
func oddsWords(o cause.Odds) string {
	s := "without an upper bound"
	if !o.Open {
		s = num(o.Value)
	}
	switch {
	case !o.Bounded:
		return s
	case o.HiOpen:
		return fmt.Sprintf("%s, from %s up", s, num(o.Lo))
	}
	return fmt.Sprintf("%s, from %s to %s", s, num(o.Lo), num(o.Hi))
}

func coOccurrence() Method {
	return Method{
		Name: "co_occurrence", Group: Causes, Also: []string{"network", "factors_together", "market_basket"},
		Purpose: "Which contributing factors go together, after allowing for every pair tried",
		Inputs: []Input{
			{Name: "factors", Type: TextsBy, About: `answer of every report by factor: "yes", "no", or "" and "?" where not known`, Choices: []string{"yes", "no", "", "?"}, Required: true, Longest: 200_000},
			{Name: "q", Type: Number, About: "share of false finds among finds, or chance of one, by correction", Range: above(0, 0.5), Default: 0.05},
			{Name: "least_together", Type: Whole, About: "fewest reports of a pair shown", Range: from(1, 100_000), Default: 5}, levelInput(), correctionInput(),
		},
		Outputs: []Output{
			{Name: "pairs", About: "pairs that go together, the surest first: a, b, both, lift, odds_ratio with lower and upper, p_value, adjusted", Null: "null where an odds ratio or its limit does not exist"},
			{Name: "apart", About: "pairs together less often than by chance", Null: "null where an odds ratio or its limit does not exist"},
			{Name: "factors", About: "each factor with how often it was there, and known"}, {Name: "tried", About: "pairs tested, shown or not"}, {Name: "too_few", About: "of them, pairs together in too few reports to show"}, {Name: "reports", About: "reports"},
			{Name: "pair_level", About: "level of the intervals shown, stricter because only remarkable pairs are shown"},
		},
		How:     "Fisher's exact test of every pair over the reports that know both, corrected over all pairs tried.",
		Source:  "Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57:289-300; Benjamini and Yekutieli (2005), Journal of the American Statistical Association 100:71-81, for the intervals",
		Example: `{"factors":{"wet floor":["no","no","no","yes","no","yes","yes","no","yes","yes","yes","yes","no","no","no","no","yes","yes","no","no","no","no","no","no"],"worn shoes":["no","no","no","yes","no","no","yes","no","yes","no","yes","yes","no","yes","yes","no","yes","yes","no","no","no","no","no","no"],"hurry":["yes","yes","yes","yes","no","no","yes","?","no","?","no","no","no","?","yes","yes","?","no","?","yes","no","no","no","no"]}}`,
		alike:   [][]string{{"factors"}}, named: map[string]string{"least support": "least_together"},
		run: runCoOccurrence,
	}
}

func correctionInput() Input {
	return Input{Name: "correction", Type: Text, About: "how p-values allow for how many were looked at", Choices: []string{"benjamini_hochberg", "benjamini_yekutieli", "holm", "bonferroni"}, Default: "benjamini_hochberg"}
}

func correctionOf(name string) cause.Correction {
	return map[string]cause.Correction{"benjamini_hochberg": cause.BenjaminiHochberg, "benjamini_yekutieli": cause.BenjaminiYekutieli, "holm": cause.Holm, "bonferroni": cause.Bonferroni}[name]
}

// mostFactors bounds how many factors are paired.
const mostFactors = 60

func runCoOccurrence(in *inputs) (*answer, error) {
	a := newAnswer()
	names, lists := in.textsBy("factors")
	if len(names) < 2 || len(names) > mostFactors {
		return nil, bad("factors", "are %d: give 2 to %d", len(names), mostFactors)
	}
	var factors []cause.Factor
	for _, n := range names {
		f := cause.Factor{Name: n, Answers: make([]cause.Answer, len(lists[n]))}
		for i, s := range lists[n] {
			switch s {
			case "yes":
				f.Answers[i] = cause.Present
			case "no":
				f.Answers[i] = cause.Absent
			}
		}
		factors = append(factors, f)
	}
	n, err := cause.CoOccurrence(factors, cause.SearchOptions{Q: in.number("q"), MinSupport: in.whole("least_together"), Level: in.number("level"), Correction: correctionOf(in.text("correction"))})
	if err != nil {
		return nil, err
	}
	edges := func(list []cause.Edge) []map[string]any {
		out := []map[string]any{}
		for _, e := range list {
			out = append(out, map[string]any{"a": n.Nodes[e.A].Name, "b": n.Nodes[e.B].Name, "both": e.Both, "lift": e.Lift, "odds_ratio": some(e.Odds.Value, !e.Odds.Open), "lower": some(e.Odds.Lo, e.Odds.Bounded), "upper": some(e.Odds.Hi, e.Odds.Bounded && !e.Odds.HiOpen),
				"p_value": e.PValue, "adjusted": e.Adjusted})
		}
		return out
	}
	nodes := []map[string]any{}
	for _, x := range n.Nodes {
		nodes = append(nodes, map[string]any{"name": x.Name, "present": x.Present, "known": x.Known})
	}
	a.puts("pairs", edges(n.Edges), "apart", edges(n.Apart), "factors", nodes, "tried", n.Tried, "too_few", n.TooFew, "reports", n.Reports, "pair_level", n.EdgeLevel)
	a.sentence = fmt.Sprintf("Of %s tried, none goes together by more than chance.", many(n.Tried, "pair", "pairs"))
	var said []string
	var rows []figure.Estimate
	for _, e := range n.Edges {
		pair := n.Nodes[e.A].Name + " with " + n.Nodes[e.B].Name
		said = append(said, fmt.Sprintf("%s (%s times as often as by chance)", pair, num(e.Lift)))
		row := oddsRow(pair, e.Odds)
		row.Facts = fmt.Sprintf("%d together", e.Both)
		rows = append(rows, row)
	}
	if len(said) > 0 {
		a.sentence = fmt.Sprintf("Of %s tried, %s by more than chance: %s.", many(n.Tried, "pair", "pairs"), strings.Replace(many(len(said), "goes together", "go together"), "1 goes", "one goes", 1), listed(said))
		const drawn = 40
		a.draw = ratiosOf("What goes together", "odds ratio", "pair", n.EdgeLevel, rows[:min(drawn, len(rows))])
	}
	a.note(n.Caption)
	return a, nil
}
