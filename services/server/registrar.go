package server

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/services/fault"
)

// registrar registers services so that bytes which cannot be read are the
// caller's error. grpc-go answers INTERNAL to a message with bad UTF-8 or a
// torn encoding before any interceptor runs; here the decoder that each method
// gets is wrapped, and INVALID_ARGUMENT says what to do.
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
				return handler(srv, ctx, func(m any) error { return readable(dec(m)) }, interceptor)
			},
		}
	}
	r.ServiceRegistrar.RegisterService(&wrapped, impl)
}

// readable turns grpc-go's INTERNAL for an unreadable message into
// INVALID_ARGUMENT.
func readable(err error) error {
	if status.Code(err) != codes.Internal {
		return err
	}
	return fault.Invalid(fault.Violation{Description: "the message cannot be read: text must be UTF-8 and the encoding whole; send it again from the original"})
}
