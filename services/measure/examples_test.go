package measure_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"fairlead/analytics/rate"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// example is one row of testdata/measures_examples.csv; see the README there.
type example struct {
	id, measure, standard, inputs, expected, rounding, source, confidence string
	in                                                                    map[string]float64
	lists                                                                 map[string][]float64
}

func examples(t *testing.T) []example {
	t.Helper()
	f, err := os.Open("testdata/measures_examples.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"id", "measure", "standard", "inputs", "expected", "rounding", "source", "confidence"}, rows[0])
	var out []example
	for _, r := range rows[1:] {
		e := example{r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], map[string]float64{}, map[string][]float64{}}
		for _, kv := range strings.Split(e.inputs, ";") {
			k, v, _ := strings.Cut(kv, "=")
			for _, s := range strings.Split(v, ",") {
				if x, err := strconv.ParseFloat(s, 64); err == nil {
					e.in[k] = x
					e.lists[k] = append(e.lists[k], x)
				}
			}
		}
		out = append(out, e)
	}
	return out
}

// text returns an input that is not a number.
func (e example) text(key string) string {
	for _, kv := range strings.Split(e.inputs, ";") {
		if k, v, _ := strings.Cut(kv, "="); k == key {
			return v
		}
	}
	return ""
}

// printed rounds once, half up, to as many decimals as the expected value has.
func (e example) printed(t *testing.T, numerator, base, denominator float64) string {
	t.Helper()
	want, _, _ := strings.Cut(e.expected, " ")
	_, tail, _ := strings.Cut(want, ".")
	sign := ""
	if numerator < 0 {
		sign, numerator = "-", -numerator
	}
	s, err := rate.Decimal(numerator, base, denominator, len(tail))
	require.NoError(t, err)
	return sign + s
}

// TestWorkedExamples checks every row, and says which rest on memory.
func TestWorkedExamples(t *testing.T) {
	t.Parallel()
	all := examples(t)
	require.Equal(t, 70, len(all), "no row is left out")
	for _, e := range all {
		t.Run(e.id, func(t *testing.T) {
			t.Parallel()
			if e.confidence == "from memory" {
				t.Logf("from memory: %s %s = %s (%s)", e.measure, e.inputs, e.expected, e.source)
			}
			want, _, _ := strings.Cut(e.expected, " ")
			if e.measure == "riddor_over7" || e.measure == "days_away" {
				want = e.expected
			}
			require.Equal(t, want, e.work(t), "%s %s, %s (%s)", e.measure, e.inputs, e.source, e.confidence)
		})
	}
}

// work works a row out: through the service where it is cases and hours.
func (e example) work(t *testing.T) string {
	if c, id, ok := e.asked(); ok {
		return e.serve(t, c, id)
	}
	in := e.in
	value := func(v float64) string { return e.printed(t, v, 1, 1) }
	switch e.measure {
	case "trc_hypothetical_two_cases":
		return e.printed(t, in["cases"], in["base"], in["hours"])
	case "frequency_rate": // claims, which are not cases of the service
		r, err := rate.Of(int(in["cases"]), in["hours"], in["base"], rate.Options{})
		require.NoError(t, err)
		require.InDelta(t, in["cases"]*in["base"]/in["hours"], r.Value, 1e-9)
		return e.printed(t, in["cases"], in["base"], in["hours"])
	case "duration_rate_lti_plus_disabling":
		return e.printed(t, in["days_lti"]+in["days_disabling"], 1, in["lti"]+in["disabling"])
	case "ltifr_implied_from_severity": // hours = days × 1,000,000 / severity
		return e.printed(t, in["lti"]*in["severity_per_million_h"], 1, in["days_total"])
	case "percent_change":
		p, err := rate.PercentChange(in["from"], in["to"])
		require.NoError(t, err)
		return value(p.Value)
	case "implied_hours_million":
		return e.printed(t, in["fatalities"]*in["base"], 1, in["far"]*1e6)
	case "implied_average_workers":
		return e.printed(t, in["fatalities"]/in["years"]*1e5, 1, in["rate_per_100000"])
	case "implied_employees":
		return e.printed(t, in["claims"]*1000, 1, in["rate_per_1000"])
	case "incidence_rate_same_denominator":
		return e.printed(t, in["n_over7"]*in["rate_specified"], 1, in["n_specified"])
	case "implied_hours_per_employee": // (cases / workers) / (cases / hours)
		return e.printed(t, in["incidence_per_100000"]*10, 1, in["frequency_per_million_h"])
	case "wilson_lower_rate", "wilson_upper_rate":
		lo, hi, err := rate.WilsonInterval(int(in["cases"]), in["hours"], 0.95)
		require.NoError(t, err)
		if e.measure == "wilson_lower_rate" {
			return value(lo * in["base"] / in["hours"])
		}
		return value(hi * in["base"] / in["hours"])
	case "poisson_lower_cases", "poisson_upper_cases":
		lo, hi, err := rate.PoissonInterval(int(in["cases"]), 0.95)
		require.NoError(t, err)
		if e.measure == "poisson_lower_cases" {
			return value(lo)
		}
		return value(hi)
	case "base_conversion":
		r, err := rate.Of(1, 1e6/6, 200_000, rate.Options{})
		require.NoError(t, err)
		require.InDelta(t, in["rate_per_200000"], r.Value, 1e-12)
		r, err = r.Rebase(1e6)
		require.NoError(t, err)
		return value(r.Value)
	case "days_away":
		return e.daysAway(t)
	case "riddor_over7":
		return e.over7(t)
	}
	t.Fatalf("measure %s is not worked out", e.measure)
	return ""
}

