package compute

// outside is a case with values from outside this repository that no fixture
// file holds.
type outside struct {
	ours, source string
	in           map[string]any
	want         map[string]any
	tol          float64
}

const (
	rHere = "R 4.2.2, "
	near  = 1e-9
)

// otherSources are methods, or sides of them, that the fixtures have no case of.
// Values named R were computed with the calls given, on the inputs given.
func otherSources() []outside {
	year := []any{4.0, 1.0, 7.0, 6.0, 12.0, 5.0, 8.0, 3.0, 5.0, 2.0, 0.0, 4.0, 2.0, 7.0, 4.0, 11.0, 8.0, 13.0, 4.0, 6.0, 1.0, 5.0, 2.0, 1.0, 5.0, 3.0, 9.0, 5.0, 12.0, 8.0, 2.0, 7.0, 4.0, 0.0, 5.0, 2.0}
	return []outside{
		{ours: "share", source: rHere + "binom.test(34, 51)", tol: near, in: map[string]any{"count": 34.0, "of": 51.0},
			want: map[string]any{"share": 2.0 / 3, "lower": 0.52078744576937, "upper": 0.792416665086264}},
		{ours: "standardised_rate", source: rHere + "qgamma with the parameters of Fay and Feuer (1997), equations of section 3", tol: near,
			in:   map[string]any{"counts": []any{9.0, 4.0, 1.0}, "exposures": []any{210000.0, 160000.0, 42000.0}, "weights": []any{300000.0, 500000.0, 200000.0}},
			want: map[string]any{"rate": 30.1190476190476, "lower": 15.2130177269232, "upper": 57.3800370546834}},
		{ours: "time_between", source: rHere + "640 / poisson.test(2)$conf.int", tol: near, in: map[string]any{"count": 2.0, "exposure": 640.0},
			want: map[string]any{"mean": 320.0, "lower": 88.5851443598286, "upper": 2642.34303428567}},
		{ours: "days_lost", source: "arithmetic by AS 1885.1-1990: 87/6, 87*1e6/412000, 6*1e6/412000", tol: near, in: map[string]any{"days": 87.0, "cases": 6.0, "hours": 412000.0},
			want: map[string]any{"average_time_lost": 14.5, "severity_rate": 211.165048543689, "frequency_rate": 14.5631067961165}},
		{ours: "percent_change", source: "arithmetic: 0.9/3.2", tol: near, in: map[string]any{"from": 3.2, "to": 4.1}, want: map[string]any{"percent": 28.125}},
		{ours: "hours_to_see", source: rHere + "sum of dpois(x, mu) over the x with 2*min(pbinom tails) <= 0.05, at the exposure returned", tol: 1e-7,
			in:   map[string]any{"past_count": 22.0, "past_exposure": 800000.0, "ratio": 0.5},
			want: map[string]any{"power": 0.821310444779746, "exposure": 2686399.14772727}},
		{ours: "chart", source: "qcc 2.7 through fixture montgomery-circuit, whose counts call for three sigma", tol: near,
			in:   map[string]any{"counts": []any{21.0, 24.0, 16.0, 12.0, 15.0, 5.0, 28.0, 20.0, 31.0, 25.0, 20.0, 24.0, 16.0, 19.0, 10.0, 17.0, 13.0, 22.0, 18.0, 39.0, 30.0, 24.0, 16.0, 19.0, 17.0, 15.0}},
			want: map[string]any{"kind": "c", "center": 516.0 / 26, "beyond": []any{6.0, 20.0}, "upper.1": 33.2108605251418}},
		{ours: "np_chart", source: "Montgomery's formulae in R: n*p + 3*sqrt(n*p*(1-p)) with n = 50, p = 347/1500", tol: near,
			in: map[string]any{"size": 50.0, "counts": []any{12.0, 15.0, 8.0, 10.0, 4.0, 7.0, 16.0, 9.0, 14.0, 10.0, 5.0, 6.0, 17.0, 12.0, 22.0, 8.0, 10.0, 5.0, 13.0, 11.0, 20.0, 18.0, 24.0, 15.0, 9.0, 12.0, 7.0, 13.0, 9.0, 6.0}},
			// Orange juice cans, Montgomery (data from memory).
			want: map[string]any{"center": 347.0 / 1500, "upper.1": 20.5119559297369, "lower.1": 2.62137740359641, "beyond": []any{15.0, 23.0}}},
		// An interval of 9.5 is one of 10 where sums are whole.
		{ours: "cusum_design", source: "fixtures cusum-mu5-k7-h10 and cusum-mu10-k7-h10", tol: 1e-8, in: map[string]any{"mean": 5.0, "ratio": 2.0, "false_alarm_every": 1736.0},
			want: map[string]any{"reference": 7.0, "decision_interval": 9.5, "arl0": 2409.81759204645, "arl1": 3.97934533105795}},
		{ours: "run_lengths", source: rHere + "max(8, ceiling(log(2^-8)/log(ppois(1, 1.05)))), and the same above", tol: near, in: map[string]any{"mean": 1.05}, want: map[string]any{"below": 17.0, "above": 8.0}},
		{ours: "interrupted_series", source: rHere + "glm(quasipoisson) on fixture synthetic-48-exposure with a step at 29, quantiles of t, dispersion at least 1", tol: 1e-7,
			in:   map[string]any{"counts": step48, "exposures": step48Hours, "base": 1.0, "at": 29.0},
			want: map[string]any{"ratio": 0.439552579529092, "lower": 0.297785271957187, "upper": 0.648811369685387, "p_value": 0.000103519854468931, "dispersion": 0.805665893791369}},
		{ours: "interrupted_series", source: rHere + "the same with a trend", tol: 1e-7,
			in:   map[string]any{"counts": step48, "exposures": step48Hours, "base": 1.0, "at": 29.0, "trend": true},
			want: map[string]any{"ratio": 0.535094453273736, "lower": 0.278969846451478, "upper": 1.02636925662903, "p_value": 0.059465023743548, "dispersion": 0.818655694852674}},
		{ours: "seasonality", source: rHere + "anova(glm(y ~ t), glm(y ~ t + two waves)), and pf of the same over the Pearson dispersion", tol: 1e-7, in: map[string]any{"counts": year, "season_start": 1.0},
			want: map[string]any{"statistic": 41.8945018271447, "df": 4.0, "p_value": 1.75430316122897e-08, "dispersion": 1.28442493656503, "f_statistic": 8.15433051681169, "f_p": 0.000141758591774837}},
		{ours: "seasonality", source: rHere + "the same with factor(month)", tol: 1e-7, in: map[string]any{"counts": year, "season_start": 1.0, "shape": "each"},
			want: map[string]any{"statistic": 45.6056520268811, "df": 11.0, "p_value": 3.79552360452109e-06}},
		// A double sum in R is as coarse as the one here.
		{ours: "silent_crews", source: rHere + "sum over 100 spreads (half-normal 0.7, up to 2) and 601 mean rates of dnbinom of the others times pnbinom", tol: 0.05,
			in:   map[string]any{"counts": []any{31.0, 24.0, 19.0, 1.0, 12.0}, "exposures": []any{61000.0, 44000.0, 39000.0, 52000.0, 21000.0}},
			want: map[string]any{"chance.4": 0.000867270922, "silent": []any{false, false, false, true, false}}},
		// Where places differ no more than chance, all rates before are the pooled
		// one, 45 in 378,000; the others had 34 in 340,000 after.
		{ours: "before_after", source: "the three steps of Hauer (1997) as arithmetic: 41000*34/340000, (34/340000)/(45/378000), (45/378000)/(9/40000), (3/41000)/(9/40000)", tol: 1e-9,
			in: map[string]any{"before_counts": []any{9.0, 4.0, 5.0, 3.0, 6.0, 2.0, 4.0, 5.0, 3.0, 4.0}, "before_exposures": []any{40000.0, 38000.0, 42000.0, 35000.0, 41000.0, 30000.0, 37000.0, 43000.0, 33000.0, 39000.0},
				"after_counts": []any{3.0, 4.0, 4.0, 3.0, 5.0, 3.0, 4.0, 4.0, 2.0, 5.0}, "after_exposures": []any{41000.0, 37000.0, 42000.0, 36000.0, 40000.0, 31000.0, 38000.0, 42000.0, 34000.0, 40000.0},
				"changed": []any{true, false, false, false, false, false, false, false, false, false}},
			want: map[string]any{"expected": 4.1, "trend": 0.84, "luck": 0.529100529100529, "naive_ratio": 0.32520325203252}},
		{ours: "pareto", source: rHere + "binom.test(31, 83)$conf.int and binom.test(31, 55)$p.value", tol: near,
			in:   map[string]any{"labels": []any{"a", "b", "c", "d", "e"}, "counts": []any{31.0, 24.0, 17.0, 6.0, 5.0}},
			want: map[string]any{"rows.lower.1": 0.269712647477674, "rows.upper.1": 0.486584400088231, "rows.apart.1": 0.418754188269015}},
		// One place, one kind, a window of one period: the clearest window is the
		// last period, and its count is binomial.
		{ours: "scan", source: rHere + "pbinom(8, 30, 1/12, lower = FALSE)", tol: near,
			in:   map[string]any{"places": []any{"p", "p"}, "kinds": []any{"k", "k"}, "periods": []any{3.0, 12.0}, "counts": []any{21.0, 9.0}, "own_past": true, "longest": 1.0},
			want: map[string]any{"clusters.p_value.1": 0.000547565343664869, "clusters.expected.1": 2.5}},
	}
}

