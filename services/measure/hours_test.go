package measure_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestMissingHours(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		set     func(t *testing.T, w *world)
		scope   string
		groups  []pb.EmploymentGroup
		reason  string // of the undefined rate; empty when it is defined
		missing []string
		hours   float64
		notes   []string
	}{
		"one month": {
			set:    func(t *testing.T, w *world) { w.drop(t, north, 12, "2026-03") },
			reason: "no hours for 2026-03", missing: []string{"2026-03"}, notes: []string{"No hours for 2026-03: Northside depot, employees. If nobody worked, bring in 0."},
		},
		"several months": {
			set: func(t *testing.T, w *world) {
				w.drop(t, north, 12, "2025-09", "2026-01", "2026-02", "2026-03", "2026-05", "2026-06")
			},
			reason: "no hours for 2025-09, 2026-01 to 2026-03, 2026-05, 2026-06", missing: []string{"2025-09", "2026-01", "2026-02", "2026-03", "2026-05", "2026-06"},
		},
		"no hours at all": {
			set:    func(*testing.T, *world) {},
			reason: "no hours for 2025-07 to 2026-06", missing: months(t, "2025-07", 12),
		},
		"hours begin late": {
			set:    func(t *testing.T, w *world) { w.work(t, north, "2025-10", 9, employee, 10_000, 60) },
			reason: "no hours for 2025-07 to 2025-09", missing: months(t, "2025-07", 3),
		},
		"one of two depots has not sent the last month": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 12, employee, 10_000, 60)
				w.work(t, quarry, "2025-07", 11, employee, 5_000, 30)
			},
			reason: "no hours for 2026-06", missing: []string{"2026-06"}, notes: []string{"No hours for 2026-06: Quarry Road depot, employees. If nobody worked, bring in 0."},
		},
		"nobody worked: a zero was brought in": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 11, employee, 10_000, 60)
				w.put(t, hoursOf(north, "2026-06", employee, 0))
			},
			hours: 110_000,
		},
		"a depot that closed is not waited for": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 12, employee, 10_000, 60)
				w.work(t, quarry, "2025-07", 3, employee, 5_000, 30)
				closed, err := timeOf("2025-09-30T12:00:00Z")
				require.NoError(t, err)
				w.put(t, &pb.Workplace{Name: quarry, Parent: shire, Title: "Quarry Road depot", Level: 2, CloseTime: timestamppb.New(closed)})
			},
			hours: 135_000,
		},
		"a group that starts later": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 12, employee, 10_000, 60)
				w.work(t, north, "2026-04", 3, hire, 1_000, 6)
			},
			hours: 123_000, notes: []string{"The hours of Northside depot, labour hire, begin in 2026-04; the months before are counted without them."},
		},
		"a group asked for by name": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 12, employee, 10_000, 60)
				w.work(t, north, "2026-04", 3, hire, 1_000, 6)
			},
			groups: []pb.EmploymentGroup{employee, hire}, reason: "no hours for 2025-07 to 2026-03", missing: months(t, "2025-07", 9),
		},
		"kept at the depot, asked for the crew": {
			set:   func(t *testing.T, w *world) { w.work(t, north, "2025-07", 12, employee, 10_000, 60) },
			scope: trees, reason: "hours are kept at Northside depot, not at Tree crew; ask for Northside depot, or keep hours at the lower level",
			missing: months(t, "2025-07", 12),
		},
		"kept at the crew, asked for the shire": {
			set:   func(t *testing.T, w *world) { w.work(t, trees, "2025-07", 12, employee, 2_000, 12) },
			scope: shire, hours: 24_000,
		},
		"moved from the depot to the crew": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 6, employee, 10_000, 60)
				w.work(t, trees, "2026-01", 6, employee, 9_000, 60)
			},
			hours: 114_000,
		},
		"the same hours twice count once": {
			set: func(t *testing.T, w *world) {
				w.work(t, north, "2025-07", 12, employee, 10_000, 60)
				w.put(t, hoursOf(trees, "2026-01", employee, 2_000))
			},
			hours: 120_000, notes: []string{"1 block of hours is left out because the same hours are kept at a workplace above; ask an administrator to mend the hours."},
		},
		"the hours are zero": {
			set:    func(t *testing.T, w *world) { w.work(t, north, "2025-07", 12, employee, 0, 0) },
			reason: "the hours of this period are 0",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := testWorld(t)
			c.set(t, w)
			resp := w.rates(t, &pb.ComputeRatesRequest{Workplace: c.scope, Period: year, Measures: []string{"frequency_rate"}, EmploymentGroups: c.groups})
			v := resp.GetValues()[0]
			require.Equal(t, c.reason, v.GetUndefinedReason())
			require.Equal(t, c.missing, v.GetMissingMonths())
			require.Equal(t, c.reason == "", v.GetDefined())
			for _, n := range c.notes {
				require.Contains(t, v.GetNotes(), n)
			}
			if c.reason != "" {
				require.Nil(t, v.Value)
				require.Nil(t, v.Lower)
				require.Nil(t, v.Upper)
				require.Equal(t, "0 lost-time cases; no figure: "+c.reason+".", v.GetSentence())
				return
			}
			require.InDelta(t, c.hours, v.GetDenominator(), 0)
		})
	}
}