// asked says which measure of which convention a row is.
func (e example) asked() (c pb.Convention, id string, ok bool) {
	const (
		as  = pb.Convention_CONVENTION_AS_1885_1
		us  = pb.Convention_CONVENTION_US
		ilo = pb.Convention_CONVENTION_ILO
		wa  = pb.Convention_CONVENTION_WA_MINING
		z16 = pb.Convention_CONVENTION_ANSI_Z16
	)
	found, ok := map[string]struct {
		c  pb.Convention
		id string
	}{
		"US-DART-1": {us, "dart"}, "US-TRC-1": {us, "trc"}, "US-DART-3Y": {us, "dart"}, "US-TRC-3Y": {us, "trc"},
		"US-TRC-2003": {us, "trc"}, "US-IR-4": {us, "trc"}, "US-SEV-1": {us, "severity_rate"},
		"UK-AFR-1": {pb.Convention_CONVENTION_UK, "frequency_rate"}, "UK-AFR-2": {pb.Convention_CONVENTION_UK, "frequency_rate"},
		"WA-DIR-0506": {wa, "incidence_rate"}, "WA-DFR-0506": {wa, "frequency_rate"},
		"AS-LTIFR-1": {as, "frequency_rate"}, "AS-IR-1": {as, "incidence_rate"}, "AS-ATLR-1": {as, "average_time_lost_rate"},
		"AS-ATLR-FATAL": {as, "average_time_lost_rate"}, "AS-LTIFR-FATAL": {as, "frequency_rate"}, "AS-ZERO": {as, "frequency_rate"},
		"ZERO-CASES": {as, "frequency_rate"}, "TRIFR-1": {as, "trifr"}, "TRIFR-NORWI": {as, "trifr_without_restricted"},
		"MTIFR-1": {as, "mtifr"}, "SEV-AU-1": {as, "severity_rate"}, "MHBI-1": {as, "mean_hours_between"},
		"ILO-FR-1": {ilo, "frequency_rate"}, "ILO-IR-1": {ilo, "incidence_rate"}, "ILO-SR-1": {ilo, "severity_rate"},
		"Z16-FR-1": {z16, "frequency_rate"}, "Z16-SR-DEATH": {z16, "severity_rate"}, "WAPS-SEV-1": {as, "severity_percentage"},
		"AVG-OF-SUMS": {as, "frequency_rate"},
	}[e.id]
	return found.c, found.id, ok
}

