package compute

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fairlead/analytics/change"
	"fairlead/analytics/figure"
)

// mostColumns bounds the coefficients of a regression.
const mostColumns = 60

func termInputs() []Input {
	return []Input{
		{Name: "numbers", Type: NumbersBy, About: "numeric terms by name, one number per row", Range: from(-1e9, 1e9), Longest: 20 * longestSeries},
		{Name: "factors", Type: TextsBy, About: "factors by name, one level per row", Longest: 20 * longestSeries},
		{Name: "levels", Type: TextsBy, About: "levels of a factor in order, the first being the one compared with; without it, in alphabetical order", Longest: 1000},
		{Name: "trend", Type: YesNo, About: "add the number of the row as a term", Default: false},
	}
}

func regressionOutputs() []Output {
	return []Output{
		{Name: "coefficients", About: "of each term: name, value, se, z, p_value, quasi_se (widened by the dispersion), ratio = exp(value) with lower and upper (by quasi_se)", Null: "null where a factor on the rate is too large to print"},
		{Name: "deviance", About: "deviance"}, {Name: "null_deviance", About: "deviance with the intercept alone"}, {Name: "df", About: "rows less coefficients"},
		{Name: "log_likelihood", About: "log-likelihood"}, {Name: "aic", About: "Akaike's criterion"}, {Name: "pearson", About: "Pearson's chi-square of the rows"}, {Name: "dispersion", About: "pearson over df; about 1 when counts spread as the family says", Null: "there are as many coefficients as rows"},
		{Name: "fitted", About: "expected cases in each row"}, {Name: "rows", About: "rows used"}, {Name: "left_out", About: "rows left out for having no exposure"},
	}
}

func regressionInputs() []Input {
	return join(rateSeries(false), []Input{{Name: "base", Type: Number, About: "with exposures: what the rates are per", Range: from(1e-9, 1e12), Default: 1e6}},
		termInputs(), seasonInputs(), []Input{levelInput()}, wordInputs())
}

