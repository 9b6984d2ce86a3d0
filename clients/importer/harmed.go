package importer

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// people adds the persons hurt.
func (x *reading) people(rec *pb.ImportRecord) {
	for _, h := range x.r.m.harms {
		id := ""
		if yes, fine := x.hold(h.when); yes && fine {
			id = fmt.Sprintf("h%d", len(rec.GetReport().GetHarms())+1)
			rec.Report.Harms = append(rec.Report.Harms, x.person(h, id))
		}
		x.harmIDs = append(x.harmIDs, id)
	}
}

func (x *reading) person(h harm, id string) *pb.Harm {
	out := &pb.Harm{HarmId: id}
	x.fill(out, h.items, nil)
	if h.outcome != nil {
		fd := outcomeDesc.Fields().ByName("outcome")
		change := &pb.OutcomeChange{}
		a, reason, ok := x.answer(h.outcome, fd)
		switch {
		case !ok:
		case a.text == "":
			state(out, "outcome", a.state)
		default:
			if problem := set(change.ProtoReflect(), fd, a.text, clock{}); problem != "" {
				x.fail(h.outcome.columns, fd, problem)
				break
			}
			change.Reason = reason
			if h.outcomeFrom != nil {
				x.fill(change, []item{{outcomeDesc.Fields().ByName("effective_date"), h.outcomeFrom}}, nil)
			}
			out.OutcomeHistory = []*pb.OutcomeChange{change}
		}
	}
	out.Absences = x.absences(h.absences)
	out.Restrictions = x.absences(h.restricted)
	return out
}

func (x *reading) absences(specs [][]item) []*pb.Absence {
	var out []*pb.Absence
	for _, items := range specs {
		a := &pb.Absence{}
		x.fill(a, items, nil)
		switch {
		case a.GetFirstDate() != "":
			out = append(out, a)
		case a.GetReturnDate() != "" || a.GetRosteredDays() > 0:
			// Days without a first day cannot be placed in a month.
			for _, it := range items {
				if it.fd.Name() == "first_date" {
					x.fail(it.src.columns, nil, "has no first day away, but there are days or a return; fill it in, or keep the days under attributes instead")
				}
			}
		}
	}
	return out
}

// codes adds the codings.
func (x *reading) codes(rec *pb.ImportRecord) {
	for _, c := range x.r.m.codings {
		out := &pb.Coding{Edition: c.edition, Origin: c.originOf()}
		facets := c.facets
		if c.harm > 0 {
			out.HarmId = x.harmIDs[c.harm-1]
			if out.HarmId == "" {
				// Nobody was hurt in this row. Mechanism and breakdown
				// agency are coded for what would have done the harm;
				// the others have nothing to describe.
				facets = slices.DeleteFunc(slices.Clone(facets), func(f facet) bool {
					return f.fd.Name() != "mechanism" && f.fd.Name() != "breakdown_agency"
				})
			}
		}
		var notes []string
		coded := false
		for _, f := range facets {
			note, ok := x.code(out, f)
			coded = coded || ok
			if note != "" {
				notes = append(notes, note)
			}
		}
		for _, s := range c.sourceCodes {
			v, ok := x.kept(s, 200)
			switch {
			case !ok:
			case coded:
				put(&out.SourceCodes, s.key, v)
			default:
				// Without a code there is no coding; what the source
				// said is kept with the origin.
				put(&rec.GetReport().GetOrigin().Attributes, s.key, v)
			}
		}
		if !coded {
			continue
		}
		if out.GetOrigin() == pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED {
			out.Note = Mark
			if len(notes) > 0 {
				out.Note += ": " + strings.Join(notes, "; ")
			}
		}
		if c.note != "" {
			out.Note = strings.TrimPrefix(out.GetNote()+". "+c.note, ". ")
		}
		rec.Codings = append(rec.Codings, proto.Clone(out).(*pb.Coding))
	}
}

// code sets one facet and says in a note how well the crosswalk fits.
func (x *reading) code(out *pb.Coding, f facet) (note string, coded bool) {
	if f.walk == nil {
		given := x.fill(out, []item{f.item}, nil)
		return "", len(given) > 0
	}
	cell := x.cell(f.src.columns[0])
	if cell == "" {
		if f.src.whenEmpty.refuse {
			x.fail(f.src.columns, f.fd, "is empty; fill it in, or take the row out")
		}
		state(out, string(f.fd.Name()), f.src.whenEmpty.state)
		return "", false
	}
	hits := x.cross(f, cell)
	if len(hits) == 0 || (len(hits) > 1 && f.several == severalNone) {
		state(out, string(f.fd.Name()), pb.AnswerState_ANSWER_STATE_NOT_KNOWN)
		return "", false
	}
	to, how := hits[0].to, hits[0].fit
	if len(hits) > 1 && f.several == severalTogether {
		codes := make([]string, len(hits))
		for i, h := range hits {
			codes[i] = h.to
		}
		to, how = together(codes), "several together"
	} else if len(hits[0].alternatives) > 0 {
		how += ", may be " + strings.Join(hits[0].alternatives, " or ")
	}
	if problem := set(out.ProtoReflect(), f.fd, to, clock{}); problem != "" {
		x.fail(f.src.columns, f.fd, problem)
		return "", false
	}
	return fieldWords(f.fd) + " " + how, true
}

// cross leads the codes or keywords of a cell over, the preferred first, each
// target once.
func (x *reading) cross(f facet, cell string) []crossing {
	parts := []string{cell}
	if f.split != "" {
		parts = strings.Split(cell, f.split)
	}
	var hits []crossing
	for _, part := range parts {
		if strings.TrimSpace(part) == "" {
			continue
		}
		c, ok := f.walk.look(part)
		if !ok {
			if c.from == "" {
				x.r.Uncrossed[f.walk.name+" "+foldKeyword(part)]++
			}
			continue
		}
		hits = append(hits, c)
	}
	rank := func(c crossing) int {
		if n, ok := f.prefer[c.from]; ok {
			return n
		}
		return len(f.prefer)
	}
	slices.SortStableFunc(hits, func(a, b crossing) int { return rank(a) - rank(b) })
	seen := map[string]bool{}
	return slices.DeleteFunc(hits, func(c crossing) bool {
		again := seen[c.to]
		seen[c.to] = true
		return again
	})
}
