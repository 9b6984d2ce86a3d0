package published

import (
	"fmt"
	"strconv"

	"fairlead/analytics/change"
)

// regressionTopic is fixture 10: Poisson and negative binomial regression.
func regressionTopic() topic {
	return topic{
		methods: map[string]Method{
			"poisson_regression":           poissonRegression,
			"negative_binomial_regression": negativeBinomialRegression,
			"negative_binomial_theta":      negativeBinomialRegression,
		},
		alias: map[string]string{"df": "df_residual"},
	}
}

// regression is the data of one case.
type regression struct {
	counts    []int
	exposures []float64
	terms     []change.Term
	numeric   string // the first numeric term: a trend
	levels    map[string]string
}

// readRegression reads response, exposure and model. Rows without exposure are
// left out, as the fixtures define.
func readRegression(in *Inputs) (regression, error) {
	r := regression{levels: map[string]string{}}
	r.counts = in.Ints(in.String("response"))
	if spec, ok := in.Raw("exposure").(map[string]any); ok {
		name, _ := spec["column"].(string)
		per := 1.0
		if v, ok := number(spec["per"]); ok {
			per = v
		}
		r.exposures = in.Floats(name)
		for i := range r.exposures {
			if r.exposures[i] /= per; r.exposures[i] == 0 && i < len(r.counts) {
				r.counts[i] = 0
			}
		}
	}
	model, ok := in.Raw("model").([]any)
	if !ok {
		in.fail("model", "is %v, want a list of terms", in.Raw("model"))
	}
	for i, m := range model {
		spec, _ := m.(map[string]any)
		column, _ := spec["column"].(string)
		switch spec["kind"] {
		case "numeric":
			r.terms = append(r.terms, change.Numeric(column, in.Floats(column)))
			if r.numeric == "" {
				r.numeric = column
			}
		case "factor":
			levels := texts(spec["levels"])
			r.terms = append(r.terms, change.Factor(column, in.Texts(column), levels...))
			for _, l := range levels {
				r.levels[column+l] = column + "_" + l
			}
		default:
			in.fail("model", "term %d is of kind %v, want numeric or factor", i+1, spec["kind"])
		}
	}
	return r, in.Err()
}

func texts(v any) []string {
	list, _ := v.([]any)
	var out []string
	for _, e := range list {
		out = append(out, fmt.Sprint(e))
	}
	return out
}

// fit puts what both families give under the names of the fixtures.
func (r regression) result(f change.Fit) Result {
	var terms []string
	var coef, se, z, p, quasi []float64
	out := Result{}
	for _, c := range f.Coefficients {
		terms = append(terms, c.Name)
		coef, se, z, p, quasi = append(coef, c.Value), append(se, c.SE), append(z, c.Z), append(p, c.PValue), append(quasi, c.QuasiSE)
		out[c.Name] = c.Value
		if name, ok := r.levels[c.Name]; ok {
			out[name] = c.Value
		}
	}
	out["terms"], out["coef"], out["se"], out["z"], out["p"], out["quasi_se"] = terms, coef, se, z, p, quasi
	out["deviance"], out["null_deviance"], out["df_residual"] = f.Deviance, f.NullDeviance, f.DF
	out["loglik"], out["two_loglik"], out["aic"] = f.LogLik, 2*f.LogLik, f.AIC
	out["pearson_chi2"], out["dispersion"] = f.Pearson, f.Dispersion
	if r.numeric == "" {
		return out
	}
	if e, err := f.Effect(r.numeric, 12, 0.95, false); err == nil {
		out["trend"] = Result{"change_per_12_steps": e.Ratio - 1, "lower": e.Lo - 1, "upper": e.Hi - 1}
	}
	if e, err := f.Effect(r.numeric, 1, 0.95, false); err == nil {
		out["pct_per_"+r.numeric] = e.Ratio - 1
	}
	return out
}

func poissonRegression(in *Inputs) (Result, error) {
	r, err := readRegression(in)
	if err != nil {
		return nil, err
	}
	f, err := defined(change.Poisson(r.counts, r.exposures, r.terms...))
	if err != nil {
		return nil, err
	}
	out := r.result(f)
	if len(r.terms) == 0 {
		return out, nil
	}
	// The test is of the first term: the trend, the type.
	smaller, err := defined(change.Poisson(r.counts, r.exposures, r.terms[1:]...))
	if err != nil {
		return nil, err
	}
	t, err := f.Against(smaller)
	if err != nil {
		return nil, err
	}
	out["lr_chi2"], out["lr_df"], out["lr_p"] = t.Statistic, t.DF, t.PValue
	return out, nil
}

func negativeBinomialRegression(in *Inputs) (Result, error) {
	r, err := readRegression(in)
	if err != nil {
		return nil, err
	}
	f, err := defined(change.NegativeBinomial(r.counts, r.exposures, r.terms...))
	if err != nil {
		return nil, err
	}
	out := r.result(f)
	// The fixtures hold what R's glm.nb prints for the standard error.
	out["theta"], out["theta_se"] = f.Theta, f.ThetaSEAsR()
	poisson, err := defined(change.Poisson(r.counts, r.exposures, r.terms...))
	if err != nil {
		return nil, err
	}
	t, err := f.SpreadTest(poisson)
	if err != nil {
		return nil, err
	}
	out["lr_vs_poisson"], out["lr_vs_poisson_p_half"] = t.Statistic, t.PValue
	if len(r.terms) == 0 {
		return out, nil
	}
	smaller, err := defined(change.NegativeBinomial(r.counts, r.exposures, r.terms[1:]...))
	if err != nil {
		return nil, err
	}
	if t, err = f.Against(smaller); err != nil {
		return nil, err
	}
	out["lr_trend"], out["lr_trend_df"], out["lr_trend_p"] = t.Statistic, t.DF, t.PValue
	return out, nil
}

func defined(f change.Fit, err error) (change.Fit, error) {
	if err == nil && !f.Defined {
		err = undefined(f.Reason)
	}
	return f, err
}

// undefined is the error of a result that a case expects and that does not
// exist.
func undefined(reason string) error { return fmt.Errorf("the result is undefined: %s", reason) }

// Texts returns a list of labels: the input itself or the column of that name in
// the data file of the case. Numbers are written as they are in the file.
func (in *Inputs) Texts(name string) []string {
	if v, ok := in.values[name]; ok {
		list, ok := v.([]any)
		if !ok {
			in.fail(name, "is %v, want a list of labels", v)
			return nil
		}
		out := make([]string, len(list))
		for i, e := range list {
			switch e := e.(type) {
			case float64:
				out[i] = strconv.FormatFloat(e, 'g', -1, 64)
			default:
				out[i] = fmt.Sprint(e)
			}
		}
		return out
	}
	if t := in.Table(); t != nil {
		if cells, ok := t.Strings(name); ok {
			return cells
		}
	}
	in.fail(name, "is missing")
	return nil
}