// serve makes a ledger of the row's cases, days, hours and workers, and returns
// what the service works out, rounded as the row is.
func (e example) serve(t *testing.T, c pb.Convention, id string) string {
	w := testWorld(t)
	in := e.in
	var hurtAll []*pb.Harm
	add := func(n float64, o pb.OutcomeClass) {
		for range int(n) {
			hurtAll = append(hurtAll, hurt(o, employee))
		}
	}
	sum := func(keys ...string) (total float64) {
		for k, v := range in {
			for _, prefix := range keys {
				if k == prefix || strings.HasPrefix(k, prefix+"_2") { // by year: hours_2005
					total += v
				}
			}
		}
		return total
	}
	// Cases of no given class are lost-time cases; a death or other class is
	// named by the row.
	add(sum("cases", "disabling", "lti_d", "other_cases", "h", "hi"), lostTime)
	for _, v := range e.lists["lti"] {
		add(v, lostTime)
	}
	add(sum("i", "rwi"), restrict)
	add(sum("j", "mti", "hij"), medical)
	if days := sum("days", "other_days"); days > 0 && len(hurtAll) == 0 {
		add(min(4, days), lostTime) // the row gives days and no cases
	}
	// Days go to lost-time cases, from the first on, each within the caps.
	spread(t, hurtAll, int(sum("days", "other_days")))
	if c == pb.Convention_CONVENTION_UK {
		for _, h := range hurtAll {
			away(t, h, "2026-01-06", 8)
		}
	}
	for i := range int(in["severe_60plus"]) {
		away(t, hurtAll[i], "2026-01-06", 60+i)
	}
	add(sum("fatality", "fatalities", "deaths"), death)

	writes := []proto.Message{}
	hours := append([]float64{}, e.lists["hours"]...)
	for _, y := range []string{"2003", "2004", "2005"} {
		if v, ok := in["hours_"+y]; ok {
			hours = append(hours, v)
		}
	}
	if len(hours) == 0 {
		hours = []float64{1}
	}
	if e.id == "AS-ZERO" {
		hours = nil // hours=0 in the row stands for missing or zero
	}
	for i, m := range months(t, "2026-01", len(hours)) {
		h := hoursOf(north, m, employee, hours[i])
		if workers := in["workers"] + in["workers_fte"]; workers > 0 {
			h = withHeads(h, workers)
		}
		writes = append(writes, h)
	}
	for _, h := range hurtAll {
		writes = append(writes, w.report(t, north, "2026-01-05", pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, h))
	}
	if len(writes) > 0 {
		w.put(t, writes...)
	}
	period := months(t, "2026-01", max(1, len(hours))+1)
	v := w.value(t, c, id, &pb.Period{StartMonth: period[0], EndMonth: period[len(period)-1]})
	if !v.GetDefined() {
		require.Contains(t, v.GetUndefinedReason(), "no hours for 2026-01")
		return "undefined"
	}
	if base, ok := in["base"]; ok {
		require.InDelta(t, base, v.GetDefinition().GetBase(), 0, "the convention's base is the row's")
	}
	exact := v.GetNumerator() * v.GetDefinition().GetBase() / v.GetDenominator()
	numerator, base, denominator := v.GetNumerator(), v.GetDefinition().GetBase(), v.GetDenominator()
	if id == "mean_hours_between" {
		exact, numerator, denominator = 1/exact, v.GetDenominator(), v.GetNumerator()
	}
	require.InDelta(t, exact, v.GetValue(), 1e-9*math.Max(1, exact))
	return e.printed(t, numerator, base, denominator)
}

// spread gives days away to the lost-time cases, at most 150 to each.
func spread(t *testing.T, all []*pb.Harm, days int) {
	t.Helper()
	for i, h := range all {
		if h.GetOutcomeHistory()[0].GetOutcome() != lostTime || days == 0 {
			continue
		}
		n := days
		if i < len(all)-1 {
			n = min(days, max(1, days/len(all)))
		}
		away(t, h, "2026-01-06", min(n, 150))
		days -= min(n, 150)
	}
	require.Zero(t, days, "all days of the row are given to somebody")
}

func (e example) daysAway(t *testing.T) string {
	if n, ok := e.in["counted"]; ok {
		h := away(t, hurt(lostTime, employee), "2025-01-02", int(n))
		h.Absences[0].RosteredDays = nil
		return strconv.Itoa(harm.Count(h, day(t, "2025-01-01"), harm.US1904, day(t, "2026-07-15")).Away)
	}
	h := hurt(lostTime, employee)
	h.Absences = []*pb.Absence{{FirstDate: e.text("injury"), ReturnDate: e.text("returned")}}
	return strconv.Itoa(harm.Count(h, day(t, e.text("injury")), harm.US1904, day(t, "2026-07-15")).Away)
}

// over7 answers whether an absence is over seven consecutive days, the day of the
// accident not counted, and by when a report would be due (15 days).
func (e example) over7(t *testing.T) string {
	h := hurt(lostTime, employee)
	h.Absences = []*pb.Absence{{FirstDate: e.text("accident"), ReturnDate: e.text("returned")}}
	event := day(t, e.text("accident"))
	n, _ := harm.ConsecutiveAway(h, event, day(t, "2026-07-15"), true)
	if n <= 7 {
		return fmt.Sprintf("not reportable (%d days)", n)
	}
	return "reportable; due by " + (event + 15).String()
}

func day(t *testing.T, text string) harm.Day {
	t.Helper()
	d, err := harm.ParseDay(text)
	require.NoError(t, err)
	return d
}
