package measure_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

const as1885 = pb.Convention_CONVENTION_AS_1885_1

// year is the period of the tests: 12 months of 10,000 hours and 60 heads.
var year = &pb.Period{StartMonth: "2025-07", EndMonth: "2026-07"}

func workedYear(t *testing.T) *world {
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	return w
}

// TestWhatALostTimeCaseIs holds the definition of AS 1885.1: at least one full
// day or shift away, the day of the event not counted; deaths and lasting
// incapacity count. Source: Safe Work Australia and WorkSafe WA, restating the
// standard; WA Resources Safety 2004-05 on the day of the event and the charge.
func TestWhatALostTimeCaseIs(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		hurt        *pb.Harm
		cases, days float64
	}{
		"one full day":                     {away(t, hurt(firstAid, employee), "2026-03-03", 1), 1, 1},
		"the day of the event alone":       {away(t, hurt(medical, employee), "2026-03-02", 1), 0, 0},
		"day of the event and the next":    {away(t, hurt(medical, employee), "2026-03-02", 2), 1, 1},
		"absence that starts weeks later":  {away(t, hurt(firstAid, employee), "2026-03-30", 3), 1, 3},
		"two absences are one case":        {away(t, away(t, hurt(0, employee), "2026-03-03", 2), "2026-04-07", 4), 1, 6},
		"no shift lost on the roster":      {away(t, hurt(medical, employee), "2026-03-07", 0), 0, 0},
		"a death is charged":               {hurt(death, employee), 1, 220},
		"a death after absence is charged": {away(t, hurt(death, employee), "2026-03-03", 30), 1, 220},
		"lasting incapacity":               {away(t, hurt(lasting, employee), "2026-03-03", 30), 1, 30},
		"more than the standard counts":    {away(t, hurt(lostTime, employee), "2025-07-02", 300), 1, 220},
		"medical treatment":                {hurt(medical, employee), 0, 0},
		"restricted work":                  {hurt(restrict, employee), 0, 0},
		"illness counts like injury":       {away(t, &pb.Harm{Illness: true}, "2026-03-03", 6), 1, 6},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := workedYear(t)
			day := "2026-03-02"
			if name == "more than the standard counts" {
				day = "2025-07-01"
			}
			w.injury(t, north, day, c.hurt)
			frequency := w.value(t, as1885, "frequency_rate", year)
			require.True(t, frequency.GetDefined())
			require.InDelta(t, c.cases, frequency.GetNumerator(), 0)
			require.InDelta(t, 120_000, frequency.GetDenominator(), 0)
			require.InDelta(t, c.cases*1e6/120_000, frequency.GetValue(), 1e-9)
			severity := w.value(t, as1885, "severity_rate", year)
			require.InDelta(t, c.days, severity.GetNumerator(), 0)
			require.Nil(t, severity.Lower, "days are no counts: no interval")
			require.Contains(t, severity.GetIntervalMethod(), "none: days are not independent counts")
			average := w.value(t, as1885, "average_time_lost_rate", year)
			if c.cases == 0 {
				require.False(t, average.GetDefined())
				require.Equal(t, "no cases to divide by", average.GetUndefinedReason())
				return
			}
			require.InDelta(t, c.days/c.cases, average.GetValue(), 1e-12)
			require.InDelta(t, severity.GetValue(), frequency.GetValue()*average.GetValue(), 1e-9,
				"severity is frequency times average time lost")
		})
	}
}

func TestSentences(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	// 412,000 hours in the year, as in the example of the house's voice.
	w.work(t, north, "2025-07", 11, employee, 34_000, 200)
	w.put(t, withHeads(hoursOf(north, "2026-06", employee, 38_000), 200))
	for _, day := range []string{"2025-08-04", "2025-12-01", "2026-03-02"} {
		w.injury(t, north, day, away(t, hurt(0, employee), "2026-03-10", 5))
	}
	for id, want := range map[string]string{
		"frequency_rate":         "3 in 412,000 hours: 7.3 per million, and anything from 1.5 to 21 would fit.",
		"incidence_rate":         "3 among 200 workers: 1.5 per 100, and anything from 0.31 to 4.4 would fit.",
		"average_time_lost_rate": "15 days lost in 3 cases: 5 days a case. No interval: days are not counts.",
		"severity_rate":          "15 days lost in 412,000 hours: 36.4 per million. No interval: days are not counts.",
		"severity_percentage":    "0 of 3 cases: 0 per cent, and anything from 0 to 71 would fit.",
		"mtifr":                  "0 in 412,000 hours: 0 per million, and anything up to 9 would fit. None seen is not none to come.",
		"mean_hours_between":     "3 in 412,000 hours: one in 137,333 hours, and anything from 46,993 to 665,942 would fit.",
		"near_miss_rate":         "0 in 412,000 hours: 0 per million, and anything up to 9 would fit. None seen is not none to come.",
		"reports":                "3 reports in 12 months.",
		"harms":                  "3 persons hurt in 12 months.",
	} {
		require.Equal(t, want, w.value(t, as1885, id, year).GetSentence(), id)
	}
}