// step48 is data/09_synthetic_48.csv of the fixtures, hours per 200,000.
var (
	step48      = []any{5.0, 4.0, 5.0, 5.0, 6.0, 3.0, 1.0, 5.0, 6.0, 8.0, 5.0, 3.0, 4.0, 3.0, 2.0, 0.0, 6.0, 7.0, 4.0, 4.0, 3.0, 6.0, 1.0, 5.0, 2.0, 3.0, 3.0, 4.0, 1.0, 3.0, 1.0, 3.0, 3.0, 0.0, 2.0, 2.0, 1.0, 1.0, 2.0, 4.0, 2.0, 2.0, 0.0, 1.0, 2.0, 1.0, 3.0, 1.0}
	step48Hours = []any{0.27, 0.2605, 0.2655, 0.2815, 0.281, 0.2785, 0.304, 0.2735, 0.292, 0.277, 0.277, 0.2595, 0.269, 0.25, 0.2455, 0.2495, 0.238, 0.24, 0.2255, 0.2315, 0.231, 0.2315, 0.2595, 0.251, 0.2685, 0.2805, 0.272, 0.2675, 0.2985, 0.289, 0.275, 0.2875, 0.279, 0.2695, 0.2765, 0.2705, 0.2725, 0.269, 0.2505, 0.235, 0.245, 0.227, 0.2315, 0.2385, 0.2375, 0.2235, 0.238, 0.252}
)
