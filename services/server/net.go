package server

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"fairlead/services/access"
)

// caught returns an answer as its reader may have it. Rooms have narrowed it
// already; what the net still finds is a fault of a room: it is taken out,
// counted, and logged by the names of the fields, never by what was in them.
func (g *gate) caught(ctx context.Context, method string, answer any) any {
	m, ok := answer.(proto.Message)
	if !ok || m == nil {
		return answer
	}
	clean, fields := g.net.Clear(access.ClearanceOf(access.From(ctx), method), m)
	if len(fields) == 0 {
		return answer
	}
	g.metrics.caught.WithLabelValues(method).Add(float64(len(fields)))
	g.metrics.caughtAll.Add(int64(len(fields)))
	g.log.ErrorContext(ctx, "an answer held what its reader is not cleared for; it was taken out", "method", method, "field", string(fields[0]), "fields", len(fields))
	return clean
}

// netted is a handler whose answers pass the net.
func (g *gate) netted(method string, handler grpc.UnaryHandler) grpc.UnaryHandler {
	return func(ctx context.Context, req any) (any, error) {
		answer, err := handler(ctx, req)
		if err != nil {
			return answer, err
		}
		return g.caught(ctx, method, answer), nil
	}
}

// SendMsg implements grpc.ServerStream.
func (s *checkedStream) SendMsg(m any) error {
	if s.open {
		return s.ServerStream.SendMsg(m)
	}
	return s.ServerStream.SendMsg(s.gate.caught(s.ctx, s.method, m))
}

// Caught returns how many fields of answers the net has taken out since the
// server was opened. It is not 0 only when a room has a fault.
func (s *Server) Caught() int64 { return s.metrics.caughtAll.Load() }