func poissonRegression() Method {
	return Method{
		Name: "poisson_regression", Group: Changes, Also: []string{"glm", "log_linear"},
		Purpose: "Poisson regression of counts on numbers, factors, a trend and a season, with hours as offset",
		Inputs:  regressionInputs(), Outputs: regressionOutputs(),
		How:     "The logarithm of the rate is a sum of terms; a coefficient of 0.1 is about 10 % more cases per unit of exposure. Intervals are widened by the dispersion where counts spread more than Poisson ones.",
		Source:  "McCullagh and Nelder (1989), Generalized Linear Models, 2nd edition",
		Example: `{"counts": [4, 7, 3, 9, 5, 11], "exposures": [118000, 160500, 99000, 121000, 110000, 149000], "factors": {"depot": ["Northside", "Quarry Road", "Northside", "Quarry Road", "Northside", "Quarry Road"]}, "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"counts", "exposures", "numbers", "factors"}},
		run: func(in *inputs) (*answer, error) {
			counts, exposures, terms, err := terms(in)
			if err != nil {
				return nil, err
			}
			f, err := change.Poisson(counts, exposures, terms...)
			if err != nil {
				return nil, err
			}
			a := newAnswer()
			return a, fitAnswer(in, f, a)
		},
	}
}

func negativeBinomialRegression() Method {
	outs := append(regressionOutputs(), Output{Name: "theta", About: "the variance is mean + mean^2/theta"}, Output{Name: "theta_se", About: "its standard error"},
		Output{Name: "spread_statistic", About: "likelihood ratio against the Poisson regression"}, Output{Name: "spread_p", About: "chance of as large a one, halved for theta at its bound"})
	return Method{
		Name: "negative_binomial_regression", Group: Changes, Also: []string{"negbin", "glm_nb", "negative_binomial_theta"},
		Purpose: "Regression of counts that spread more than Poisson ones",
		Inputs:  regressionInputs(), Outputs: outs,
		How:     "As poisson_regression, with a variance of mean + mean^2/theta and theta found by maximum likelihood. Standard errors are those at the theta found. Where counts spread no more than chance there is no such theta.",
		Source:  "Lawless (1987), Canadian Journal of Statistics 15:209-225; Venables and Ripley (2002), Modern Applied Statistics with S, section 7.4",
		Example: `{"counts": [31, 12, 44, 9, 27, 18, 6, 52, 14, 23, 38, 5], "trend": true, "event": "near miss", "events": "near misses"}`,
		alike:   [][]string{{"counts", "exposures", "numbers", "factors"}},
		run: func(in *inputs) (*answer, error) {
			counts, exposures, terms, err := terms(in)
			if err != nil {
				return nil, err
			}
			f, err := change.NegativeBinomial(counts, exposures, terms...)
			if err != nil {
				return nil, err
			}
			a := newAnswer()
			if f.Defined {
				p, err := change.Poisson(counts, exposures, terms...)
				if err != nil {
					return nil, err
				}
				a.none("there is no Poisson fit to compare with", "spread_statistic", "spread_p")
				if p.Defined {
					t, err := f.SpreadTest(p)
					if err != nil {
						return nil, err
					}
					a.puts("spread_statistic", t.Statistic, "spread_p", t.PValue)
				}
				a.puts("theta", f.Theta, "theta_se", f.ThetaSE)
			}
			return a, fitAnswer(in, f, a)
		},
	}
}

// terms reads the series and its terms.
func terms(in *inputs) (counts []int, exposures []float64, out []change.Term, err error) {
	if counts, exposures, err = ratedSeries(in); err != nil {
		return nil, nil, nil, err
	}
	names, numbers := in.numbersBy("numbers")
	for _, n := range names {
		out = append(out, change.Numeric(n, numbers[n]))
	}
	names, factors := in.textsBy("factors")
	_, levels := in.textsBy("levels")
	columns := len(numbers) + 1
	for _, n := range sorted(levels) {
		if _, ok := factors[n]; !ok {
			return nil, nil, nil, bad("levels."+clip(n), "is no factor; did you mean %s?", nearest(n, sorted(factors)))
		}
	}
	for _, n := range names {
		if _, twice := numbers[n]; twice {
			return nil, nil, nil, bad("factors."+clip(n), "is also the name of a numeric term: name them differently")
		}
		known := slices.Clone(factors[n])
		slices.Sort(known)
		known = slices.Compact(known)
		for _, l := range known {
			if given := levels[n]; len(given) > 0 && !slices.Contains(given, l) {
				return nil, nil, nil, bad("factors."+clip(n), "has the level %q, which is not in levels", clip(l))
			}
		}
		columns += max(len(known), len(levels[n])) - 1
		out = append(out, change.Factor(n, factors[n], levels[n]...))
	}
	if in.yes("trend") {
		row := make([]float64, len(counts))
		for i := range row {
			row[i] = float64(i)
		}
		out, columns = append(out, change.Numeric("trend", row)), columns+1
	}
	if in.has("season_start") {
		p, err := in.position(len(counts))
		if err != nil {
			return nil, nil, nil, err
		}
		out, columns = append(out, change.Waves("season", p, in.whole("season_length"), in.whole("waves"))), columns+2*in.whole("waves")
	}
	if columns > mostColumns {
		return nil, nil, nil, bad("factors", "and numbers make %d coefficients: at most %d are taken; group levels first", columns, mostColumns)
	}
	return counts, exposures, out, nil
}

// fitAnswer fills in what every regression gives.
func fitAnswer(in *inputs, f change.Fit, a *answer) error {
	if !f.Defined {
		a.noneLeft(in.method, f.Reason)
		a.sentence = "There is no fit: " + f.Reason + "."
		a.note(f.Note)
		return nil
	}
	w, level := wordsOf(in), in.number("level")
	var list []map[string]any
	var rows []figure.Estimate
	best, bestP := "", math.Inf(1)
	for _, c := range f.Coefficients {
		entry := map[string]any{"name": c.Name, "value": c.Value, "se": c.SE, "z": c.Z, "p_value": c.PValue, "quasi_se": c.QuasiSE, "ratio": nil, "lower": nil, "upper": nil}
		// The widened interval also where the family is Poisson: see How.
		if e, err := f.Effect(c.Name, 1, level, true); err == nil {
			entry["ratio"], entry["lower"], entry["upper"] = e.Ratio, e.Lo, e.Hi
			if c.Name != "(Intercept)" {
				said := c.Name // "depotWorkshop" is how regressions name it; in words it is "depot Workshop"
				if level, ok := strings.CutPrefix(c.Name, c.Term); ok && level != "" {
					said = c.Term + " " + strings.TrimSpace(level)
				}
				rows = append(rows, figure.Estimate{Label: said, Value: e.Ratio, Lo: e.Lo, Hi: e.Hi, HasInterval: true})
				if c.PValue < bestP {
					best, bestP = fmt.Sprintf("%s: %s times the rate, and anything from %s to %s would fit (%s)", said, num(e.Ratio), num(e.Lo), num(e.Hi), levelWord(level)), c.PValue
				}
			}
		}
		list = append(list, entry)
	}
	a.puts("coefficients", list, "deviance", f.Deviance, "null_deviance", f.NullDeviance, "df", f.DF, "log_likelihood", f.LogLik, "aic", f.AIC, "pearson", f.Pearson,
		"dispersion", some(f.Dispersion, f.DF > 0), "fitted", f.Fitted, "rows", f.Rows, "left_out", f.Left)
	a.sentence = fmt.Sprintf("%s regression of %s.", upper(string(f.Family)), many(f.Rows, "row", "rows"))
	if best != "" {
		a.sentence += " " + best + "."
	}
	a.note(f.Note)
	a.draw = ratiosOf("Effects on the rate of "+w.more, "factor on the rate", "term", level, rows)
	return nil
}
