package access

import (
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// View says which sensitive parts of a report a principal may read. What is
// not in a view is removed from every reply, not masked.
type View struct {
	// Health: what was hurt, treatment, absences (sensitivity 2).
	Health bool
	// People: resource names of persons hurt (sensitivity 1).
	People bool
	// NamedTellers: who told, when they gave their name openly.
	NamedTellers bool
	// ConfidentialTellers: who told in confidence, with a recorded reason.
	ConfidentialTellers bool
	// Codes: classification codes.
	Codes bool
	// Actors: who did what, in histories.
	Actors bool
}

// ViewOf returns what who may read of every report within reach: the union over
// the roles, and for somebody whose roles hold for different parts of the house
// only what all of these roles may read. For one report say where it is, by
// [Principal.At], and hear more.
func ViewOf(who Principal) View {
	if !who.uneven() {
		return viewOf(who)
	}
	v := View{Health: true, People: true, NamedTellers: true, ConfidentialTellers: true, Codes: true, Actors: true}
	for _, g := range who.Grants {
		o := viewOf(Principal{Roles: []pb.Role{g.Role}})
		v = View{Health: v.Health && o.Health, People: v.People && o.People, NamedTellers: v.NamedTellers && o.NamedTellers,
			ConfidentialTellers: v.ConfidentialTellers && o.ConfidentialTellers, Codes: v.Codes && o.Codes, Actors: v.Actors && o.Actors}
	}
	return v
}

func viewOf(who Principal) View {
	var v View
	if who.Has(adviser) {
		v = View{Health: true, People: true, NamedTellers: true, ConfidentialTellers: true, Codes: true, Actors: true}
	}
	if who.Has(investigator) {
		v.Health, v.People, v.NamedTellers, v.Codes, v.Actors = true, true, true, true, true
	}
	if who.Has(supervisor) {
		v.Health, v.People, v.NamedTellers, v.Actors = true, true, true, true
	}
	if who.Has(auditor) {
		v.Health, v.Codes = true, true
	}
	return v
}

// NeedsCodes reports whether a filter asks about codes: whoever may not read
// them must not learn of them by asking which reports have one.
func NeedsCodes(f *pb.ReportFilter) bool {
	if len(f.GetCodes()) > 0 {
		return true
	}
	for _, cell := range f.GetCells() {
		for _, side := range cell.GetSides() {
			switch side.GetDimension() {
			case pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_BREAKDOWN_AGENCY, pb.Dimension_DIMENSION_AGENCY,
				pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_BODILY_LOCATION:
				return true
			}
		}
	}
	return false
}

// Redact returns the report as the view allows it: the report itself when
// nothing is hidden, else a copy. Outcome class and employment group of a harm
// stay: figures are made of them and a representative may know them.
func Redact(r *pb.Report, v View) *pb.Report {
	if v.Health && v.People {
		return r
	}
	out := proto.Clone(r).(*pb.Report)
	for i, h := range out.GetHarms() {
		if !v.Health {
			out.Harms[i] = &pb.Harm{HarmId: h.GetHarmId(), EmploymentGroup: h.GetEmploymentGroup(), Outcome: h.GetOutcome()}
			continue
		}
		h.Person = ""
	}
	return out
}
