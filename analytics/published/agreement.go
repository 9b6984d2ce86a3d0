package published

import (
	"math"
	"slices"
	"strconv"

	"fairlead/analytics/agree"
)

// agreementTopic is fixture 13: inter-coder agreement.
func agreementTopic() topic {
	return topic{methods: map[string]Method{
		"cohen_kappa":        cohenKappa,
		"weighted_kappa":     weightedKappa,
		"fleiss_kappa":       fleissKappa,
		"krippendorff_alpha": krippendorffAlpha,
	}}
}

func cohenKappa(in *Inputs) (Result, error) {
	table, level := in.Counts("table"), in.FloatOr("conf", 0.95)
	if err := in.Err(); err != nil {
		return nil, err
	}
	return kappaResult(agree.Cohen(table, level))
}

func weightedKappa(in *Inputs) (Result, error) {
	table, level := in.Counts("table"), in.FloatOr("conf", 0.95)
	var weights [][]float64
	switch in.Raw("weights") {
	case "linear":
		weights = agree.Linear(len(table))
	case "quadratic":
		weights = agree.Quadratic(len(table))
	default:
		weights = in.Rows("agreement_weights")
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	return kappaResult(agree.CohenWeighted(table, weights, level))
}

func kappaResult(k agree.Kappa, err error) (Result, error) {
	switch {
	case err != nil:
		return nil, err
	case !k.Defined:
		return nil, undefined(k.Reason)
	}
	return Result{
		"p_observed": k.Observed, "p_expected": k.Expected, "kappa": k.Value, "se": k.SE, "se_null": k.SENull,
		"lower": k.Lo, "upper": k.Hi, "z_null": k.ZNull,
	}, nil
}

func fleissKappa(in *Inputs) (Result, error) {
	var counts [][]int
	if in.Has("table") {
		counts = in.Counts("table")
	} else {
		counts = tallied(in)
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	f, err := agree.Fleiss(counts)
	if err != nil {
		return nil, err
	}
	if !f.Defined {
		return nil, undefined(f.Reason)
	}
	var kappas []any
	var shares []float64
	for _, c := range f.Categories {
		shares = append(shares, c.Share)
		if c.Defined {
			kappas = append(kappas, c.Kappa)
		} else {
			kappas = append(kappas, nil)
		}
	}
	return Result{
		"p_bar": f.Observed, "p_expected": f.Expected, "kappa": f.Value, "se_null": f.SENull, "z": f.ZNull,
		"category_kappa": kappas, "category_share": shares,
	}, nil
}

// tallied reads a data file with a row per item and a column per coder, and
// counts the codes of each item.
func tallied(in *Inputs) [][]int {
	t := in.Table()
	if t == nil {
		in.fail("table", "is missing")
		return nil
	}
	var codes []string
	for _, r := range t.Rows {
		codes = append(codes, r...)
	}
	slices.Sort(codes)
	codes = slices.Compact(codes)
	counts := make([][]int, len(t.Rows))
	for i, r := range t.Rows {
		counts[i] = make([]int, len(codes))
		for _, c := range r {
			at, _ := slices.BinarySearch(codes, c)
			counts[i][at]++
		}
	}
	return counts
}

func krippendorffAlpha(in *Inputs) (Result, error) {
	var rows [][]float64
	if in.Has("raters") {
		rows = in.Rows("raters")
	} else {
		rows = codesOfRaters(in)
	}
	level := in.StringOr("level", "nominal")
	if err := in.Err(); err != nil {
		return nil, err
	}
	// A missing code is no code: units hold only those given.
	var units [][]float64
	for _, r := range rows {
		for u, x := range r {
			for len(units) <= u {
				units = append(units, nil)
			}
			if !math.IsNaN(x) {
				units[u] = append(units[u], x)
			}
		}
	}
	a, err := agree.Krippendorff(units, agree.Scale(level), agree.Options{})
	if err != nil {
		return nil, err
	}
	if !a.Defined {
		return nil, undefined(a.Reason)
	}
	return Result{"alpha": a.Value, "pairable": a.Pairable, "observed": a.Observed, "expected": a.Expected}, nil
}

// codesOfRaters reads a data file with a row per rater and a column per unit;
// empty cells are missing.
func codesOfRaters(in *Inputs) [][]float64 {
	t := in.Table()
	if t == nil {
		in.fail("raters", "is missing")
		return nil
	}
	rows := make([][]float64, len(t.Rows))
	for i, r := range t.Rows {
		for _, c := range r {
			x, err := strconv.ParseFloat(c, 64)
			if err != nil {
				x = math.NaN()
			}
			rows[i] = append(rows[i], x)
		}
	}
	return rows
}
