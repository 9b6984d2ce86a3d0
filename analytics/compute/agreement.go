package compute

import (
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/agree"
	"fairlead/analytics/figure"
)

// agreementMethods say how well coders agree.
func agreementMethods() []Method {
	return []Method{cohenKappa(), fleissKappa(), krippendorffAlpha()}
}

// mostCategories bounds a scheme, mostUnits what was coded.
const (
	mostCategories = 200
	mostUnits      = 2000
)

func cohenKappa() Method {
	return Method{
		Name: "cohen_kappa", Group: Agreement, Also: []string{"kappa", "weighted_kappa", "two_coders"},
		Purpose: "How far two coders agree beyond chance, plain or weighted",
		Inputs: []Input{
			{Name: "table", Type: WholeRows, About: "items put into category i by the first coder and j by the second", Range: from(0, 1e8), Longest: mostCategories * mostCategories},
			{Name: "first", Type: Texts, About: "instead of table: the first coder's code of each item, empty where missing", Longest: 50_000},
			{Name: "second", Type: Texts, About: "the second coder's", Longest: 50_000},
			{Name: "categories", Type: Texts, About: "categories in order, with those nobody used; without it, all codes met, in alphabetical order", Longest: mostCategories},
			{Name: "weights", Type: Text, About: "whether near misses count as part agreement", Choices: []string{"none", "linear", "quadratic"}, Default: "none"},
			{Name: "agreement", Type: NumberRows, About: "instead of weights: how far codes i and j agree, 1 on the diagonal", Range: from(0, 1), Longest: mostCategories * mostCategories}, levelInput(),
		},
		Outputs: []Output{
			{Name: "kappa", About: "agreement beyond chance"}, {Name: "lower", About: "lower limit, cut to what a kappa can be"}, {Name: "upper", About: "upper limit, cut to what a kappa can be"}, {Name: "se", About: "standard error"}, {Name: "se_null", About: "standard error if they agreed by chance only"}, {Name: "z", About: "kappa over that", Null: "the standard error under chance is zero"},
			{Name: "observed", About: "share on which they agree, weighted"}, {Name: "expected", About: "share on which chance alone would make them agree"}, {Name: "items", About: "items coded by both"}, {Name: "missing", About: "items that lack a code"},
		},
		How:     "Agreement over what chance would give, by each coder's own use of the categories. A category nobody used still widens the scale of a weighted kappa when it lies between two others: keep it. Kappa is never turned into a word such as good.",
		Source:  "Cohen (1960), Educational and Psychological Measurement 20:37-46; Cohen (1968), Psychological Bulletin 70:213-220; Fleiss, Cohen and Everitt (1969), ibid. 72:323-327, for the standard errors",
		Example: `{"first": ["slip", "slip", "load", "heat", "load", "slip", "load", "heat", "slip", "load"], "second": ["slip", "load", "load", "heat", "load", "slip", "load", "slip", "slip", ""]}`,
		alike:   [][]string{{"first", "second"}},
		named:   map[string]string{"item": "first", "weights": "agreement"},
		run:     runCohen,
	}
}

