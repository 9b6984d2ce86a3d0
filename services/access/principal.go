package access

import (
	"context"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Anonymous is the actor that the log names when nobody may know who acted.
const Anonymous = "principals/anonymous"

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
}

// Has reports whether the principal holds a role.
func (p Principal) Has(r pb.Role) bool { return slices.Contains(p.Roles, r) }

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