// TestZeroCases: 90,000 hours without a lost-time injury fit a true rate of up to
// 41 per million (3.689 / 0.09, Garwood 1936).
func TestZeroCases(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 7_500, 50)
	v := w.value(t, as1885, "frequency_rate", year)
	require.True(t, v.GetDefined())
	require.Zero(t, v.GetValue())
	require.Zero(t, v.GetLower())
	require.InDelta(t, 3.688879454/0.09, v.GetUpper(), 1e-6)
	require.Equal(t, "0 in 90,000 hours: 0 per million, and anything up to 41 would fit. None seen is not none to come.", v.GetSentence())
	between := w.value(t, as1885, "mean_hours_between", year)
	require.False(t, between.GetDefined())
	require.Nil(t, between.Value)
	require.Equal(t, "no case in 90,000 hours: at least 24,398 hours between cases would fit", between.GetUndefinedReason())
}

func TestRatioOfSums(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	// WorkSafe WA: sums first, the formula after; 11.25 and not 8.89.
	w.put(t, hoursOf(north, "2026-01", employee, 200_000), hoursOf(north, "2026-02", employee, 180_000), hoursOf(north, "2026-03", employee, 420_000))
	for i := range 9 {
		day := "2026-01-05"
		if i >= 2 {
			day = "2026-03-05"
		}
		w.injury(t, north, day, hurt(lostTime, employee))
	}
	v := w.value(t, as1885, "frequency_rate", &pb.Period{StartMonth: "2026-01", EndMonth: "2026-04"})
	require.InDelta(t, 11.25, v.GetValue(), 1e-12)
}

func TestReclassificationMovesTheCaseOnce(t *testing.T) {
	t.Parallel()
	w := workedYear(t)
	r := w.injury(t, north, "2026-03-02", hurt(medical, employee))
	count := func(id string) float64 { return w.value(t, as1885, id, year).GetNumerator() }
	require.Equal(t, []float64{0, 1, 1}, []float64{count("frequency_rate"), count("mtifr"), count("trifr")})

	worse := proto.Clone(r).(*pb.Report)
	worse.Harms[0] = away(t, worse.Harms[0], "2026-06-01", 2)
	worse.Harms[0].Outcome = lostTime
	w.put(t, worse)
	require.Equal(t, []float64{1, 0, 1}, []float64{count("frequency_rate"), count("mtifr"), count("trifr")},
		"the case left its old class; it stays in the month of its event")
	march := &pb.Period{StartMonth: "2026-03", EndMonth: "2026-04"}
	require.InDelta(t, 1, w.value(t, as1885, "frequency_rate", march).GetNumerator(), 0)

	worse.State = pb.ReportState_REPORT_STATE_VOIDED
	w.put(t, worse)
	require.Equal(t, []float64{0, 0, 0}, []float64{count("frequency_rate"), count("mtifr"), count("trifr")})
}

func TestDaysThatAreNotSure(t *testing.T) {
	t.Parallel()
	w := workedYear(t)
	open := hurt(0, employee)
	open.Absences = []*pb.Absence{{FirstDate: "2026-07-06"}} // a Monday; today is Wednesday week
	w.injury(t, north, "2026-06-29", open)
	v := w.value(t, as1885, "severity_rate", year)
	require.InDelta(t, 8, v.GetNumerator(), 0, "weekdays 6 to 15 July")
	require.Contains(t, v.GetNotes(), "1 person is still away; days are counted up to 2026-07-15 and will rise.")
	require.Contains(t, v.GetNotes(), "The days of 1 case are estimated: the roster is not recorded, so weekdays were counted.")
}

// TestDaysNotRecorded: a lost-time case lost at least a day, so no day on record
// is a gap and not a zero.
func TestDaysNotRecorded(t *testing.T) {
	t.Parallel()
	w := workedYear(t)
	w.injury(t, north, "2026-03-02", hurt(lostTime, employee))
	for _, id := range []string{"severity_rate", "average_time_lost_rate", "severity_percentage"} {
		v := w.value(t, as1885, id, year)
		require.False(t, v.GetDefined(), id)
		require.Equal(t, "no day away is recorded yet for these lost-time cases", v.GetUndefinedReason())
	}
	require.True(t, w.value(t, as1885, "frequency_rate", year).GetDefined())
	w.injury(t, north, "2026-03-02", away(t, hurt(0, employee), "2026-03-03", 6))
	v := w.value(t, as1885, "average_time_lost_rate", year)
	require.InDelta(t, 3, v.GetValue(), 0)
	require.Contains(t, v.GetNotes(), "No day away is recorded yet for 1 lost-time case: the days are more than is counted here.")
}