func runCohen(in *inputs) (*answer, error) {
	a, table, missing := newAnswer(), in.wholeRows("table"), 0
	switch {
	case in.has("table") == (in.has("first") || in.has("second")):
		return nil, bad("table", "or both first and second: give the one or the other")
	case in.has("first") != in.has("second"):
		return nil, bad("second", "and first belong together: give both")
	case in.has("first"):
		var err error
		seen := distinct(append(slices.Clone(in.texts("first")), in.texts("second")...))
		if len(seen) > mostCategories+1 {
			return nil, bad("first", "and second hold %d categories: at most %d are taken", len(seen), mostCategories)
		}
		categories := in.texts("categories")
		if twice := len(distinct(categories)) != len(categories); twice {
			return nil, bad("categories", "hold a name twice: give each once")
		}
		for _, s := range seen {
			if s != "" && categories != nil && !slices.Contains(categories, s) {
				return nil, bad("categories", "lack %q, which a coder used; did they mean %s?", clip(s), nearest(s, categories))
			}
		}
		if _, table, missing, err = agree.Table(in.texts("first"), in.texts("second"), categories); err != nil {
			return nil, err
		}
		if len(table) < 2 {
			a.noneLeft(in.method, "fewer than two categories were used")
			a.sentence = "Kappa is undefined: fewer than two categories were used."
			return a, nil
		}
	}
	if len(table) > mostCategories {
		return nil, bad("table", "has %d categories: at most %d are taken", len(table), mostCategories)
	}
	weights := in.numberRows("agreement")
	if weights == nil {
		switch in.text("weights") {
		case "linear":
			weights = agree.Linear(len(table))
		case "quadratic":
			weights = agree.Quadratic(len(table))
		}
	}
	k, err := agree.Cohen(table, in.number("level"))
	if weights != nil {
		k, err = agree.CohenWeighted(table, weights, in.number("level"))
	}
	if err != nil {
		return nil, err
	}
	a.puts("items", k.Items, "missing", missing)
	if !k.Defined {
		a.noneLeft(in.method, k.Reason)
		a.sentence = "Kappa is undefined: " + k.Reason + "."
		return a, nil
	}
	lo, hi := k.Limits()
	a.puts("kappa", k.Value, "lower", lo, "upper", hi, "se", k.SE, "se_null", k.SENull, "z", some(k.ZNull, k.SENull > 0), "observed", k.Observed, "expected", k.Expected)
	a.note(k.Note)
	a.how = upper(k.Method) + ". " + in.method.How
	a.sentence = fmt.Sprintf("The two agree on %s of %s; chance alone would make it %s: kappa %s, and anything from %s to %s would fit (%s).", percent(k.Observed), many(k.Items, "item", "items"), percent(k.Expected), num(k.Value), num(lo), num(hi), levelWord(k.Level))
	a.draw = intervalsOf("Agreement of two coders", "kappa", "", k.Level, []figure.Estimate{{Label: "kappa", Facts: many(k.Items, "item", "items"), Value: k.Value, Lo: lo, Hi: hi, HasInterval: true}})
	return a, nil
}

func fleissKappa() Method {
	return Method{
		Name: "fleiss_kappa", Group: Agreement, Also: []string{"several_coders"},
		Purpose: "How far several coders agree beyond chance, and which categories are hard to tell apart",
		Inputs: []Input{
			{Name: "counts", Type: WholeRows, About: "coders who put item i into category j", Range: from(0, 1e5), Longest: 100_000},
			{Name: "codes", Type: TextRows, About: "instead of counts: the codes given to each item, every item by the same number of coders", Longest: 100_000},
			{Name: "categories", Type: Texts, About: "name of each category; with codes, those met in alphabetical order", Longest: mostCategories},
		},
		Outputs: []Output{
			{Name: "kappa", About: "agreement beyond chance"}, {Name: "se_null", About: "standard error if they agreed by chance only"}, {Name: "z", About: "kappa over that", Null: "the standard error under chance is zero"},
			{Name: "observed", About: "mean share of pairs of coders that agree on an item"}, {Name: "expected", About: "share that chance alone would make agree"},
			{Name: "category_kappa", About: "how well each category is told apart", Null: "null where a category was never or always used"}, {Name: "category_share", About: "share of all codes"}, {Name: "categories", About: "in this order"},
			{Name: "items", About: "items"}, {Name: "coders", About: "coders of each item"},
		},
		How:     "Mean agreement of pairs over what chance would give. Each item must have been coded by the same number of coders; if not, use krippendorff_alpha, which also has an interval.",
		Source:  "Fleiss (1971), Psychological Bulletin 76:378-382; Fleiss, Nee and Landis (1979), ibid. 86:974-977, for the standard error",
		Example: `{"codes": [["slip", "slip", "load"], ["load", "load", "load"], ["heat", "slip", "heat"], ["slip", "slip", "slip"], ["load", "heat", "load"]]}`,
		run:     runFleiss,
	}
}

