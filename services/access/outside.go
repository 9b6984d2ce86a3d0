package access

import pb "fairlead/proto/gen/fairlead/v1"

// Outside returns the principal as one that reaches the same workplaces and reads
// no report: what is made for somebody who may hand it on, to nobody knows whom,
// tells what a committee may know.
func (p Principal) Outside() Principal {
	out := p
	out.Roles = []pb.Role{pb.Role_ROLE_COMMITTEE}
	out.Reports = nil
	if len(p.Grants) > 0 {
		var grants []Grant
		for _, g := range p.Grants {
			if g.Role != pb.Role_ROLE_INVESTIGATOR { // who reaches reports, not places
				grants = append(grants, Grant{Role: pb.Role_ROLE_COMMITTEE, Workplaces: g.Workplaces})
			}
		}
		out = p.with(grants)
	}
	return out
}
