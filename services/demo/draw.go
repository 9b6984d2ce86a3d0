package demo

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
)

// event is one thing that happened, as drawn.
type event struct {
	crew   crew
	month  int // from 1
	kind   pb.ReportKind
	story  *story
	text   string
	at     time.Time // when it happened
	filed  time.Time
	mode   pb.TellerMode
	grave  pb.PotentialSeverity
	spill  int // index into releaseTexts
	group  pb.EmploymentGroup
	harm   [2]string // nature, bodily location
	steps  []step
	coded  time.Time // zero: not coded
	serial int
}

// step is an outcome that held from a day on.
type step struct {
	outcome pb.OutcomeClass
	at      time.Time
	away    int // rostered days lost; 0 none
	open    bool
}

// world is everything drawn.
type world struct {
	start  time.Time // first day of month 1, local midnight
	loc    *time.Location
	events []event
	hours  []hours
}

type hours struct {
	crew        string
	month       time.Time
	group       pb.EmploymentGroup
	worked      float64
	heads       float64
	provisional bool
}

var groups = [3]pb.EmploymentGroup{
	pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE,
	pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE,
	pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR,
}

// luck returns the random source of one thing that is drawn. What happens in a
// month of the world is drawn from its number, crew and story and from nothing
// else: the calendar only says how many hours are worked in it. So the world
// tells the same tale whenever it is started, and a day later it is the same
// world, a day older.
func luck(seed uint64, parts ...any) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprint(h, parts...)
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// draw makes the world that ends at now from a seed: the Months whole months
// before now's month, and this month so far.
func draw(seed uint64, now time.Time, loc *time.Location) world {
	local := now.In(loc)
	w := world{loc: loc, start: time.Date(local.Year(), local.Month()-Months, 1, 0, 0, 0, 0, loc)}
	for _, c := range crews {
		for m := 1; m <= Months+1; m++ {
			first := w.start.AddDate(0, m-1, 0)
			r, total := luck(seed, c.id, " hours ", m), 0.0
			for g, heads := range c.heads {
				if heads == 0 {
					continue
				}
				worked := math.Round(float64(heads) * monthHours(first.Month()) * (0.97 + 0.06*r.Float64()))
				total += worked
				if m <= Months {
					w.hours = append(w.hours, hours{c.id, first, groups[g], worked, float64(heads), m == Months})
				}
			}
			for _, kr := range []struct {
				kind pb.ReportKind
				rate float64
			}{{hurt, c.hurt}, {nearMiss, c.nearMiss}, {hazard, c.hazard}, {damage, c.damage}, {release, c.release}} {
				w.drawKind(seed, c, m, first, kr.kind, kr.rate*total/100_000, local)
			}
		}
	}
	// What has not been told yet by now is not known: this month is drawn whole
	// and cut off.
	slices.SortStableFunc(w.events, func(a, b event) int { return cmp.Compare(a.filed.UnixNano(), b.filed.UnixNano()) })
	for i := range w.events {
		w.events[i].serial = i
	}
	return w
}

// monthHours is what one head works in a month: long summers off, no rain days.
func monthHours(m time.Month) float64 {
	switch m {
	case time.January:
		return 118
	case time.December:
		return 124
	}
	return 150
}

// drawKind draws the events of one kind, crew and month. Each story draws its
// own count, so that a change of one story's rate leaves the others alone.
func (w *world) drawKind(seed uint64, c crew, m int, first time.Time, kind pb.ReportKind, mean float64, now time.Time) {
	list := stories[c.stories]
	weights := 0.0
	for _, s := range list {
		weights += s.weight
	}
	for i := range list {
		s := &list[i]
		share := mean * s.weight / weights
		for _, ch := range c.changes {
			if ch.kind == kind && m >= ch.from && (ch.story == "" || ch.story == s.key) {
				share *= ch.by
			}
		}
		// The same luck with more hours gives as many or more.
		for n := range poisson(luck(seed, c.id, " count ", m, " ", kind, s.key), share) {
			w.add(luck(seed, c.id, " event ", m, " ", kind, s.key, n), c, m, first, kind, s, now)
		}
	}
	if kind == hurt && c.id == "quarry-road-roads" && m == luckyMonth {
		// The month that looks bad: three in one month happen by chance now
		// and then; here they are put in so that every demonstration has one.
		for i := range 3 {
			w.add(luck(seed, c.id, " unlucky ", i), c, m, first, kind, &list[i], now)
			e := &w.events[len(w.events)-1]
			e.steps = []step{{outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, at: e.at, away: 4 + 3*i}}
		}
	}
}