// drop keeps hours for n months of the year but those named.
func (w *world) drop(t *testing.T, workplace string, n int, without ...string) {
	t.Helper()
	var rows []proto.Message
	for _, m := range months(t, "2025-07", n) {
		keep := true
		for _, x := range without {
			keep = keep && m != x
		}
		if keep {
			rows = append(rows, withHeads(hoursOf(workplace, m, employee, 10_000), 60))
		}
	}
	w.put(t, rows...)
}

// TestSamePeopleAboveAndBelow: whoever is counted among the cases worked the
// hours, and the other way round.
func TestSamePeopleAboveAndBelow(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	w.work(t, north, "2025-07", 12, hire, 2_000, 12)
	for _, g := range []pb.EmploymentGroup{employee, hire, contract, contract, public, 0} {
		w.injury(t, north, "2026-03-02", away(t, hurt(0, g), "2026-03-03", 5))
	}
	w.injury(t, quarry, "2026-03-02", hurt(lostTime, employee))

	all := w.value(t, as1885, "frequency_rate", year)
	require.InDelta(t, 3, all.GetNumerator(), 0)
	require.InDelta(t, 144_000, all.GetDenominator(), 0)
	for _, n := range []string{
		"1 lost-time case without an employment group is counted among the employees.",
		"1 lost-time case of visitors or the public is not counted: they work no hours here.",
		"2 lost-time cases of contractors are not counted: no hours are kept for them, so they would stand above the line only.",
		"1 lost-time case at Quarry Road depot is not counted: no hours are kept for them, so they would stand above the line only.",
		"Counted above and below the line: employees and labour hire.",
	} {
		require.Contains(t, all.GetNotes(), n)
	}
	only := func(groups ...pb.EmploymentGroup) *pb.MeasureValue {
		return w.rates(t, &pb.ComputeRatesRequest{Period: year, Measures: []string{"frequency_rate"}, EmploymentGroups: groups}).GetValues()[0]
	}
	require.InDelta(t, 1, only(hire).GetNumerator(), 0)
	require.InDelta(t, 24_000, only(hire).GetDenominator(), 0)
	require.InDelta(t, 2, only(employee).GetNumerator(), 0)
	require.False(t, only(contract).GetDefined(), "contractors have cases and no hours")
	require.InDelta(t, 2, only(contract).GetNumerator(), 0, "the count is told even so")

	average := w.value(t, as1885, "average_time_lost_rate", year)
	require.InDelta(t, 3, average.GetDenominator(), 0, "averages are of the same people as the rates")
	require.InDelta(t, 7, w.value(t, as1885, "harms", year).GetNumerator(), 0, "a plain count counts everybody")

	ours := w.rates(t, &pb.ComputeRatesRequest{Period: year, Measures: []string{"harms"}, EmploymentGroups: []pb.EmploymentGroup{employee}}).GetValues()[0]
	require.InDelta(t, 3, ours.GetNumerator(), 0, "whoever has no group is taken for an employee, here too")
	require.Contains(t, ours.GetNotes(), "1 person hurt without an employment group is counted among the employees.")

	near := w.rates(t, &pb.ComputeRatesRequest{Period: year, Measures: []string{"near_miss_rate"}, EmploymentGroups: []pb.EmploymentGroup{hire}}).GetValues()[0]
	require.Contains(t, near.GetUndefinedReason(), "reports belong to no employment group")
}

