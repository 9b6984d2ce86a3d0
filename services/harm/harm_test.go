package harm_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

var all = []harm.Convention{harm.AS1885, harm.US1904, harm.ILO, harm.Z16, harm.WAMining}

func TestOutcome(t *testing.T) {
	t.Parallel()
	event := day("2026-03-06") // a Friday
	history := func(list ...pb.OutcomeClass) *pb.Harm {
		h := &pb.Harm{}
		for _, o := range list {
			h.OutcomeHistory = append(h.OutcomeHistory, &pb.OutcomeChange{Outcome: o})
		}
		return h
	}
	with := func(h *pb.Harm, absences, duties []*pb.Absence) *pb.Harm {
		h.Absences, h.Restrictions = absences, duties
		return h
	}
	periods := func(list ...*pb.Absence) []*pb.Absence { return list }
	for name, c := range map[string]struct {
		h     *pb.Harm
		event harm.Day
		want  pb.OutcomeClass
	}{
		"nothing said":                    {&pb.Harm{}, event, 0},
		"last entry, not the worst":       {history(death, medical), event, medical},
		"absence makes it lost time":      {with(history(firstAid), periods(away("2026-03-09", "2026-03-10", -1)), nil), event, lostTime},
		"absence that starts late":        {with(history(firstAid), periods(away("2026-05-04", "2026-05-05", 1)), nil), event, lostTime},
		"still away":                      {with(history(), periods(away("2026-03-09", "", -1)), nil), event, lostTime},
		"only the day of the event":       {with(history(medical), periods(away("2026-03-06", "2026-03-07", 1)), nil), event, medical},
		"no shift on the roster":          {with(history(medical), periods(away("2026-03-07", "2026-03-09", 0)), nil), event, medical},
		"weekend, roster not known":       {with(history(medical), periods(away("2026-03-07", "2026-03-09", -1)), nil), event, lostTime},
		"restricted duties":               {with(history(medical), nil, periods(away("2026-03-09", "2026-03-10", -1))), event, restrict},
		"absence before restricted":       {with(history(), periods(away("2026-03-09", "2026-03-10", 1)), periods(away("2026-03-10", "", -1))), event, lostTime},
		"worse than the absence":          {with(history(death), periods(away("2026-03-09", "2026-03-10", 1)), nil), event, death},
		"lasting stays lasting":           {with(history(permanent), periods(away("2026-03-09", "", -1)), nil), event, permanent},
		"event day not known":             {with(history(), periods(away("2026-03-06", "2026-03-07", -1)), nil), harm.NoDay, lostTime},
		"dates nobody can read":           {with(history(medical), periods(away("soon", "", -1), away("2026-03-09", "later", -1)), nil), event, medical},
		"no harm at all":                  {nil, event, 0},
		"treatment alone decides nothing": {&pb.Harm{Treatment: pb.Treatment_TREATMENT_MEDICAL}, event, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, harm.Outcome(c.h, c.event))
		})
	}
}

