package measure_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
)

// lot is a random half year: cases, and the hours of some depots and groups.
type lot struct {
	cases []lotCase
	// units are the depots and groups whose hours are kept; lack says which of
	// their months are missing. Their first month never is.
	units map[string][]bool
}

type lotCase struct {
	place   string
	month   int // 0 to 5: January to June 2026
	group   pb.EmploymentGroup
	outcome pb.OutcomeClass
	days    int
}

const lotMonths = 6

func drawLot(t *rapid.T) lot {
	l := lot{units: map[string][]bool{}}
	for range rapid.IntRange(0, 12).Draw(t, "cases") {
		c := lotCase{
			place:   rapid.SampledFrom([]string{north, trees, quarry}).Draw(t, "place"),
			month:   rapid.IntRange(0, lotMonths-1).Draw(t, "month"),
			group:   rapid.SampledFrom([]pb.EmploymentGroup{0, employee, hire, contract, public}).Draw(t, "group"),
			outcome: pb.OutcomeClass(rapid.IntRange(1, 7).Draw(t, "outcome")),
		}
		if c.outcome == lostTime {
			c.days = rapid.IntRange(1, 25).Draw(t, "days")
		}
		l.cases = append(l.cases, c)
	}
	for _, place := range []string{north, quarry} {
		for _, g := range []pb.EmploymentGroup{employee, hire} {
			if rapid.IntRange(0, 3).Draw(t, "kept") > 0 {
				lack := make([]bool, lotMonths)
				if rapid.IntRange(0, 2).Draw(t, "gaps") == 0 {
					for i := 1; i < lotMonths; i++ {
						lack[i] = rapid.IntRange(0, 3).Draw(t, "gap") == 0
					}
				}
				l.units[unitKey(place, g)] = lack
			}
		}
	}
	return l
}

func unitKey(place string, g pb.EmploymentGroup) string { return fmt.Sprintf("%s %d", place, g) }

func (l lot) file(t tb, w *world) {
	var writes []proto.Message
	for key, lack := range l.units {
		var place string
		var g pb.EmploymentGroup
		_, err := fmt.Sscanf(key, "%s %d", &place, &g)
		require.NoError(t, err)
		for i, m := range months(t, "2026-01", lotMonths) {
			if !lack[i] {
				writes = append(writes, withHeads(hoursOf(place, m, g, 1000), 10))
			}
		}
	}
	for _, c := range l.cases {
		h := hurt(c.outcome, c.group)
		if c.days > 0 {
			away(t, h, fmt.Sprintf("2026-%02d-20", c.month+1), c.days)
		}
		writes = append(writes, w.report(t, c.place, fmt.Sprintf("2026-%02d-15", c.month+1), 3, h))
	}
	if len(writes) > 0 {
		w.put(t, writes...)
	}
}

// expected recounts one measure the plain way.
func (l lot) expected(scope string, from, to int, classes []pb.OutcomeClass, days bool) (numerator, hours float64, defined bool) {
	within := func(place string) bool { return scope == "" || place == scope || place == trees && scope == north }
	depot := func(place string) string { return strings.Replace(place, trees, north, 1) }
	units := 0
	for key, lack := range l.units {
		if !within(strings.Fields(key)[0]) {
			continue
		}
		units++
		for i := from; i < to; i++ {
			if !lack[i] {
				hours += 1000
			}
		}
	}
	defined = units > 0
	for key, lack := range l.units {
		if within(strings.Fields(key)[0]) && slices.Contains(lack[from:to], true) {
			defined = false
		}
	}
	for _, c := range l.cases {
		group := c.group
		if group == 0 {
			group = employee
		}
		_, kept := l.units[unitKey(depot(c.place), group)]
		if units == 0 {
			kept = group != public
		}
		if within(c.place) && c.month >= from && c.month < to && kept && slices.Contains(classes, c.outcome) {
			switch {
			case !days:
				numerator++
			case c.outcome == death:
				numerator += 220
			default:
				numerator += float64(c.days)
			}
		}
	}
	return numerator, hours, defined
}

// TestRatesAreRecounted holds rates of random half years against a recount, and
// against what must be true of any rate.
func TestRatesAreRecounted(t *testing.T) {
	t.Parallel()
	classes := map[string][]pb.OutcomeClass{
		"frequency_rate": {lostTime, lasting, death}, "severity_rate": {lostTime, lasting, death},
		"trifr": {medical, restrict, lostTime, lasting, death}, "trifr_without_restricted": {medical, lostTime, lasting, death},
		"mtifr": {medical}, "average_time_lost_rate": {lostTime, lasting, death},
	}
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "measure")
		require.NoError(t, err)
		defer os.RemoveAll(dir)
		w := newWorld(t, dir)
		defer w.ledger.Close()
		l := drawLot(t)
		l.file(t, w)
		for range 3 {
			scope := rapid.SampledFrom([]string{"", north, quarry}).Draw(t, "scope")
			from := rapid.IntRange(0, lotMonths-1).Draw(t, "from")
			to := rapid.IntRange(from+1, lotMonths).Draw(t, "to")
			period := &pb.Period{StartMonth: fmt.Sprintf("2026-%02d", from+1), EndMonth: fmt.Sprintf("2026-%02d", to+1)}
			values := map[string]*pb.MeasureValue{}
			for _, v := range w.rates(t, &pb.ComputeRatesRequest{Workplace: scope, Period: period}).GetValues() {
				id := v.GetDefinition().GetMeasure()
				values[id] = v
				sane(t, v)
				which, ok := classes[id]
				if !ok {
					continue
				}
				days := id == "severity_rate" || id == "average_time_lost_rate"
				numerator, hours, defined := l.expected(scope, from, to, which, days)
				require.InDelta(t, numerator, v.GetNumerator(), 0, id)
				if id == "average_time_lost_rate" {
					continue
				}
				require.Equal(t, defined, v.GetDefined(), "%s: %s", id, v.GetUndefinedReason())
				if defined {
					require.InDelta(t, hours, v.GetDenominator(), 0)
					require.InDelta(t, numerator*1e6/hours, v.GetValue(), 1e-6)
				}
			}
			frequency, severity, average := values["frequency_rate"], values["severity_rate"], values["average_time_lost_rate"]
			if severity.GetDefined() && average.GetDefined() {
				require.InDelta(t, severity.GetValue(), frequency.GetValue()*average.GetValue(), 1e-6)
			}
		}
	})
}

// sane holds what is true of every figure.
func sane(t tb, v *pb.MeasureValue) {
	at := v.GetDefinition().GetMeasure()
	require.NotEmpty(t, v.GetSentence(), at)
	require.NotContains(t, v.GetSentence(), "NaN", at)
	require.NotContains(t, v.GetSentence(), "no value", at)
	require.Equal(t, v.GetDefined(), v.GetUndefinedReason() == "", at)
	require.Equal(t, v.GetDefined(), v.Value != nil, at)
	if !v.GetDefined() {
		require.Nil(t, v.Lower, at)
		require.Nil(t, v.Upper, at)
		return
	}
	require.Equal(t, v.Lower == nil, strings.HasPrefix(v.GetIntervalMethod(), "none"), "no rate without its interval, or why there is none")
	if v.Lower != nil {
		require.LessOrEqual(t, v.GetLower(), v.GetValue(), at)
		require.GreaterOrEqual(t, v.GetUpper(), v.GetValue(), at)
	}
}
