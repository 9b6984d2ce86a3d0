package harm_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// Short names, to keep the tables readable.
const (
	lostTime  = pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME
	permanent = pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY
	death     = pb.OutcomeClass_OUTCOME_CLASS_DEATH
	firstAid  = pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID
	medical   = pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT
	restrict  = pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK
)

func day(s string) harm.Day {
	d, err := harm.ParseDay(s)
	if err != nil {
		panic(err)
	}
	return d
}

// away is an absence; rostered below 0 is not known.
func away(first, back string, rostered int32) *pb.Absence {
	a := &pb.Absence{FirstDate: first, ReturnDate: back}
	if rostered >= 0 {
		a.RosteredDays = proto.Int32(rostered)
	}
	return a
}

func hurt(outcome pb.OutcomeClass, absences ...*pb.Absence) *pb.Harm {
	h := &pb.Harm{Absences: absences}
	if outcome != 0 {
		h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: outcome}}
	}
	return h
}

func Example() {
	h := &pb.Harm{
		OutcomeHistory: []*pb.OutcomeChange{{Outcome: medical}},
		Absences:       []*pb.Absence{away("2026-03-09", "2026-03-16", -1)},
	}
	event, asAt := day("2026-03-06"), day("2026-04-30")
	fmt.Println(harm.Outcome(h, event))
	for _, c := range []harm.Convention{harm.AS1885, harm.US1904} {
		days, estimated, open := harm.LostDays(h, event, c, asAt)
		fmt.Println(c.Name(), days, "estimated:", estimated, "still away:", open)
	}
	// Output:
	// OUTCOME_CLASS_LOST_TIME
	// AS 1885.1-1990 5 estimated: true still away: false
	// 29 CFR 1904 7 estimated: false still away: false
}

// TestPublishedDayCounts checks the counting rules against examples worked out
// outside this project. Ids and dates are those of the project's collection of
// worked examples; the dates were constructed there, the rule is in the source.
func TestPublishedDayCounts(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		id, event, first, back string
		want                   int
		source                 string
	}{
		{"US-DAYS-1", "2026-03-06", "2026-03-07", "2026-03-16", 9,
			"29 CFR 1904.7(b)(3): excluding the day of injury and the day of return; https://www.osha.gov/dte/library/fed_recordkeeping/slide33.html"},
		{"US-DAYS-1, absence entered from the day of injury", "2026-03-06", "2026-03-06", "2026-03-16", 9, "as above"},
		{"US-DAYS-CAP", "2026-01-01", "2026-01-02", "2026-08-31", 180,
			"29 CFR 1904.7(b)(3)(vii): 241 days counted, 180 recorded; https://up.codes/s/is-there-a-limit-to-the-number-of-days-away-from-work-i-must-count"},
		{"US-DAYS-XYEAR", "2025-12-20", "2025-12-21", "2026-01-12", 22,
			"29 CFR 1904.7(b)(3)(ix): all belong to the year of the injury; http://mtasresource.mtas.tennessee.edu/reference/total-number-days-away-work"},
	} {
		t.Run(c.id, func(t *testing.T) {
			t.Parallel()
			d := harm.Count(hurt(lostTime, away(c.first, c.back, -1)), day(c.event), harm.US1904, day("2027-01-01"))
			require.Equal(t, c.want, d.Away, c.source)
			require.Equal(t, c.id == "US-DAYS-CAP", d.Capped)
			require.False(t, d.Estimated, "calendar days need no roster")
		})
	}
	require.Equal(t, 241, int(day("2026-08-31")-day("2026-01-02")), "the example has 241 days")
}

// TestPublishedAverageTimeLost checks the days that enter the average time lost
// rate of AS 1885.1. AS-ATLR-1 and AS-ATLR-FATAL are constructed examples of the
// formula as restated by Safe Work Australia and WorkSafe WA; the 220 days of a
// death are stated in the WA Resources Safety explanatory notes 2004-05
// (https://vdocument.in/06442-br-review-of-serious-injuries-during-2004a05-there-were-316-serious.html).
func TestPublishedAverageTimeLost(t *testing.T) {
	t.Parallel()
	event, asAt := day("2026-01-05"), day("2027-06-30")
	average := func(cases ...*pb.Harm) float64 {
		sum := 0
		for _, h := range cases {
			days, _, _ := harm.LostDays(h, event, harm.AS1885, asAt)
			sum += days
		}
		return float64(sum) / float64(len(cases))
	}
	lost := func(n int32) *pb.Harm { return hurt(lostTime, away("2026-01-06", "2026-06-06", n)) }

	// AS-ATLR-1: 63 days over 5 cases.
	require.InDelta(t, 12.6, average(lost(20), lost(18), lost(14), lost(10), lost(1)), 1e-9)
	// AS-ATLR-FATAL: one death and 30 days over 4 other cases.
	require.InDelta(t, 50.0, average(hurt(death), lost(10), lost(9), lost(8), lost(3)), 1e-9)
}

// TestPublishedOverSevenDays checks the run of consecutive days of RIDDOR 2013
// regulation 4(2): more than seven consecutive days, the day of the accident
// excluded, rest days included; a report is due within 15 days of the accident.
// https://legislation.gov.uk/uksi/2013/1471/regulation/4/2013-10-01/data.htm?view=plain
func TestPublishedOverSevenDays(t *testing.T) {
	t.Parallel()
	accident := day("2026-03-02")
	for _, c := range []struct {
		id, back string
		days     int
		over     bool
	}{
		{"UK-OVER7-NO", "2026-03-10", 7, false},
		{"UK-OVER7-YES", "2026-03-11", 8, true},
	} {
		got, open := harm.ConsecutiveAway(hurt(lostTime, away("2026-03-03", c.back, -1)), accident, day("2026-04-01"), true)
		require.Equal(t, c.days, got, c.id)
		require.Equal(t, c.over, got > 7, c.id)
		require.False(t, open)
	}
	require.Equal(t, "2026-03-17", (accident + 15).String(), "UK-OVER7-YES: due by")
}

// TestPublishedDeathCharges checks what each scheme charges to a death: 220 in
// AS 1885.1 (source above), 6,000 in ANSI Z16.1 and IS 3786
// (http://afaatim.com/content.php?id=123782), none in 29 CFR 1904 (column G has
// no days) and none in the ILO resolution (from memory). WA mining tables leave
// deaths out of duration (source above).
func TestPublishedDeathCharges(t *testing.T) {
	t.Parallel()
	h := hurt(death, away("2026-01-06", "2026-02-06", 20))
	for c, want := range map[harm.Convention]int{
		harm.AS1885: 220, harm.US1904: 0, harm.ILO: 0, harm.Z16: 6000, harm.WAMining: 0,
	} {
		d := harm.Count(h, day("2026-01-05"), c, day("2026-12-31"))
		require.Equal(t, want, d.Away, c.Name())
		require.Equal(t, want > 0, d.Charged, c.Name())
		require.False(t, d.Open, c.Name())
	}
}
