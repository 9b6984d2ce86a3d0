package access

import (
	"context"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Anonymous is the actor that the log names when nobody may know who acted.
const Anonymous = "principals/anonymous"

// Confidential is the actor that the log names when somebody tells in
// confidence: who it was is said by the teller alone, which is sealed.
const Confidential = "principals/confidential"

// nowhere is a workplace that cannot be: names begin with a letter or digit.
// Whoever reaches no workplace has it as the only one, since none means all.
const nowhere = "workplaces/-"

// Grant is a role and what it holds for.
type Grant struct {
	Role pb.Role
	// Workplaces, each with all below it; empty means the whole tree, but for
	// an investigator nothing.
	Workplaces []string
	// Reports are reached by name, only by an investigator.
	Reports []string
}

// everywhere reports whether the grant holds for the whole tree.
func (g Grant) everywhere() bool {
	return len(g.Workplaces) == 0 && g.Role != pb.Role_ROLE_INVESTIGATOR
}

// Principal is a caller that has been recognised.
type Principal struct {
	// Name is the resource name, principals/{id}.
	Name string
	// DisplayName is what to call the caller.
	DisplayName string
	// Roles are the roles held.
	Roles []pb.Role
	// Workplaces bound the rows that are seen, each with all below it. Empty
	// means the whole tree.
	Workplaces []string
	// Reports are seen by name, besides.
	Reports []string
	// Grants say which role holds for what. Where there are none, every role
	// holds for Workplaces.
	Grants []Grant
	// Device is the shared tablet that the caller stands before, devices/{id},
	// or "".
	Device string
	// Session is the session of this call, sessions/{id}, or "".
	Session string
}

// Granted returns a principal with grants: its roles, workplaces and reports
// are what the grants come to.
func Granted(name, display string, grants []Grant) Principal {
	return Principal{Name: name, DisplayName: display}.with(grants)
}

func (p Principal) with(grants []Grant) Principal {
	p.Roles, p.Workplaces, p.Reports, p.Grants = nil, nil, nil, grants
	all := false
	for _, g := range grants {
		if !slices.Contains(p.Roles, g.Role) {
			p.Roles = append(p.Roles, g.Role)
		}
		all = all || g.everywhere()
		p.Workplaces = append(p.Workplaces, g.Workplaces...)
		p.Reports = append(p.Reports, g.Reports...)
	}
	slices.Sort(p.Workplaces)
	p.Workplaces = slices.Compact(p.Workplaces)
	switch {
	case all:
		p.Workplaces = nil
	case len(p.Workplaces) == 0:
		p.Workplaces = []string{nowhere}
	}
	return p
}

// As returns the principal with those grants only whose role is one of roles:
// what somebody may do as a supervisor of one place and as a member of the
// committee for all of them does not add up to more than either.
func (p Principal) As(roles []pb.Role) Principal {
	if len(p.Grants) == 0 {
		return p
	}
	return p.with(slices.DeleteFunc(slices.Clone(p.Grants), func(g Grant) bool { return !slices.Contains(roles, g.Role) }))
}

// At returns the principal with those grants only that reach a report at a
// workplace; report may be empty for a place alone. It says what may be read of
// this one report.
func (p Principal) At(t Tree, workplace, report string) Principal {
	if len(p.Grants) == 0 {
		return p
	}
	p = p.with(slices.DeleteFunc(slices.Clone(p.Grants), func(g Grant) bool {
		return !g.everywhere() && !slices.Contains(g.Reports, report) &&
			!slices.ContainsFunc(g.Workplaces, func(w string) bool { return t.Within(workplace, w) })
	}))
	p.Grants = nil // all that are left reach it, so here they add up
	return p
}

// uneven reports whether the grants do not all hold for the same.
func (p Principal) uneven() bool {
	for _, g := range p.Grants {
		if !slices.Equal(g.Workplaces, p.Grants[0].Workplaces) || !slices.Equal(g.Reports, p.Grants[0].Reports) ||
			g.everywhere() != p.Grants[0].everywhere() {
			return true
		}
	}
	return false
}

// Has reports whether the principal holds a role.
func (p Principal) Has(r pb.Role) bool { return slices.Contains(p.Roles, r) }

// IsTablet reports whether the caller is a shared tablet itself, with nobody
// known to stand before it.
func (p Principal) IsTablet() bool { return strings.HasPrefix(p.Name, "devices/") }

type key struct{}

// With returns a context that carries the principal.
func With(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, key{}, p)
}

// From returns the principal that the interceptor put into the context. A
// context without one gives a principal that may do nothing.
func From(ctx context.Context) Principal {
	p, _ := ctx.Value(key{}).(Principal)
	return p
}
