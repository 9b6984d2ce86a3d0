package compute

import (
	"fmt"
	"math/rand/v2"

	"fairlead/analytics/figure"
)

var figureWide = figure.Wide

// worst returns, by method and a word, inputs as large and as hard as the table
// allows.
func worst(rng *rand.Rand) map[[2]string]map[string]any {
	ints := func(n, most int) []any {
		out := make([]any, n)
		for i := range out {
			out[i] = float64(rng.IntN(most + 1))
		}
		return out
	}
	floats := func(n int, lo, hi float64) []any {
		out := make([]any, n)
		for i := range out {
			out[i] = lo + (hi-lo)*rng.Float64()
		}
		return out
	}
	texts := func(n, most int) []any {
		out := make([]any, n)
		for i := range out {
			out[i] = fmt.Sprintf("label %d", rng.IntN(most))
		}
		return out
	}
	yeses := func(n int) []any {
		out := make([]any, n)
		for i := range out {
			out[i] = rng.IntN(2) == 0
		}
		return out
	}
	table := func(r, c, most int) []any {
		out := make([]any, r)
		for i := range out {
			out[i] = ints(c, most)
		}
		return out
	}
	const n = longestSeries
	all := []any{"beyond_limits", "run_on_one_side", "two_of_three", "four_of_five", "trend", "alternating", "hugging", "mixture"}
	big := map[string]any{"counts": ints(n, 30), "exposures": floats(n, 1e4, 5e4), "rules": all}
	factors := map[string]any{}
	for i := range mostFactors {
		a := make([]any, 200_000/mostFactors)
		for j := range a {
			a[j] = []any{"yes", "no"}[rng.IntN(2)]
		}
		factors[fmt.Sprint("f", i)] = a
	}
	numbers := map[string]any{}
	for i := range 20 {
		numbers[fmt.Sprint("x", i)] = floats(n, -2, 2)
	}
	answers := make([]any, 10)
	for i := range answers {
		answers[i] = floats(mostUnits, 0, 400)
		for j := range answers[i].([]any) {
			answers[i].([]any)[j] = float64(rng.IntN(400))
		}
	}
	return map[[2]string]map[string]any{
		{"rate", "1e8"}:                          {"count": 1e8, "exposure": 1e12, "stated_rate": 101.0},
		{"rate_ratio", "2e5"}:                    {"first_count": 2e5, "first_exposure": 1e9, "second_count": 2e5, "second_exposure": 1e9},
		{"hours_to_see", "small change"}:         {"past_count": 1e6, "past_exposure": 1e9, "ratio": 1.01, "known_past": true},
		{"chart", "long"}:                        {"counts": ints(n, 30), "exposures": floats(n, 1e4, 5e4)},
		{"u_chart", "all rules"}:                 with3(big, "limits", "probability"),
		{"laney_u_chart", "all rules"}:           big,
		{"c_chart", "mixture alone"}:             {"counts": ints(n, 30), "rules": []any{"mixture"}},
		{"laney_u_chart", "long runs"}:           with3(with3(big, "rules", []any{"run_on_one_side"}), "run_above", 12.0),
		{"np_chart", "exact"}:                    {"counts": ints(n, 900_000_000), "size": 999_999_999.0, "limits": "probability"},
		{"t_chart", "long"}:                      {"gaps": floats(n, 0, 100), "rules": all},
		{"g_chart", "long"}:                      {"gaps": ints(n, 100), "rules": all},
		{"individuals_chart", "long"}:            {"gaps": floats(n, 0, 100), "rules": []any{"run_on_one_side"}, "run_above": 12.0, "run_below": 13.0},
		{"cusum", "designed"}:                    {"counts": ints(n, 30), "mean": 15.0, "ratio": 1.1, "false_alarm_every": 10000.0},
		{"cusum_design", "hard"}:                 {"mean": 1000.0, "ratio": 1.1, "false_alarm_every": 10000.0},
		{"cusum_design", "fine"}:                 {"mean": 3.0, "ratio": 1.1, "false_alarm_every": 10000.0},
		{"cusum_design", "fall"}:                 {"mean": 0.5, "ratio": 0.9, "false_alarm_every": 10000.0},
		{"cusum_run_length", "states"}:           {"mean": 5.0, "reference": 5.005, "decision_interval": 7.4},
		{"ewma_design", "wide"}:                  {"mean": 1000.0, "lambda": 0.05, "false_alarm_every": 10000.0},
		{"ewma_run_length", "wide"}:              {"center": 1000.0, "mean": 10000.0, "lambda": 0.01, "width": 20.0},
		{"ewma", "long"}:                         {"counts": ints(n, 30), "mean": 15.0},
		{"false_alarms", "many"}:                 {"means": floats(5000, 0, 50), "limits": "probability"},
		{"false_alarms", "large"}:                {"means": floats(5000, 1e5, 1e6), "limits": "probability"},
		{"false_alarms", "all rules"}:            {"means": floats(5000, 0, 50), "rules": all},
		{"rule_run_length", "simulated"}:         {"rules": []any{"mixture"}, "replicates": 5000.0},
		{"rule_run_length", "exact"}:             {"rules": []any{"western_electric"}, "run": 30.0},
		{"run_rules", "long"}:                    {"z": floats(n, -4, 4)},
		{"dispersion", "long"}:                   {"counts": ints(n, 30)},
		{"change_point", "long"}:                 {"counts": ints(longestSought, 900), "exposures": floats(longestSought, 1e4, 5e4)},
		{"change_point", "exact"}:                {"counts": ints(longestSought, 1)},
		{"change_point", "medium"}:               {"counts": ints(500, 20)},
		{"change_point", "short, many"}:          {"counts": []any{400000.0, 300000.0, 299000.0}},
		{"change_point", "replicates"}:           {"counts": ints(longestSought, 900), "replicates": 9999.0},
		{"change_in_time", "long"}:               {"times": floats(n, 0, 1), "start": 0.0, "end": 1.0, "replicates": 9999.0},
		{"interrupted_series", "long"}:           {"counts": ints(n, 900), "at": 1000.0, "trend": true, "slope": true, "season_start": 1.0, "waves": 6.0},
		{"poisson_regression", "wide"}:           {"counts": ints(n, 900), "numbers": numbers, "factors": map[string]any{"a": texts(n, 39)}},
		{"negative_binomial_regression", "wide"}: {"counts": ints(n, 900), "numbers": numbers, "factors": map[string]any{"a": texts(n, 39)}},
		{"seasonality", "each"}:                  {"counts": ints(n, 900), "season_start": 1.0, "season_length": 52.0, "shape": "each"},
		{"funnel", "many"}:                       {"counts": ints(mostPlaces, 1000), "exposures": floats(mostPlaces, 1e3, 1e7)},
		{"shrinkage", "many"}:                    {"counts": ints(mostPlaces, 1000), "exposures": floats(mostPlaces, 1e3, 1e7)},
		{"silent_crews", "many"}:                 {"counts": ints(mostPlaces, 100), "exposures": floats(mostPlaces, 1e3, 1e6)},
		{"before_after", "many"}:                 {"before_counts": ints(mostPlaces, 1000), "before_exposures": floats(mostPlaces, 1e3, 1e7), "after_counts": ints(mostPlaces, 1000), "after_exposures": floats(mostPlaces, 1e3, 1e7), "changed": yeses(mostPlaces)},
		{"pareto", "many"}:                       {"labels": numbered(1000), "counts": ints(1000, 1000)},
		{"association", "large"}:                 {"both": 1e5, "exposure_only": 2e5, "outcome_only": 2e5, "neither": 5e5},
		{"co_occurrence", "many"}:                {"factors": factors},
		{"table_test", "2 x 2"}:                  {"table": table(2, 2, 250_000)},
		{"table_test", "5 x 5"}:                  {"table": table(5, 5, 40_000)},
		{"table_test", "small counts"}:           {"table": table(12, 12, 8), "work": 2e6, "replicates": 20000.0},
		{"table_test", "100 x 100"}:              {"table": table(100, 100, 8)},
		{"cross_table", "100 x 100"}:             {"table": table(100, 100, 20)},
		{"cross_table", "large"}:                 {"table": table(4, 4, 300_000)},
		{"adjust_p_values", "many"}:              {"p": floats(100_000, 0, 1)},
		{"scan", "many"}:                         {"places": texts(mostScanRows, 400), "kinds": texts(mostScanRows, 40), "periods": plus1(ints(mostScanRows, 29)), "longest": 15.0, "show": 50.0},
		{"scan", "large counts"}:                 {"places": texts(mostScanRows, 200), "kinds": texts(mostScanRows, 30), "periods": plus1(ints(mostScanRows, 23)), "counts": ints(mostScanRows, 30), "longest": 12.0, "show": 50.0},
		{"cohen_kappa", "large"}:                 {"table": table(200, 200, 1000), "weights": "quadratic"},
		{"fleiss_kappa", "large"}:                {"codes": rows(10_000, func() []any { return texts(10, 100) })},
		{"krippendorff_alpha", "large"}:          {"raters": answers, "scale": "ordinal", "replicates": 5000.0},
		{"kaplan_meier", "long"}:                 {"times": floats(mostItems, 0, 1000), "closed": yeses(mostItems), "at": floats(100, 0, 900)},
		{"log_rank", "long"}:                     {"times": floats(mostItems, 0, 1000), "closed": yeses(mostItems), "groups": texts(mostItems, 50)},
		{"next_count", "large"}:                  {"count": 1e8, "exposure": 1e9, "next_exposure": 1e9},
	}
}

func with3(m map[string]any, k string, v any) map[string]any {
	out := map[string]any{}
	for a, b := range m {
		out[a] = b
	}
	out[k] = v
	return out
}

func numbered(n int) []any {
	out := make([]any, n)
	for i := range out {
		out[i] = fmt.Sprint("category ", i)
	}
	return out
}

func plus1(v []any) []any {
	for i := range v {
		v[i] = v[i].(float64) + 1
	}
	return v
}

func rows(n int, row func() []any) []any {
	out := make([]any, n)
	for i := range out {
		out[i] = row()
	}
	return out
}
