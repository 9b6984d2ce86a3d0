package facts

import (
	"math"

	pb "fairlead/proto/gen/fairlead/v1"
)

// free marks a row of hurtColumns that belongs to no report.
const free = uint32(math.MaxUint32)

// Sizes of the enums that are kept in a byte or a bit of one. A value from a
// newer contract counts as unknown until this program knows it.
const (
	outcomeCount   = int(pb.OutcomeClass_OUTCOME_CLASS_DEATH) + 1
	groupCount     = int(pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC) + 1
	kindCount      = int(pb.ReportKind_REPORT_KIND_NOT_SURE) + 1
	potentialCount = int(pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL) + 1
)

// What is marked of a row besides its values.
const (
	illness    uint8 = 1 << iota
	away             // the row has an entry in hurtColumns.away
	unreviewed       // the codes come from a crosswalk that nobody has reviewed
)

// hurtColumns has one row per person hurt.
type hurtColumns struct {
	report  []uint32
	harm    []uint32 // harm id
	outcome []uint8
	group   []uint8
	marks   []uint8
	codes   [facets][]uint16

	// away holds, for rows marked so, what lost days are counted from, for the few who have any.
	// A message is replaced, never changed: readers keep it after the lock.
	away map[uint32]*pb.Harm
	// plain holds the message of everybody else, one per combination.
	plain [outcomeCount][groupCount][2]*pb.Harm
	// unused lists freed runs of rows by their length.
	unused map[int][]uint32
}

func (p *hurtColumns) init() {
	p.away = map[uint32]*pb.Harm{}
	p.unused = map[int][]uint32{}
	for o := range p.plain {
		for g := range p.plain[o] {
			for i := range p.plain[o][g] {
				p.plain[o][g][i] = trimmed(pb.OutcomeClass(o), pb.EmploymentGroup(g), i == 1)
			}
		}
	}
}

func (p *hurtColumns) len() int { return len(p.report) }

// take returns the first of n neighbouring rows for a report.
func (p *hurtColumns) take(n int, report uint32) uint32 {
	start := uint32(len(p.report))
	if runs := p.unused[n]; len(runs) > 0 {
		start, p.unused[n] = runs[len(runs)-1], runs[:len(runs)-1]
	} else {
		for range n {
			p.report = append(p.report, free)
			p.harm = append(p.harm, 0)
			p.outcome = append(p.outcome, 0)
			p.group = append(p.group, 0)
			p.marks = append(p.marks, 0)
			for i := range p.codes {
				p.codes[i] = append(p.codes[i], 0)
			}
		}
	}
	for h := start; h < start+uint32(n); h++ {
		p.report[h] = report
	}
	return start
}

// give frees the n rows from start on.
func (p *hurtColumns) give(start uint32, n int) {
	if n == 0 {
		return
	}
	for h := start; h < start+uint32(n); h++ {
		p.report[h] = free
		delete(p.away, h)
	}
	p.unused[n] = append(p.unused[n], start)
}

func (p *hurtColumns) set(h uint32, harmID uint32, m *pb.Harm, codes codeSet) {
	p.harm[h] = harmID
	p.outcome[h] = small(m.GetOutcome(), outcomeCount)
	p.group[h] = small(m.GetEmploymentGroup(), groupCount)
	p.marks[h] = 0
	if m.GetIllness() {
		p.marks[h] = illness
	}
	p.setCodes(h, codes)
	delete(p.away, h)
	if len(m.GetAbsences())+len(m.GetRestrictions()) > 0 || m.GetDeathDate() != "" {
		t := trimmed(m.GetOutcome(), m.GetEmploymentGroup(), m.GetIllness())
		t.Absences, t.Restrictions, t.DeathDate = m.GetAbsences(), m.GetRestrictions(), m.GetDeathDate()
		p.away[h] = t
		p.marks[h] |= away
	}
}

// trimmed returns a harm without anything that says who or what was hurt. The
// history holds the outcome as it stands, because days are counted from it.
func trimmed(o pb.OutcomeClass, g pb.EmploymentGroup, illness bool) *pb.Harm {
	h := &pb.Harm{Outcome: o, EmploymentGroup: g, Illness: illness}
	if o != pb.OutcomeClass_OUTCOME_CLASS_UNSPECIFIED {
		h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: o}}
	}
	return h
}

func (p *hurtColumns) setCodes(h uint32, codes codeSet) {
	for i, code := range codes.of {
		p.codes[i][h] = code
	}
	p.marks[h] &^= unreviewed
	if codes.unreviewed {
		p.marks[h] |= unreviewed
	}
}

func (p *hurtColumns) codesOf(h uint32) (out codeSet) {
	for i := range out.of {
		out.of[i] = p.codes[i][h]
	}
	out.unreviewed = p.marks[h]&unreviewed != 0
	return out
}

// message returns what measures need to know of a person hurt.
func (p *hurtColumns) message(h uint32) *pb.Harm {
	if p.marks[h]&away != 0 {
		return p.away[h]
	}
	return p.plain[p.outcome[h]][p.group[h]][p.marks[h]&illness]
}

// small returns an enum value in a byte; what is out of range is unknown.
func small[E ~int32](v E, count int) uint8 {
	if v < 0 || int(v) >= count {
		return 0
	}
	return uint8(v)
}