func runFleiss(in *inputs) (*answer, error) {
	a, counts, categories := newAnswer(), in.wholeRows("counts"), in.texts("categories")
	switch {
	case in.has("counts") == in.has("codes"):
		return nil, bad("counts", "or codes: give the one or the other")
	case in.has("codes"):
		var all []string
		for _, r := range in.textRows("codes") {
			all = append(all, r...)
		}
		if categories == nil {
			categories = distinct(all)
		}
		if len(categories) > mostCategories {
			return nil, bad("codes", "hold %d categories: at most %d are taken", len(categories), mostCategories)
		}
		for i, r := range in.textRows("codes") {
			row := make([]int, len(categories))
			for j, s := range r {
				k := slices.Index(categories, s)
				if k < 0 {
					return nil, bad(fmt.Sprintf("codes[%d][%d]", i+1, j+1), "is %q, which is not in categories", clip(s))
				}
				row[k]++
			}
			counts = append(counts, row)
		}
	}
	for i, r := range counts {
		if len(r) != len(counts[0]) {
			return nil, bad(fmt.Sprintf("counts[%d]", i+1), "has %s, but counts[1] has %s: give every item as many", entries(len(r)), entries(len(counts[0])))
		}
	}
	if len(counts) > 0 && categories != nil && len(categories) != len(counts[0]) {
		return nil, bad("categories", "are %d, but counts have %d: give one for each", len(categories), len(counts[0]))
	}
	k, err := agree.Fleiss(counts)
	if err != nil {
		return nil, err
	}
	a.puts("items", k.Items, "coders", k.Coders)
	if categories == nil && len(counts) > 0 {
		for j := range counts[0] {
			categories = append(categories, fmt.Sprint(j+1))
		}
	}
	a.put("categories", append([]string{}, categories...))
	if !k.Defined {
		a.noneLeft(in.method, k.Reason)
		a.sentence = "Kappa is undefined: " + k.Reason + "."
		return a, nil
	}
	var each []*float64
	var shares []float64
	var rows []figure.Estimate
	worst, worstAt := math.Inf(1), -1
	for j, c := range k.Categories {
		each, shares = append(each, some(c.Kappa, c.Defined)), append(shares, c.Share)
		rows = append(rows, figure.Estimate{Label: categories[j], Facts: percent(c.Share) + " of codes", Value: c.Kappa, Missing: !c.Defined})
		if c.Defined && c.Kappa < worst {
			worst, worstAt = c.Kappa, j
		}
	}
	a.puts("kappa", k.Value, "se_null", k.SENull, "z", some(k.ZNull, k.SENull > 0), "observed", k.Observed, "expected", k.Expected, "category_kappa", each, "category_share", shares)
	a.sentence = fmt.Sprintf("%s by %s each agree on %s of pairs; chance alone would make it %s: kappa %s.", upper(many(k.Items, "item", "items")), many(k.Coders, "coder", "coders"), percent(k.Observed), percent(k.Expected), num(k.Value))
	if worstAt >= 0 && len(k.Categories) > 2 {
		a.sentence += fmt.Sprintf(" Hardest to tell apart: %s, %s.", categories[worstAt], num(worst))
	}
	if len(rows) <= 60 {
		rows = append(rows, figure.Estimate{Label: "all together", Value: k.Value})
		a.draw = figure.Intervals{Title: "How well each category is told apart", Unit: "kappa", RowName: "category", Rows: rows}
	}
	return a, nil
}

func krippendorffAlpha() Method {
	return Method{
		Name: "krippendorff_alpha", Group: Agreement, Also: []string{"alpha", "krippendorff"},
		Purpose: "How far any number of coders agree, with gaps, on any scale, with an interval",
		Inputs: []Input{
			{Name: "raters", Type: NumberRows, About: "codes as numbers: a row for each coder, an entry for each item, null where missing", Range: from(-1e12, 1e12), Longest: 20_000, Gaps: true},
			{Name: "codes", Type: TextRows, About: "instead of raters, nominal scale only: codes as texts, empty or null where missing", Longest: 20_000, Gaps: true},
			{Name: "scale", Type: Text, About: "what kind of difference there is between codes", Choices: []string{"nominal", "ordinal", "interval", "ratio"}, Default: "nominal"}, levelInput(),
			{Name: "replicates", Type: Whole, About: "bootstrap draws of the interval", Range: from(100, 5000), Default: 2000}, seedInput(),
		},
		Outputs: []Output{
			{Name: "alpha", About: "agreement beyond chance"}, {Name: "lower", About: "lower limit"}, {Name: "upper", About: "upper limit"}, {Name: "observed", About: "mean disagreement within items"}, {Name: "expected", About: "mean disagreement between any two codes"},
			{Name: "items", About: "items coded at least twice"}, {Name: "single", About: "items coded once or not at all"}, {Name: "pairable", About: "codes that can be compared"},
		},
		How:     "One minus observed over expected disagreement. The interval is a percentile bootstrap over items with the seed given.",
		Source:  "Krippendorff (2011), Computing Krippendorff's alpha-reliability",
		Example: `{"raters": [[1, 2, 3, 3, 2, 1, 4, 1, 2, null], [1, 2, 3, 3, 2, 2, 4, 1, 2, 5], [null, 3, 3, 3, 2, 3, 4, 2, 2, 5]], "scale": "ordinal", "seed": 1}`,
		named:   map[string]string{"draws": "replicates", "units": "raters"},
		run:     runKrippendorff,
	}
}

