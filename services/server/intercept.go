package server

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"fairlead/services/access"
	"fairlead/services/fault"
)

// defaultDeadline bounds a call whose caller set no deadline; long work has
// its own.
const defaultDeadline = 30 * time.Second

// deadlines of calls that may take longer.
var deadlines = map[string]time.Duration{
	"ReportService.ImportReports":       3 * time.Minute,
	"HoursService.ImportHours":          3 * time.Minute,
	"PrincipalService.ImportPrincipals": 3 * time.Minute,
	"ExportService.ExportSummary":       time.Minute,
	// It makes two summaries, of two moments that may have to be built.
	"ExportService.CompareSummaries": 2 * time.Minute,
}

// tryAgain is when a caller who was turned away may try again.
const tryAgain = time.Second

// lateWords are what somebody hears whose time is over.
const lateWords = "it took too long; a write may or may not have happened: repeat it with the same request_id"

// open are the methods of other services that need no principal: a health
// check and the list of services say nothing of anyone.
func open(fullMethod string) bool {
	return strings.HasPrefix(fullMethod, "/grpc.health.v1.Health/") ||
		strings.HasPrefix(fullMethod, "/grpc.reflection.")
}

// gate is what every call passes.
type gate struct {
	log       *slog.Logger
	policy    *access.Policy
	directory *access.Directory
	registry  *access.Registry
	rules     func(proto.Message) fault.Violations
	metrics   *metrics
	net       access.Net
	// read hears who was given which answer; nil: nobody does.
	read   func(who, method string, answer any)
	limits *limits
	// stopping ends when the server stops; streams end with it.
	stopping context.Context
}

// shortMethod turns /fairlead.v1.ReportService/FileReport into
// ReportService.FileReport.
func shortMethod(full string) string {
	full = strings.TrimPrefix(full, "/")
	if i := strings.LastIndexByte(full, '.'); i >= 0 && strings.HasPrefix(full, "fairlead.v1.") {
		full = full[i+1:]
	}
	return strings.ReplaceAll(full, "/", ".")
}

// Unary is the interceptor of unary calls.
func (g *gate) Unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
	method, start, id := shortMethod(info.FullMethod), time.Now(), callID()
	outer := ctx
	defer func() {
		if p := recover(); p != nil {
			resp, err = nil, g.panicked(outer, info.FullMethod, id, p)
		}
		err = g.finish(outer, info.FullMethod, id, start, err)
	}()
	if open(info.FullMethod) {
		return handler(ctx, req)
	}
	ctx, cancel := context.WithDeadline(ctx, deadline(ctx, method, start))
	defer cancel()
	ctx, err = g.admit(ctx, method)
	if err != nil {
		return nil, err
	}
	if m, ok := req.(proto.Message); ok {
		if err := g.check(m); err != nil {
			return nil, err
		}
	}
	resp, err = g.netted(method, handler)(ctx, req)
	if err == nil && g.read != nil {
		g.read(access.From(ctx).Name, method, resp)
	}
	return resp, err
}

// deadline is when a call must be done: a little before its caller stops
// listening, so that the answer, such as when to try again, still arrives.
func deadline(ctx context.Context, method string, start time.Time) time.Time {
	until, bounded := ctx.Deadline()
	if !bounded {
		if long, ok := deadlines[method]; ok {
			return start.Add(long)
		}
		return start.Add(defaultDeadline)
	}
	return until.Add(-min(until.Sub(start)/10, time.Second))
}

// Stream is the interceptor of streaming calls.
func (g *gate) Stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
	start, id := time.Now(), callID()
	defer func() {
		if p := recover(); p != nil {
			err = g.panicked(ss.Context(), info.FullMethod, id, p)
		}
		err = g.finish(ss.Context(), info.FullMethod, id, start, err)
	}()
	ctx, end := context.WithCancel(ss.Context())
	defer end()
	defer context.AfterFunc(g.stopping, end)()
	if !open(info.FullMethod) {
		method := shortMethod(info.FullMethod)
		if ctx, err = g.admit(ctx, method); err != nil {
			return err
		}
		if method == "AttachmentService.AddAttachment" {
			done, err := g.limits.upload(access.From(ctx))
			if err != nil {
				return err
			}
			defer done()
		}
	}
	err = handler(srv, &checkedStream{ServerStream: ss, ctx: ctx, gate: g, method: shortMethod(info.FullMethod), open: open(info.FullMethod)})
	if err != nil && g.stopping.Err() != nil && ss.Context().Err() == nil {
		return fault.Busy(tryAgain)
	}
	return err
}

