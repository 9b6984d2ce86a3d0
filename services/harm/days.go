package harm

import (
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Convention is a way of counting days lost. Each comes from one standard or
// law; see the comment of each value, and [Convention.Name] for what to print.
type Convention int

// Conventions.
const (
	// AS1885 is AS 1885.1-1990: rostered days or shifts, the day of the event
	// not counted; a death is charged 220 working days (WA Resources Safety,
	// explanatory notes 2004-05). A case counts for at most 12 months, 220
	// working days: from memory as a cap for every case.
	AS1885 Convention = iota + 1
	// US1904 is 29 CFR 1904.7(b)(3): calendar days, the day of injury not
	// counted, at most 180 days away and restricted together; nothing is
	// charged to a death.
	US1904
	// ILO is the resolution of the 16th International Conference of Labour
	// Statisticians, 1998: calendar days of temporary incapacity from the day
	// after the accident, up to one year; a death or lasting incapacity is
	// reported apart and charged no days. Calendar days as the unit: from
	// memory.
	ILO
	// Z16 is ANSI Z16.1-1967 (history): calendar days for temporary
	// disability, 6,000 for a death. Its schedule for lasting partial
	// disability needs the part lost, which is not recorded here: such a case
	// gets its calendar days, marked as an estimate.
	Z16
	// WAMining is Schedule 25 of the WHS (Mines) Regulations 2022 (WA): days
	// or shifts after the day of the incident, restricted duties counted
	// apart. Its tables leave deaths out of duration. No cap was found in the
	// text seen.
	WAMining
)

// Name returns what to print beside a figure.
func (c Convention) Name() string {
	switch c {
	case AS1885:
		return "AS 1885.1-1990"
	case US1904:
		return "29 CFR 1904"
	case ILO:
		return "ILO 16th ICLS 1998"
	case Z16:
		return "ANSI Z16.1-1967"
	case WAMining:
		return "WA WHS (Mines) Regulations 2022"
	}
	return "no convention"
}

// Charges and caps, in days of the convention.
const (
	deathAS1885 = 220
	capAS1885   = 220
	capUS1904   = 180
	yearILO     = 365
	deathZ16    = 6000
)

// Days is what a harm cost in time, by one convention.
type Days struct {
	// Away are the days lost, or charged.
	Away int
	// Restricted are the days on restricted or changed duties, always
	// counted apart from Away.
	Restricted int
	// Estimated says that a roster was not known and weekdays stood in for
	// it, or that a charge of the convention could not be worked out.
	Estimated bool
	// Open says that on the day asAt the person was away: the number may grow.
	Open bool
	// Charged says that the days are a scheduled charge, not days counted.
	Charged bool
	// Capped says that more days were lost than the convention counts.
	Capped bool
}

// LostDays returns the days lost to a harm by a convention: the Away,
// Estimated and Open of [Count].
func LostDays(h *pb.Harm, event Day, c Convention, asAt Day) (days int, estimated, open bool) {
	d := Count(h, event, c, asAt)
	return d.Away, d.Estimated, d.Open
}

// Count works out the days lost to a harm by a convention.
//
// event is the day of the event; it and days before it never count. NoDay for
// an event whose day is not known excludes nothing. asAt is the last day that
// is counted; a person who was away on it is still away. Periods
// whose dates cannot be read are left out: filing refuses them.
//
// Where the roster is known, its days count, but never more than the period has
// calendar days after the event. Where it is not, Monday to Friday count and
// the figure is an estimate; a case with a day away, all of them at weekends,
// counts one day, since the absence itself says that a day or shift was lost.
func Count(h *pb.Harm, event Day, c Convention, asAt Day) Days {
	outcome := Outcome(h, event)
	away, duties := spans(h.GetAbsences(), event, asAt), spans(h.GetRestrictions(), event, asAt)
	open := isOpen(away)
	death := outcome == pb.OutcomeClass_OUTCOME_CLASS_DEATH
	lasting := outcome == pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY
	switch c {
	case AS1885, WAMining:
		d := Days{Open: open}
		var guess bool
		d.Away, d.Estimated = rosterDays(away)
		d.Restricted, guess = rosterDays(duties)
		switch {
		case c == AS1885 && death:
			return Days{Away: deathAS1885, Charged: true, Restricted: d.Restricted, Estimated: guess}
		case c == WAMining && death:
			return Days{Restricted: d.Restricted, Estimated: guess}
		case c == AS1885 && d.Away > capAS1885:
			d.Away, d.Capped = capAS1885, true
		}
		return d
	case US1904:
		d := Days{Open: open}
		d.Away, d.Restricted, d.Capped = calendarDays(away, duties, capUS1904)
		if death {
			return Days{}
		}
		return d
	case ILO:
		d := Days{Open: open}
		d.Away, d.Restricted, d.Capped = withinYear(away, duties, event)
		if death || lasting {
			return Days{}
		}
		return d
	case Z16:
		if death {
			return Days{Away: deathZ16, Charged: true}
		}
		d := Days{Open: open, Estimated: lasting}
		d.Away, d.Restricted, _ = calendarDays(away, duties, -1)
		return d
	}
	return Days{}
}

// rosterDays counts days or shifts by the roster, or weekdays in its place.
func rosterDays(periods []span) (days int, estimated bool) {
	guessed := false
	for _, s := range periods {
		length := int(s.end - s.first)
		switch {
		case length <= 0:
		case s.rostered.known && length >= s.total:
			days += min(s.rostered.days, length)
		case s.rostered.known:
			// Only part of the period is in sight, and the roster's number is
			// for the whole of it: take its share, rounded up.
			days += (min(s.rostered.days, s.total)*length + s.total - 1) / s.total
			estimated = true
		default:
			days += weekdays(s.first, s.end)
			estimated, guessed = true, true
		}
	}
	if guessed && days == 0 {
		days = 1
	}
	return days, estimated
}

// calendarDays counts calendar days away and on restricted duties, in order of
// the calendar, until together they reach most; -1 is no cap. A day that is in
// both is a day away.
func calendarDays(away, duties []span, most int) (daysAway, daysRestricted int, capped bool) {
	type piece struct {
		first, end Day
		away       bool
	}
	var pieces []piece
	for _, s := range away {
		pieces = append(pieces, piece{s.first, s.end, true})
	}
	for _, d := range duties {
		first := d.first
		for _, s := range away {
			if s.end <= first || s.first >= d.end {
				continue
			}
			if s.first > first {
				pieces = append(pieces, piece{first, s.first, false})
			}
			first = max(first, s.end)
		}
		if first < d.end {
			pieces = append(pieces, piece{first, d.end, false})
		}
	}
	slices.SortFunc(pieces, func(a, b piece) int { return int(a.first - b.first) })
	for _, p := range pieces {
		n := max(0, int(p.end-p.first))
		if most >= 0 && n > most-daysAway-daysRestricted {
			n, capped = most-daysAway-daysRestricted, true
		}
		if p.away {
			daysAway += n
		} else {
			daysRestricted += n
		}
	}
	return daysAway, daysRestricted, capped
}

// withinYear counts the calendar days that fall in the year after the accident;
// where its day is not known, in the year from the first day away.
func withinYear(away, duties []span, event Day) (daysAway, daysRestricted int, capped bool) {
	if event == NoDay && len(away) > 0 {
		event = away[0].first - 1
	}
	if event != NoDay {
		for _, list := range [][]span{away, duties} {
			for i := range list {
				if limit := event + 1 + yearILO; list[i].end > limit {
					list[i].end, capped = max(limit, list[i].first), true
				}
			}
		}
	}
	daysAway, daysRestricted, _ = calendarDays(away, duties, -1)
	return daysAway, daysRestricted, capped
}

// ConsecutiveAway returns the longest run of consecutive calendar days after the
// event on which the person was away from work; withRestricted also counts days
// on restricted duties. Days off count: rules such as regulation 4(2) of the
// British RIDDOR 2013 (over seven days) and absence tests of other laws are
// met by calendar days. open says that the longest run reaches asAt.
func ConsecutiveAway(h *pb.Harm, event, asAt Day, withRestricted bool) (days int, open bool) {
	list := spans(h.GetAbsences(), event, asAt)
	if withRestricted {
		list = append(list, spans(h.GetRestrictions(), event, asAt)...)
	}
	slices.SortFunc(list, func(a, b span) int { return int(a.first - b.first) })
	var first, end Day
	var runOpen bool
	for i, s := range list {
		if i == 0 || s.first > end {
			first, end, runOpen = s.first, s.end, s.open
		} else if s.end > end {
			end, runOpen = s.end, s.open
		} else if s.end == end {
			runOpen = runOpen || s.open
		}
		if n := int(end - first); n > days || n == days && runOpen {
			days, open = n, runOpen
		}
	}
	return days, open
}
