package rate

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// example is one row of testdata/measures_examples.csv; each names its source.
type example struct {
	id, measure, expected, source string
	in                            map[string][]float64
}

func (e example) get(name string) float64 {
	if v := e.in[name]; len(v) == 1 {
		return v[0]
	}
	return 0 // a class without cases is left out of the row
}

// sum adds all inputs whose name starts with one of the prefixes.
func (e example) sum(prefixes ...string) (s float64) {
	for name, vs := range e.in {
		for _, p := range prefixes {
			if name == p || strings.HasPrefix(name, p+"_20") {
				for _, v := range vs {
					s += v
				}
			}
		}
	}
	return s
}

func examples(t *testing.T) []example {
	t.Helper()
	f, err := os.Open("testdata/measures_examples.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var out []example
	for _, r := range rows[1:] {
		e := example{id: r[0], measure: r[1], expected: r[4], source: r[6], in: map[string][]float64{}}
		for _, kv := range strings.Split(r[3], ";") {
			k, v, _ := strings.Cut(kv, "=")
			for _, s := range strings.Split(v, ",") {
				if x, err := strconv.ParseFloat(s, 64); err == nil {
					e.in[k] = append(e.in[k], x)
				}
			}
		}
		out = append(out, e)
	}
	return out
}

// printed holds what a page would print for the row, to the row's decimals.
func printed(t *testing.T, e example, decimals int) (string, bool) {
	t.Helper()
	frac := func(n, b, d float64) (string, bool) {
		s, err := Decimal(n, b, d, decimals)
		require.NoError(t, err)
		return s, true
	}
	fixed := func(x float64) (string, bool) { return frac(x, 1, 1) }
	switch e.measure {
	case "frequency_rate", "dart", "trc", "trifr", "trifr_without_rwi", "mtifr", "dart_multi_year", "trc_multi_year",
		"trc_hypothetical_two_cases", "multi_year_frequency":
		cases := e.sum("cases", "h", "i", "j", "hi", "hij", "fatality", "fatalities", "lti", "rwi", "mti", "disabling")
		r, err := Pool([]Part{{Count: int(cases), Exposure: e.sum("hours")}}, e.get("base"), Options{})
		require.NoError(t, err)
		if !r.Defined {
			require.NotEmpty(t, r.Reason)
			return "undefined", true
		}
		require.InDelta(t, cases*r.Base/e.sum("hours"), r.Value, 1e-9)
		return frac(cases, r.Base, r.Exposure)
	case "incidence_rate":
		r, err := Of(int(e.get("cases")), e.sum("workers", "workers_fte"), e.get("base"), Options{})
		require.NoError(t, err)
		return frac(float64(r.Count), r.Base, r.Exposure)
	case "severity_rate":
		q, err := SeverityRate(e.get("days")+e.get("deaths")*e.get("days_per_death")+e.get("other_days"), e.get("hours"), e.get("base"))
		require.NoError(t, err)
		return frac(q.Numerator, q.Base, q.Denominator)
	case "average_time_lost":
		q, err := AverageTimeLost(e.get("days")+e.get("fatalities")*e.get("fatality_days")+e.get("other_days"), int(e.sum("cases", "fatalities", "other_cases")))
		require.NoError(t, err)
		return frac(q.Numerator, 1, q.Denominator)
	case "duration_rate_lti_plus_disabling":
		q, err := AverageTimeLost(e.get("days_lti")+e.get("days_disabling"), int(e.sum("lti", "disabling")))
		require.NoError(t, err)
		return fixed(q.Value)
	case "ltifr_implied_from_severity":
		hours := e.get("days_total") / e.get("severity_per_million_h") * PerMillion
		r, err := Of(int(e.get("lti")), hours, PerMillion, Options{})
		require.NoError(t, err)
		return fixed(r.Value)
	case "incidence_rate_same_denominator":
		workers := e.get("n_specified") / e.get("rate_specified") * 1e5
		r, err := Of(int(e.get("n_over7")), workers, 1e5, Options{})
		require.NoError(t, err)
		return fixed(r.Value)
	case "percent_change":
		q, err := PercentChange(e.get("from"), e.get("to"))
		require.NoError(t, err)
		return fixed(q.Value)
	case "wilson_lower_rate", "wilson_upper_rate":
		// z = 1.96 in the row is the rounded 0.975 point of the normal.
		r, err := Of(int(e.get("cases")), e.get("hours"), e.get("base"), Options{Method: Wilson})
		require.NoError(t, err)
		if e.measure == "wilson_lower_rate" {
			return fixed(r.Lo)
		}
		return fixed(r.Hi)
	case "poisson_lower_cases", "poisson_upper_cases":
		lo, hi, err := PoissonInterval(int(e.get("cases")), 0.95)
		require.NoError(t, err)
		if e.measure == "poisson_lower_cases" {
			return fixed(lo)
		}
		return fixed(hi)
	case "mean_hours_between_injuries":
		s, err := MeanBetween(int(e.get("cases")), e.get("hours"), 0.95)
		require.NoError(t, err)
		return fixed(s.Value)
	case "severity_percentage":
		s, err := ShareOf(int(e.get("severe_60plus")), int(e.get("lti_d")), 0.95)
		require.NoError(t, err)
		return fixed(100 * s.Value)
	case "base_conversion":
		r, err := Of(6, 1e6, PerTwoHundredThousand, Options{}) // 1.2 per 200,000
		require.NoError(t, err)
		require.InDelta(t, e.get("rate_per_200000"), r.Value, 1e-12)
		r, err = r.Rebase(PerMillion)
		require.NoError(t, err)
		return fixed(r.Value)
	case "implied_hours_million", "implied_average_workers", "implied_employees", "implied_hours_per_employee",
		"days_away", "riddor_over7":
		return "", false // arithmetic on published rates, and day counts: no formula of this package
	}
	t.Fatalf("%s: measure %s has no test", e.id, e.measure)
	return "", false
}

func TestMeasures_workedExamples(t *testing.T) {
	t.Parallel()
	read := 0
	for _, e := range examples(t) {
		want, _, _ := strings.Cut(e.expected, " ")
		_, after, _ := strings.Cut(want, ".")
		got, ok := printed(t, e, len(after))
		if !ok {
			continue
		}
		read++
		require.Equal(t, want, got, "%s %s (%s)", e.id, e.measure, e.source)
	}
	require.Greater(t, read, 50, "most rows must have been read")
}