func TestCount(t *testing.T) {
	t.Parallel()
	event, later := day("2026-03-06"), day("2026-12-31") // a Friday
	for name, c := range map[string]struct {
		h    *pb.Harm
		conv harm.Convention
		asAt harm.Day
		want harm.Days
	}{
		"roster known":                         {hurt(0, away("2026-03-07", "2026-03-16", 6)), harm.AS1885, later, harm.Days{Away: 6}},
		"roster not known: weekdays":           {hurt(0, away("2026-03-07", "2026-03-16", -1)), harm.AS1885, later, harm.Days{Away: 5, Estimated: true}},
		"roster longer than the period":        {hurt(0, away("2026-03-07", "2026-03-09", 9)), harm.AS1885, later, harm.Days{Away: 2}},
		"weekend only, roster not known":       {hurt(0, away("2026-03-07", "2026-03-09", -1)), harm.AS1885, later, harm.Days{Away: 1, Estimated: true}},
		"a death is charged, and final":        {hurt(death, away("2026-03-07", "", -1)), harm.AS1885, later, harm.Days{Away: 220, Charged: true}},
		"more than a year":                     {hurt(lostTime, away("2026-03-07", "2027-06-01", -1)), harm.AS1885, day("2027-12-31"), harm.Days{Away: 220, Estimated: true, Capped: true}},
		"still away":                           {hurt(0, away("2026-03-09", "", -1)), harm.AS1885, day("2026-03-12"), harm.Days{Away: 4, Estimated: true, Open: true}},
		"away as at then, back since":          {hurt(0, away("2026-03-09", "2026-03-16", 5)), harm.AS1885, day("2026-03-11"), harm.Days{Away: 3, Estimated: true, Open: true}},
		"not yet away as at then":              {hurt(0, away("2026-05-04", "2026-05-06", 2)), harm.AS1885, day("2026-04-30"), harm.Days{}},
		"us: away and restricted, in order":    {&pb.Harm{Absences: []*pb.Absence{away("2026-03-07", "2026-03-17", -1)}, Restrictions: []*pb.Absence{away("2026-03-17", "2026-10-01", -1)}}, harm.US1904, later, harm.Days{Away: 10, Restricted: 170, Capped: true}},
		"us: restricted first uses up the cap": {&pb.Harm{Restrictions: []*pb.Absence{away("2026-03-07", "2026-09-03", -1)}, Absences: []*pb.Absence{away("2026-09-10", "2026-09-20", -1)}}, harm.US1904, later, harm.Days{Restricted: 180, Capped: true}},
		"us: a day in both is a day away":      {&pb.Harm{Restrictions: []*pb.Absence{away("2026-03-07", "2026-03-17", -1)}, Absences: []*pb.Absence{away("2026-03-10", "2026-03-12", -1)}}, harm.US1904, later, harm.Days{Away: 2, Restricted: 8}},
		"ilo: a year and no more":              {hurt(0, away("2026-03-07", "2027-06-01", -1)), harm.ILO, day("2027-12-31"), harm.Days{Away: 365, Capped: true}},
		"ilo: recurrences add up":              {hurt(0, away("2026-03-07", "2026-03-10", -1), away("2026-04-01", "2026-04-03", -1)), harm.ILO, later, harm.Days{Away: 5}},
		"ilo: lasting incapacity apart":        {hurt(permanent, away("2026-03-07", "2026-03-10", -1)), harm.ILO, later, harm.Days{}},
		"z16: calendar days":                   {hurt(0, away("2026-03-07", "2026-03-16", 5)), harm.Z16, later, harm.Days{Away: 9}},
		"z16: lasting, schedule not known":     {hurt(permanent, away("2026-03-07", "2026-03-16", 5)), harm.Z16, later, harm.Days{Away: 9, Estimated: true}},
		"wa mining: no cap, duties apart":      {&pb.Harm{Absences: []*pb.Absence{away("2026-03-07", "2027-03-07", 250)}, Restrictions: []*pb.Absence{away("2027-03-07", "2027-03-14", 5)}}, harm.WAMining, day("2027-12-31"), harm.Days{Away: 250, Restricted: 5}},
		"overlap counts once":                  {hurt(0, away("2026-03-07", "2026-03-10", -1), away("2026-03-08", "2026-03-11", -1)), harm.US1904, later, harm.Days{Away: 4}},
		"no convention":                        {hurt(0, away("2026-03-07", "2026-03-10", -1)), 0, later, harm.Days{}},
		"no harm":                              {nil, harm.AS1885, later, harm.Days{}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, harm.Count(c.h, event, c.conv, c.asAt))
		})
	}
}

func TestConsecutiveAway(t *testing.T) {
	t.Parallel()
	event := day("2026-03-02")
	h := &pb.Harm{
		Absences:     []*pb.Absence{away("2026-03-03", "2026-03-06", -1), away("2026-03-20", "", -1)},
		Restrictions: []*pb.Absence{away("2026-03-06", "2026-03-12", -1)},
	}
	got, open := harm.ConsecutiveAway(h, event, day("2026-03-23"), false)
	require.Equal(t, 4, got)
	require.True(t, open)
	got, open = harm.ConsecutiveAway(h, event, day("2026-03-23"), true)
	require.Equal(t, 9, got)
	require.False(t, open)
	got, _ = harm.ConsecutiveAway(nil, event, day("2026-03-23"), true)
	require.Zero(t, got)
}