func runKrippendorff(in *inputs) (*answer, error) {
	a, o := newAnswer(), agree.Options{Level: in.number("level"), Draws: in.whole("replicates"), Seed: in.seed()}
	var k agree.Alpha
	var err error
	switch {
	case in.has("raters") == in.has("codes"):
		return nil, bad("raters", "or codes: give the one or the other")
	case in.has("codes"):
		if in.text("scale") != "nominal" {
			return nil, bad("scale", "is %s: codes as texts are nominal; give raters as numbers for other scales", in.text("scale"))
		}
		var units [][]string
		if units, err = byUnit("codes", in.textRows("codes"), func(s string) bool { return s == "" }); err == nil {
			k, err = agree.KrippendorffCodes(units, o)
		}
	default:
		if in.text("scale") == "ratio" {
			for i, r := range in.numberRows("raters") {
				for j, v := range r {
					if v < 0 {
						return nil, bad(fmt.Sprintf("raters[%d][%d]", i+1, j+1), "is %s: must not be negative on the ratio scale", num(v))
					}
				}
			}
		}
		var units [][]float64
		if units, err = byUnit("raters", in.numberRows("raters"), func(x float64) bool { return math.IsNaN(x) }); err == nil {
			k, err = agree.Krippendorff(units, agree.Scale(in.text("scale")), o)
		}
	}
	if err != nil {
		return nil, err
	}
	a.puts("items", k.Units, "single", k.Single)
	if !k.Defined {
		a.noneLeft(in.method, k.Reason)
		a.sentence = "Alpha is undefined: " + k.Reason + "."
		return a, nil
	}
	a.puts("alpha", k.Value, "observed", k.Observed, "expected", k.Expected, "pairable", k.Pairable)
	a.sentence = fmt.Sprintf("Alpha is %s over %s", num(k.Value), many(k.Units, "item", "items"))
	if k.Bounded {
		a.puts("lower", k.Lo, "upper", k.Hi)
		a.sentence += fmt.Sprintf(", and anything from %s to %s would fit (%s)", num(k.Lo), num(k.Hi), levelWord(k.Level))
	} else {
		a.none(k.Reason, "lower", "upper")
	}
	a.sentence += "."
	a.how = upper(k.Method) + ". " + in.method.How
	a.draw = intervalsOf("Agreement of coders", "alpha", "", k.Level, []figure.Estimate{{Label: "alpha", Facts: many(k.Units, "item", "items"), Value: k.Value, Lo: k.Lo, Hi: k.Hi, HasInterval: k.Bounded}})
	return a, nil
}

// byUnit turns rows of coders into items with the codes they got.
func byUnit[T any](name string, raters [][]T, gap func(T) bool) ([][]T, error) {
	if len(raters) == 0 {
		return nil, nil
	}
	if len(raters[0]) > mostUnits {
		return nil, bad(name, "have %d items: at most %d are taken", len(raters[0]), mostUnits)
	}
	units := make([][]T, len(raters[0]))
	for i, r := range raters {
		if len(r) != len(units) {
			return nil, bad(fmt.Sprintf("%s[%d]", name, i+1), "has %s, but %s[1] has %s: give every coder an entry for every item, null where missing", entries(len(r)), name, entries(len(units)))
		}
		for j, v := range r {
			if !gap(v) {
				units[j] = append(units[j], v)
			}
		}
	}
	return units, nil
}
