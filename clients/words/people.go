package words

import (
	"fmt"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Grants says what somebody may do, and where: "supervisor for northside".
func Grants(p *pb.Principal) string {
	var out []string
	for _, g := range p.GetGrants() {
		text := Of(g.GetRole())
		var where []string
		for _, w := range g.GetWorkplaces() {
			where = append(where, Short(w))
		}
		switch {
		case len(where) > 0:
			text += " for " + strings.Join(where, ", ")
		case len(g.GetReports()) > 0:
			text += fmt.Sprintf(" of %d reports", len(g.GetReports()))
		}
		out = append(out, text)
	}
	return strings.Join(out, "; ")
}

// ImportStep says what would become of one row of a list of people.
func ImportStep(r *pb.ImportedPrincipal) string {
	name := r.GetAfter().GetDisplayName()
	switch r.GetStep() {
	case pb.PrincipalStep_PRINCIPAL_STEP_JOINS:
		return name + " joins: " + Grants(r.GetAfter())
	case pb.PrincipalStep_PRINCIPAL_STEP_LEAVES:
		return r.GetBefore().GetDisplayName() + " leaves: nothing lets them in any more"
	case pb.PrincipalStep_PRINCIPAL_STEP_MOVES:
		return name + " changes: " + changed(r)
	case pb.PrincipalStep_PRINCIPAL_STEP_DIFFERS:
		return name + " stands otherwise in the file and stays as they are: " + changed(r)
	}
	return name + " stays as they are"
}

// changed says what is another in a row.
func changed(r *pb.ImportedPrincipal) string {
	a, b := r.GetBefore(), r.GetAfter()
	var out []string
	add := func(what, was, is string) {
		if was != is {
			out = append(out, fmt.Sprintf("%s, until now %s", what+is, was))
		}
	}
	none := func(s string) string {
		if s == "" {
			return "nothing"
		}
		return s
	}
	add("", Grants(a), Grants(b))
	add("called ", a.GetDisplayName(), b.GetDisplayName())
	add("signs in as ", none(a.GetSignInName()), none(b.GetSignInName()))
	picked := map[bool]string{true: "picked by name on tablets", false: "not picked on tablets"}
	add("", picked[a.GetOfferedOnTablets()], picked[b.GetOfferedOnTablets()])
	return strings.Join(out, "; ")
}

// Imported says what became of a list of people.
func Imported(r *pb.ImportPrincipalsResponse, check bool) string {
	text := fmt.Sprintf("%d joined, %d changed, %d left, %d as they were.", r.GetJoined(), r.GetMoved(), r.GetLeft(), r.GetSame())
	if check {
		text = fmt.Sprintf("%d would join, %d change, %d leave, %d stay as they are. Nothing was stored.", r.GetJoined(), r.GetMoved(), r.GetLeft(), r.GetSame())
	}
	if n := r.GetDiffering(); n > 0 {
		text += fmt.Sprintf(" %d stand otherwise in the file and stay as they are, since it was not asked for to change anybody.", n)
	}
	return text
}