func (w *world) add(r *rand.Rand, c crew, m int, first time.Time, kind pb.ReportKind, s *story, now time.Time) {
	days := first.AddDate(0, 1, 0).Sub(first).Hours() / 24
	at := first.AddDate(0, 0, r.IntN(int(math.Round(days)))).Add(time.Duration(7*60+r.IntN(8*60)) * time.Minute)
	if d := at.Weekday(); d == time.Sunday {
		at = at.AddDate(0, 0, -1)
	}
	if at.Before(first) {
		at = at.AddDate(0, 0, 2)
	}
	lag := time.Duration(5+r.IntN(300)) * time.Minute
	if r.Float64() < 0.12 {
		lag += time.Duration(24*(1+r.IntN(5))) * time.Hour
	}
	e := event{crew: c, month: m, kind: kind, story: s, at: at, filed: at.Add(lag), group: pickGroup(r, c)}
	if e.filed.After(now.Add(-time.Hour)) {
		return
	}
	spot := spots[c.stories][r.IntN(len(spots[c.stories]))]
	switch kind {
	case hurt:
		e.text = pick(r, s.hurt)
		e.harm = s.harms[r.IntN(len(s.harms))]
		e.steps = drawSteps(r, at, now)
	case nearMiss:
		e.text = pick(r, s.nearMiss)
	case hazard:
		e.text = pick(r, s.hazard)
	case damage:
		e.text = pick(r, damageTexts)
	case release:
		e.spill = r.IntN(len(releaseTexts))
		e.text = releaseTexts[e.spill].text
	}
	e.text = strings.ReplaceAll(e.text, "{spot}", spot)
	switch x := r.Float64(); {
	case x < 0.55:
		e.mode = pb.TellerMode_TELLER_MODE_NAMED
	case x < 0.75:
		e.mode = pb.TellerMode_TELLER_MODE_CONFIDENTIAL
	default:
		e.mode = pb.TellerMode_TELLER_MODE_ANONYMOUS
	}
	if r.Float64() < 0.8 {
		e.grave = drawPotential(r, s.grave)
	}
	chance := map[pb.ReportKind]float64{hurt: 0.88, nearMiss: 0.7, hazard: 0.4}[kind]
	if coded := e.filed.AddDate(0, 0, 2+r.IntN(20)); r.Float64() < chance && coded.Before(now) {
		e.coded = coded
	}
	w.events = append(w.events, e)
}

// drawSteps draws how an injury went on.
func drawSteps(r *rand.Rand, at, now time.Time) []step {
	var out []step
	switch x := r.Float64(); {
	case x < 0.62:
		out = []step{{outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID, at: at}}
		if r.Float64() < 0.08 {
			out = append(out, step{outcome: pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT, at: at.AddDate(0, 0, 1+r.IntN(4))})
		}
	case x < 0.80:
		out = []step{{outcome: pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT, at: at}}
		if r.Float64() < 0.08 {
			// It starts late and counts all the same.
			out = append(out, step{outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, at: at.AddDate(0, 0, 5+r.IntN(6)), away: 1 + r.IntN(12)})
		}
	case x < 0.88:
		out = []step{{outcome: pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK, at: at}}
	case x < 0.995:
		away := 1 + int(-9*math.Log(1-r.Float64()))
		out = []step{{outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, at: at, away: min(away, 120)}}
		if back := at.AddDate(0, 0, away*7/5+2); back.After(now) {
			out[0].open = true
		}
	default:
		out = []step{{outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, at: at, away: 90},
			{outcome: pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY, at: at.AddDate(0, 5, 0)}}
	}
	return out
}

func drawPotential(r *rand.Rand, grave float64) pb.PotentialSeverity {
	if r.Float64() < grave {
		if r.Float64() < 0.5 {
			return pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL
		}
		return pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING
	}
	if r.Float64() < 0.4 {
		return pb.PotentialSeverity_POTENTIAL_SEVERITY_SERIOUS
	}
	return pb.PotentialSeverity_POTENTIAL_SEVERITY_MINOR
}

func pickGroup(r *rand.Rand, c crew) pb.EmploymentGroup {
	n := r.IntN(c.heads[0] + c.heads[1] + c.heads[2])
	for g, heads := range c.heads {
		if n < heads {
			return groups[g]
		}
		n -= heads
	}
	return groups[0]
}

func pick(r *rand.Rand, texts []string) string { return texts[r.IntN(len(texts))] }

// poisson draws a Poisson count by inversion; means here are small.
func poisson(r *rand.Rand, mean float64) int {
	u, p, n := r.Float64(), math.Exp(-mean), 0
	for sum := p; u > sum && n < 1000; sum += p {
		n++
		p *= mean / float64(n)
	}
	return n
}

// Invented names, and obviously so.
var (
	firstNames = []string{"Alder", "Banksia", "Clover", "Dune", "Ember", "Fern", "Gully", "Heath", "Iris", "Juniper", "Kestrel", "Larch", "Moss", "Nettle", "Oriel"}
	lastNames  = []string{"Exampleton", "Fauxley", "Inventwood", "Madeupson", "Notreal", "Pretendham", "Sampleford", "Supposewell", "Testerby", "Imaginefield", "Placeholder", "Storybook", "Fableton", "Mockridge"}
)

func personName(i int) string {
	return fmt.Sprintf("%s %s", firstNames[i%len(firstNames)], lastNames[(i/len(firstNames))%len(lastNames)])
}