// TestCasesBeforeTheHours: a case in a month before its crew's hours begin would
// stand over the hours of others.
func TestCasesBeforeTheHours(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	w.work(t, quarry, "2026-01", 6, employee, 5_000, 30)
	require.True(t, w.value(t, as1885, "frequency_rate", year).GetDefined())
	w.injury(t, quarry, "2025-08-04", hurt(lostTime, employee))
	v := w.value(t, as1885, "frequency_rate", year)
	require.Equal(t, "no hours for 2025-08", v.GetUndefinedReason())
	require.True(t, w.value(t, as1885, "mtifr", year).GetDefined(), "no medical treatment case is uncovered")
}

func TestHeads(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	w.injury(t, north, "2026-03-02", hurt(lostTime, employee))
	v := w.value(t, as1885, "incidence_rate", year)
	require.InDelta(t, 60, v.GetDenominator(), 0, "the average of the months, not their sum")
	require.InDelta(t, 100.0/60, v.GetValue(), 1e-12)
	half := w.value(t, as1885, "incidence_rate", &pb.Period{StartMonth: "2026-01", EndMonth: "2026-07"})
	require.InDelta(t, 100.0/60, half.GetValue(), 1e-12)
	require.Contains(t, half.GetNotes()[len(half.GetNotes())-1], "Cases of 6 months over the workers of an average month: not a yearly rate")
	w.put(t, hoursOf(north, "2026-03", employee, 10_000))
	v = w.value(t, as1885, "incidence_rate", year)
	require.Equal(t, "no head count for 2026-03", v.GetUndefinedReason())
	require.True(t, w.value(t, as1885, "frequency_rate", year).GetDefined())
	longer := w.value(t, as1885, "incidence_rate", &pb.Period{StartMonth: "2025-06", EndMonth: "2026-02"})
	require.Equal(t, "no head count for 2025-06", longer.GetUndefinedReason(), "a month without hours has no heads either")
}

func TestProvisionalHoursAndDataSets(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	late := hoursOf(north, "2026-06", employee, 9_000)
	late.Status = pb.HoursStatus_HOURS_STATUS_PROVISIONAL
	w.put(t, late)
	r := w.report(t, north, "2026-03-02", 3, hurt(lostTime, employee))
	r.Origin = &pb.Origin{Dataset: "osha-severe-injury", SourceId: "1"}
	w.put(t, r)
	resp := w.rates(t, &pb.ComputeRatesRequest{Period: year, Measures: []string{"frequency_rate"}})
	require.Equal(t, []string{"2026-06"}, resp.GetValues()[0].GetProvisionalMonths())
	require.Zero(t, resp.GetValues()[0].GetNumerator(), "an imported record enters no rate by accident")
	require.Contains(t, resp.GetCautions(), "1 record of other data sets left out; name the data set to count them.")
	named := w.rates(t, &pb.ComputeRatesRequest{Period: year, Measures: []string{"frequency_rate"}, Datasets: []string{"osha-severe-injury", "here"}})
	require.InDelta(t, 1, named.GetValues()[0].GetNumerator(), 0)
	require.Contains(t, named.GetScope(), "data sets: osha-severe-injury and here")
}
