package measure

import (
	"fmt"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// exposure is the hours and heads of a scope by month: what stands below the
// line, and for whom.
//
// Hours are kept as blocks: one workplace, one employment group, one month. Who
// has had a block at a workplace is expected to have one every month after,
// until the workplace closes; a month in which one is missing is a month
// without hours, because part of the people would stand above the line only. A
// group or a place that never had a block is left out above the line as well.
type exposure struct {
	s *Service
	q *question
	// groups that are counted, above and below the line.
	groups []pb.EmploymentGroup

	hours, heads      []float64
	noHours, noHeads  []bool
	provisional       []bool
	keptAbove         []bool // no block in the scope, but one above it
	above             string // the workplace above that keeps them
	blocks            map[block]*pb.Hours
	byMonth           map[month][]*pb.Hours // blocks in the scope, of counted groups
	first             map[unit]month
	lacking, starting []string // notes: what is missing, what begins later
	overlaps          int
	seen              map[coverKey]cover
}

// block is where one row of hours belongs.
type block struct {
	unit
	month month
}

// unit is one group of people at one workplace.
type unit struct {
	workplace string
	group     pb.EmploymentGroup
}

// worked are the groups that work hours.
var worked = []pb.EmploymentGroup{
	pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE,
	pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR, pb.EmploymentGroup_EMPLOYMENT_GROUP_VOLUNTEER,
}

// expose adds up the hours of a question's scope and finds what is missing.
func (s *Service) expose(q *question, rows []*pb.Hours) *exposure {
	n := q.period.len()
	e := &exposure{s: s, q: q, hours: make([]float64, n), heads: make([]float64, n), noHours: make([]bool, n), noHeads: make([]bool, n),
		provisional: make([]bool, n), keptAbove: make([]bool, n), blocks: map[block]*pb.Hours{}, byMonth: map[month][]*pb.Hours{},
		first: map[unit]month{}, seen: map[coverKey]cover{}}
	var higher []*pb.Hours
	for _, h := range rows {
		m, ok := parseMonth(h.GetMonth())
		if !ok || m >= q.period.end {
			continue
		}
		if !s.inScope(q, h.GetWorkplace()) {
			higher = append(higher, h)
			continue
		}
		u := unit{h.GetWorkplace(), h.GetEmploymentGroup()}
		if was, ok := e.first[u]; !ok || m < was {
			e.first[u] = m
		}
		e.blocks[block{u, m}] = h
	}
	e.pickGroups()
	for _, h := range rows {
		if m, ok := parseMonth(h.GetMonth()); ok && q.period.has(m) && s.inScope(q, h.GetWorkplace()) && slices.Contains(e.groups, h.GetEmploymentGroup()) {
			e.add(m, h)
		}
	}
	e.findGaps()
	e.lookAbove(higher)
	return e
}

// pickGroups decides who is counted: who was asked for, else who has hours, else
// (no hours at all) whoever works hours.
func (e *exposure) pickGroups() {
	if e.groups = e.q.groups; len(e.groups) > 0 {
		return
	}
	for _, g := range worked {
		for u := range e.first {
			if u.group == g {
				e.groups = append(e.groups, g)
				break
			}
		}
	}
	if len(e.groups) == 0 {
		e.groups = worked
	}
}

func (e *exposure) add(m month, h *pb.Hours) {
	// The hours room keeps one level of a branch only; should two ever be
	// there, the upper one counts, so that no hour counts twice.
	for _, above := range e.s.tree.Path(h.GetWorkplace()) {
		if above != h.GetWorkplace() && e.blocks[block{unit{above, h.GetEmploymentGroup()}, m}] != nil {
			e.overlaps++
			return
		}
	}
	i := e.q.period.index(m)
	e.hours[i] += h.GetHoursWorked()
	e.heads[i] += h.GetHeadCount()
	if h.HeadCount == nil {
		e.noHeads[i] = true
	}
	if h.GetStatus() == pb.HoursStatus_HOURS_STATUS_PROVISIONAL {
		e.provisional[i] = true
	}
	e.byMonth[m] = append(e.byMonth[m], h)
}

// findGaps marks the months that lack a block.
func (e *exposure) findGaps() {
	units := make([]unit, 0, len(e.first))
	for u := range e.first {
		if slices.Contains(e.groups, u.group) {
			units = append(units, u)
		}
	}
	slices.SortFunc(units, func(a, b unit) int {
		if d := strings.Compare(a.workplace, b.workplace); d != 0 {
			return d
		}
		return int(a.group - b.group)
	})
	for i := range e.noHours {
		m := e.q.period.start + month(i)
		e.noHours[i] = len(e.byMonth[m]) == 0
		// Whoever asks for a group by name wants that group whole.
		for _, g := range e.q.groups {
			if !slices.ContainsFunc(e.byMonth[m], func(h *pb.Hours) bool { return h.GetEmploymentGroup() == g }) {
				e.noHours[i] = true
			}
		}
	}
	for _, u := range units {
		lacks := make([]bool, len(e.noHours))
		for i := range lacks {
			m := e.q.period.start + month(i)
			if m >= e.first[u] && !e.onBranch(u, m) && !e.s.tree.ClosedAt(u.workplace, m.start()) {
				lacks[i], e.noHours[i] = true, true
			}
		}
		if anyOf(lacks) {
			e.lacking = append(e.lacking, fmt.Sprintf("No hours for %s: %s, %s. If nobody worked, bring in 0.",
				e.q.period.inWords(lacks), e.s.title(u.workplace), groupWords(u.group)))
		}
		if e.first[u] > e.q.period.start && !e.anyBefore(u) {
			e.starting = append(e.starting, fmt.Sprintf("The hours of %s, %s, begin in %s; the months before are counted without them.",
				e.s.title(u.workplace), groupWords(u.group), e.first[u]))
		}
	}
	for i := range e.noHeads {
		e.noHeads[i] = e.noHeads[i] || e.noHours[i]
	}
}

// anyBefore says whether the hours of a unit were kept at another level of its
// branch before it had its own.
func (e *exposure) anyBefore(u unit) bool {
	for m := e.q.period.start; m < e.first[u]; m++ {
		if e.onBranch(u, m) {
			return true
		}
	}
	return false
}

// onBranch says whether a month has a block of the unit's group at its workplace,
// above it in the scope, or below it.
func (e *exposure) onBranch(u unit, m month) bool {
	return e.blocks[block{u, m}] != nil || slices.ContainsFunc(e.byMonth[m], func(h *pb.Hours) bool {
		return h.GetEmploymentGroup() == u.group && e.sameBranch(h.GetWorkplace(), u.workplace)
	})
}

func (e *exposure) sameBranch(a, b string) bool {
	return a == b || e.s.tree.Within(a, b) || e.s.tree.Within(b, a)
}

// lookAbove finds months whose hours are kept above the scope only.
func (e *exposure) lookAbove(rows []*pb.Hours) {
	for _, h := range rows {
		m, _ := parseMonth(h.GetMonth())
		if !e.q.period.has(m) || !slices.Contains(e.groups, h.GetEmploymentGroup()) {
			continue
		}
		if i := e.q.period.index(m); len(e.byMonth[m]) == 0 {
			e.keptAbove[i], e.above = true, h.GetWorkplace()
		}
	}
}

// cover says how people and hours of a place, group and month stand together.
type cover int

const (
	covered  cover = iota // there are hours for them
	missing               // hours are kept for them, but not for this month
	neverHad              // no hours are kept for them
	notAsked              // their group is not counted
)

type coverKey struct {
	unit
	month month
	heads bool
}

// anyGroup stands for reports, which belong to no group.
const anyGroup = pb.EmploymentGroup(-1)

// covers says whether there are hours (or heads) for a person hurt, or for a
// report, at a place in a month of the period.
func (e *exposure) covers(workplace string, g pb.EmploymentGroup, m month, heads bool) cover {
	if g != anyGroup && !slices.Contains(e.groups, g) {
		return notAsked
	}
	key := coverKey{unit{workplace, g}, m, heads}
	c, ok := e.seen[key]
	if !ok {
		c = e.find(key)
		e.seen[key] = c
	}
	return c
}

func (e *exposure) find(k coverKey) cover {
	for _, h := range e.byMonth[k.month] {
		if (k.group == anyGroup || h.GetEmploymentGroup() == k.group) && e.sameBranch(h.GetWorkplace(), k.workplace) && (!k.heads || h.HeadCount != nil) {
			return covered
		}
	}
	kept := false
	for u := range e.first {
		if k.group == anyGroup || u.group == k.group {
			kept = true
			if e.sameBranch(u.workplace, k.workplace) {
				return missing
			}
		}
	}
	if !kept {
		return missing // nobody's hours are kept: say so, and keep the count
	}
	return neverHad
}

// reason says why there is no exposure for the months that are marked.
func (e *exposure) reason(lack []bool, what string) string {
	allAbove := true
	for i, l := range lack {
		allAbove = allAbove && (!l || e.keptAbove[i])
	}
	if allAbove && e.above != "" {
		return fmt.Sprintf("%s are kept at %s, not at %s; ask for %s, or keep %s at the lower level",
			what, e.s.title(e.above), list(e.s.titles(e.q.scope)), e.s.title(e.above), what)
	}
	return "no " + what + " for " + e.q.period.inWords(lack)
}
