package server

import (
	"context"

	"google.golang.org/grpc"
)

// registrar registers services so that what cannot be read is the caller's
// error and is told by the house. grpc-go answers a message that it cannot
// decode by itself, with INTERNAL and no details, before any interceptor runs;
// so each method asks for its message in an [incoming], in which the codec
// leaves what was wrong.
type registrar struct{ grpc.ServiceRegistrar }

// RegisterService implements grpc.ServiceRegistrar.
func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	wrapped := *desc
	wrapped.Methods = make([]grpc.MethodDesc, len(desc.Methods))
	for i, m := range desc.Methods {
		handler := m.Handler
		wrapped.Methods[i] = grpc.MethodDesc{
			MethodName: m.MethodName,
			Handler: func(srv any, ctx context.Context, dec func(any) error, interceptor grpc.UnaryServerInterceptor) (any, error) {
				return handler(srv, ctx, func(m any) error { return receive(dec, m) }, interceptor)
			},
		}
	}
	r.ServiceRegistrar.RegisterService(&wrapped, impl)
}

// receive reads a message by way of an incoming.
func receive(read func(any) error, m any) error {
	in := &incoming{message: m}
	if err := read(in); err != nil {
		return err
	}
	return in.wrong
}