// someHarm draws periods that do not overlap, some touching, some open.
func someHarm(t *rapid.T, event harm.Day) *pb.Harm {
	h := &pb.Harm{}
	next := event + harm.Day(rapid.IntRange(0, 20).Draw(t, "late"))
	n := rapid.IntRange(1, 4).Draw(t, "periods")
	for i := range n {
		length := rapid.IntRange(1, 200).Draw(t, "length")
		a := &pb.Absence{FirstDate: next.String(), ReturnDate: (next + harm.Day(length)).String()}
		if rapid.Bool().Draw(t, "roster known") {
			a.RosteredDays = proto.Int32(int32(rapid.IntRange(0, length).Draw(t, "rostered")))
		}
		if i == n-1 && rapid.Bool().Draw(t, "still away") {
			a.ReturnDate, a.RosteredDays = "", nil
		}
		h.Absences = append(h.Absences, a)
		next += harm.Day(length + rapid.IntRange(0, 30).Draw(t, "gap"))
	}
	if rapid.Bool().Draw(t, "duties") {
		first := event + harm.Day(rapid.IntRange(0, 300).Draw(t, "duties from"))
		h.Restrictions = []*pb.Absence{{FirstDate: first.String(), ReturnDate: (first + harm.Day(rapid.IntRange(1, 300).Draw(t, "duties"))).String()}}
	}
	return h
}

func TestDayOfEventNeverCounts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		event := harm.Date(2026, 1, rapid.IntRange(1, 28).Draw(t, "day"))
		h := someHarm(t, event+1)
		asAt := event + harm.Day(rapid.IntRange(0, 900).Draw(t, "as at"))
		// The same harm, its first period entered as if it began on the day of
		// the event.
		early := proto.Clone(h).(*pb.Harm)
		first := day(early.Absences[0].FirstDate)
		early.Absences = append([]*pb.Absence{{FirstDate: event.String(), ReturnDate: (event + 1).String(), RosteredDays: proto.Int32(1)}}, early.Absences...)
		if first == event+1 {
			early.Absences = early.Absences[1:]
			early.Absences[0].FirstDate = event.String()
		}
		for _, c := range all {
			if a, b := harm.Count(h, event, c, asAt), harm.Count(early, event, c, asAt); a != b {
				t.Fatalf("%s: %+v without the day of the event, %+v with it", c.Name(), a, b)
			}
		}
		if harm.Outcome(h, event) != harm.Outcome(early, event) {
			t.Fatal("the day of the event changed the outcome")
		}
	})
}

func TestSplittingChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		event := harm.Date(2026, 1, rapid.IntRange(1, 28).Draw(t, "day"))
		h := someHarm(t, event)
		asAt := event + harm.Day(rapid.IntRange(0, 900).Draw(t, "as at"))
		i := rapid.IntRange(0, len(h.Absences)-1).Draw(t, "which")
		a := h.Absences[i]
		a.RosteredDays = nil // whoever splits a rostered period splits its number too
		end := day(a.FirstDate) + 500
		if a.ReturnDate != "" {
			end = day(a.ReturnDate)
		}
		at := day(a.FirstDate) + harm.Day(rapid.IntRange(1, 400).Draw(t, "at"))
		if at >= end {
			return
		}
		split := proto.Clone(h).(*pb.Harm)
		split.Absences[i].ReturnDate = at.String()
		split.Absences = append(split.Absences, &pb.Absence{FirstDate: at.String(), ReturnDate: a.ReturnDate})
		for _, c := range all {
			if x, y := harm.Count(h, event, c, asAt), harm.Count(split, event, c, asAt); x != y {
				t.Fatalf("%s: %+v whole, %+v in two parts", c.Name(), x, y)
			}
		}
		n, open := harm.ConsecutiveAway(h, event, asAt, true)
		m, stillOpen := harm.ConsecutiveAway(split, event, asAt, true)
		if n != m || open != stillOpen {
			t.Fatalf("run of %d whole, %d in two parts", n, m)
		}
	})
}

