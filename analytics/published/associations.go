package published

import "fairlead/analytics/cause"

// associationTopic is fixture 12: association in contingency tables.
func associationTopic() topic {
	return topic{methods: map[string]Method{
		"association_2x2":    association,
		"benjamini_hochberg": adjusted,
		"fisher_rxc":         fisherTable,
		"chi_square_rxc":     chiSquareTable,
	}}
}

func association(in *Inputs) (Result, error) {
	t := cause.Fourfold{Both: in.Int("both"), ExposureOnly: in.Int("exposure_only"), OutcomeOnly: in.Int("outcome_only"), Neither: in.Int("neither")}
	level := in.FloatOr("conf", 0.95)
	if err := in.Err(); err != nil {
		return nil, err
	}
	s, err := cause.Associate(t, level)
	if err != nil {
		return nil, err
	}
	if !s.Defined {
		return nil, undefined(s.Reason)
	}
	// The fixtures hold what R's fisher.test prints, rounding of its root finder
	// included; the tests of package cause hold the exact values.
	conditional, err := t.ConditionalAsR(level)
	if err != nil {
		return nil, err
	}
	out := Result{
		"support": s.Support, "confidence": s.Confidence, "lift": s.Lift, "leverage": s.Leverage, "conviction": s.Conviction,
		"chi2": s.Pearson, "chi2_p": s.PearsonP, "chi2_yates": s.Yates, "chi2_yates_p": s.YatesP, "min_expected": s.MinExpected,
		"fisher_p": s.Fisher.TwoSided, "fisher_p_greater": s.Fisher.Greater, "fisher_p_less": s.Fisher.Less, "phi": s.Phi,
	}
	if s.NoConviction {
		out["conviction"] = nil
	}
	odds(out, "odds_ratio", "or", s.Woolf)
	odds(out, "or_haldane", "or_haldane", s.Haldane)
	odds(out, "cond_or", "cond_or", conditional)
	return out, nil
}

// odds puts an odds ratio under the names of the fixtures. Where the ratio is
// zero and no interval exists, R's formula still gives 0 for the lower limit.
func odds(out Result, value, limits string, o cause.Odds) {
	out[value], out[limits+"_lower"], out[limits+"_upper"] = o.Value, nil, nil
	if o.Open {
		out[value] = nil
	}
	switch {
	case o.Bounded:
		out[limits+"_lower"] = o.Lo
		if !o.HiOpen {
			out[limits+"_upper"] = o.Hi
		}
	case o.Value == 0 && !o.Open:
		out[limits+"_lower"] = 0.0
	}
}

func adjusted(in *Inputs) (Result, error) {
	p, q := in.Floats("p"), in.FloatOr("q", 0.05)
	if err := in.Err(); err != nil {
		return nil, err
	}
	out := Result{}
	for name, c := range map[string]cause.Correction{"bh": cause.BenjaminiHochberg, "by": cause.BenjaminiYekutieli, "holm": cause.Holm, "bonferroni": cause.Bonferroni} {
		a, err := cause.Adjust(p, c)
		if err != nil {
			return nil, err
		}
		out["adjusted_"+name], out["rejected_"+name] = a, cause.Finds(a, q)
	}
	return out, nil
}

func fisherTable(in *Inputs) (Result, error) {
	table := in.Counts("rows", "table")
	if err := in.Err(); err != nil {
		return nil, err
	}
	// A case that expects an exact value is worth waiting for.
	f, err := cause.FisherTable(table, cause.FisherOptions{MaxWork: 20_000_000})
	if err != nil {
		return nil, err
	}
	if !f.Defined {
		return nil, undefined(f.Reason)
	}
	out, err := chiSquareOf(table)
	if err != nil {
		return nil, err
	}
	out["p"], out["exact"] = f.PValue, f.Exact
	if !f.Exact {
		out["standard_error"] = f.SE
	}
	return out, nil
}

func chiSquareTable(in *Inputs) (Result, error) {
	table := in.Counts("rows", "table")
	if err := in.Err(); err != nil {
		return nil, err
	}
	return chiSquareOf(table)
}

func chiSquareOf(table [][]int) (Result, error) {
	t, err := cause.ChiSquare(table)
	if err != nil {
		return nil, err
	}
	if !t.Defined {
		return nil, undefined(t.Reason)
	}
	residuals := make([]any, len(t.Residuals))
	for i, r := range t.Residuals {
		residuals[i] = r
	}
	return Result{"chi2": t.Statistic, "df": t.DF, "p": t.PValue, "cramers_v": t.CramersV, "min_expected": t.MinExpected, "std_residuals": residuals}, nil
}

// Counts returns a table of whole numbers under the first of the names there is.
func (in *Inputs) Counts(names ...string) [][]int {
	name := names[0]
	for _, n := range names {
		if in.Has(n) {
			name = n
			break
		}
	}
	rows := in.Rows(name)
	out := make([][]int, len(rows))
	for i, r := range rows {
		out[i] = make([]int, len(r))
		for j, x := range r {
			if x != float64(int(x)) {
				in.fail(name, "row %d holds %v, want whole numbers", i+1, x)
				return nil
			}
			out[i][j] = int(x)
		}
	}
	return out
}