// checkedStream carries the principal and validates what comes in.
type checkedStream struct {
	grpc.ServerStream
	ctx  context.Context
	gate *gate
	// method is the short name of the method.
	method string
	// open streams are of other contracts, whose messages are read as ever.
	open bool
}

// Context implements grpc.ServerStream.
func (s *checkedStream) Context() context.Context { return s.ctx }

// RecvMsg implements grpc.ServerStream.
func (s *checkedStream) RecvMsg(m any) error {
	if s.open {
		return s.ServerStream.RecvMsg(m)
	}
	if err := receive(s.ServerStream.RecvMsg, m); err != nil {
		return err
	}
	msg, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	if err := s.gate.check(msg); err != nil {
		return err
	}
	if s.gate.read != nil {
		// Who asks for a file reads it.
		s.gate.read(access.From(s.ctx).Name, s.method, msg)
	}
	return nil
}

// admit finds out who calls and whether they may, and whether they do so too
// often.
func (g *gate) admit(ctx context.Context, method string) (context.Context, error) {
	address, within := caller(ctx)
	if !within {
		// Before anything is looked up: this is what a flood meets.
		if err := g.limits.from(address); err != nil {
			return ctx, err
		}
	}
	ctx = access.WithAddress(ctx, address)
	who := access.From(ctx)
	if who.Name == "" {
		token, err := bearer(ctx)
		if err != nil {
			return ctx, err
		}
		if token != "" && !g.policy.Open(method) {
			if who, err = g.whose(token); err != nil {
				return ctx, err
			}
		}
	}
	who, err := g.policy.Admit(who, method)
	if err != nil {
		return ctx, err
	}
	// What the house does for itself, such as making a demonstration, comes
	// from within and from nobody's address.
	if !within || address != "" {
		if err := g.limits.of(who); err != nil {
			return ctx, err
		}
	}
	return access.With(ctx, who), nil
}

// whose returns the principal behind a token.
func (g *gate) whose(token string) (access.Principal, error) {
	if !access.Issued(token) {
		who, err := g.directory.ByToken(token)
		if err != nil {
			return who, fault.Unauthenticated("the access token is not known here; it may have been withdrawn")
		}
		return who, nil
	}
	who, err := g.registry.ByToken(token)
	switch {
	case errors.Is(err, access.ErrOver):
		return who, fault.Unauthenticated("this session or token is over; sign in again")
	case err != nil:
		return who, fault.Unauthenticated("the access token is not known here; it may have been withdrawn")
	}
	return who, nil
}

// bearer returns the access token of a call, or "".
func bearer(ctx context.Context) (string, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	values := md.Get("authorization")
	switch len(values) {
	case 0:
		return "", nil
	case 1:
	default:
		return "", fault.Unauthenticated("send the authorization header once")
	}
	scheme, token, found := strings.Cut(values[0], " ")
	if !found || !strings.EqualFold(scheme, "bearer") || strings.TrimSpace(token) == "" {
		return "", fault.Unauthenticated("the authorization header must read `Bearer` and your access token")
	}
	return strings.TrimSpace(token), nil
}

// check applies the rules of the contract and says all violations at once.
func (g *gate) check(m proto.Message) error { return g.rules(m).Err() }

// newRules returns the rules of the contract as a function that says in plain
// words what is wrong with a message. A rule that cannot be evaluated is a
// fault of the contract and is said as such.
func newRules() (func(proto.Message) fault.Violations, error) {
	validator, err := protovalidate.New()
	if err != nil {
		return nil, fmt.Errorf("server: rules of the contract: %w", err)
	}
	return func(m proto.Message) fault.Violations {
		err := validator.Validate(m)
		if err == nil {
			return nil
		}
		var vs fault.Violations
		var invalid *protovalidate.ValidationError
		if !errors.As(err, &invalid) {
			vs.Add("", "the rules for this message could not be applied")
			return vs
		}
		for _, v := range invalid.Violations {
			vs.Add(protovalidate.FieldPathString(v.Proto.GetField()), describe(v))
		}
		return vs
	}, nil
}

// callID returns a new id under which a call is logged.
func callID() string {
	var b [6]byte
	if _, err := rand.Read(b[:]); err != nil {
		return "unnumbered"
	}
	return hex.EncodeToString(b[:])
}
