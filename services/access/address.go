package access

import "context"

type addressKey struct{}

// WithAddress returns a context that carries the network address that a call
// came from, without a port.
func WithAddress(ctx context.Context, address string) context.Context {
	return context.WithValue(ctx, addressKey{}, address)
}

// Address returns the network address that a call came from, or "" when it came
// from within the house. It serves to slow down who guesses and who asks too
// much, and is stored nowhere.
func Address(ctx context.Context) string {
	a, _ := ctx.Value(addressKey{}).(string)
	return a
}