func TestLongerNeverCountsLess(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		event := harm.Date(2026, 1, rapid.IntRange(1, 28).Draw(t, "day"))
		h := someHarm(t, event)
		asAt := event + harm.Day(rapid.IntRange(0, 900).Draw(t, "as at"))
		last := h.Absences[len(h.Absences)-1]
		if last.ReturnDate == "" {
			return
		}
		longer := proto.Clone(h).(*pb.Harm)
		more := longer.Absences[len(longer.Absences)-1]
		k := rapid.IntRange(0, 60).Draw(t, "more")
		more.ReturnDate = (day(last.ReturnDate) + harm.Day(k)).String()
		if more.RosteredDays != nil {
			*more.RosteredDays += int32(k)
		}
		for _, c := range all {
			a, b := harm.Count(h, event, c, asAt), harm.Count(longer, event, c, asAt)
			if b.Away < a.Away {
				t.Fatalf("%s: %d days, and %d when longer", c.Name(), a.Away, b.Away)
			}
			if later := harm.Count(h, event, c, asAt+10); later.Away < a.Away {
				t.Fatalf("%s: %d days, and %d ten days later", c.Name(), a.Away, later.Away)
			}
		}
		if harm.Outcome(longer, event) < harm.Outcome(h, event) {
			t.Fatal("a longer absence made the outcome milder")
		}
	})
}

func TestCaps(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		event := harm.Date(2026, 1, rapid.IntRange(1, 28).Draw(t, "day"))
		h := someHarm(t, event)
		asAt := event + harm.Day(rapid.IntRange(0, 2000).Draw(t, "as at"))
		as, us, ilo := harm.Count(h, event, harm.AS1885, asAt), harm.Count(h, event, harm.US1904, asAt), harm.Count(h, event, harm.ILO, asAt)
		if as.Away > 220 || us.Away+us.Restricted > 180 || ilo.Away > 365 {
			t.Fatalf("over a cap: %+v %+v %+v", as, us, ilo)
		}
		for _, c := range all {
			d := harm.Count(h, event, c, asAt)
			if d.Away < 0 || d.Restricted < 0 {
				t.Fatalf("%s: less than nothing: %+v", c.Name(), d)
			}
			if days, estimated, open := harm.LostDays(h, event, c, asAt); days != d.Away || estimated != d.Estimated || open != d.Open {
				t.Fatal("LostDays and Count disagree")
			}
		}
	})
}

func TestDay(t *testing.T) {
	t.Parallel()
	for _, bad := range []string{"", "2026-02-30", "2026-2-3", "26-02-03", "2026-02-03T00:00:00Z", "today"} {
		_, err := harm.ParseDay(bad)
		require.Error(t, err, bad)
	}
	require.Equal(t, time.Thursday, harm.Day(0).Weekday())
	require.Equal(t, "not known", harm.NoDay.String())
	rapid.Check(t, func(t *rapid.T) {
		// 1900 to 2100, both sides of 1970.
		d := harm.Day(rapid.IntRange(-25567, 47482).Draw(t, "day"))
		back, err := harm.ParseDay(d.String())
		if err != nil || back != d {
			t.Fatalf("%d reads back as %d, %v", d, back, err)
		}
		zone := time.FixedZone("there", rapid.IntRange(-12*3600, 14*3600).Draw(t, "offset"))
		if got := harm.DayOf(d.In(zone), zone); got != d {
			t.Fatalf("the beginning of %s falls on %s", d, got)
		}
		if got := harm.DayOf(d.In(zone).Add(24*time.Hour-time.Second), zone); got != d {
			t.Fatalf("the end of %s falls on %s", d, got)
		}
	})
}
