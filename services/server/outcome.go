package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/services/fault"
	"fairlead/services/ledger"
)

// finish turns what a room returned into what may leave, and logs the call.
func (g *gate) finish(ctx context.Context, fullMethod, id string, start time.Time, err error) error {
	method, level := shortMethod(fullMethod), slog.LevelInfo
	if open(fullMethod) {
		level = slog.LevelDebug
	} else if err = g.outward(ctx, method, id, err); err != nil && status.Code(err) == codes.Internal {
		level = slog.LevelError
	}
	code := status.Code(err)
	took := time.Since(start)
	g.metrics.observe(method, code, took)
	g.log.LogAttrs(ctx, level, "call", slog.String("method", method), slog.String("call", id),
		slog.String("code", code.String()), slog.Duration("took", took))
	return err
}

// outward returns the error that the caller is told. What has no reason of the
// house is either a matter of time, or a failure inside: that is logged under
// an id, and the id is told.
func (g *gate) outward(ctx context.Context, method, id string, err error) error {
	switch code := status.Code(err); {
	case err == nil, reasoned(err), code == codes.Unimplemented:
		return err
	case errors.Is(err, context.DeadlineExceeded), code == codes.DeadlineExceeded:
		return say(codes.DeadlineExceeded, reasonTimedOut, lateWords)
	case errors.Is(err, context.Canceled), code == codes.Canceled:
		return say(codes.Canceled, reasonGivenUp, "the call was given up")
	case errors.Is(err, ledger.ErrAway), errors.Is(err, ledger.ErrBusy):
		// Of a read, perhaps the one that makes the answer to a write that is
		// done: sent again with the same ids it is answered.
		g.log.WarnContext(ctx, "the ledger did not answer a read", "method", method, "call", id, "cause", redact(err))
		return fault.Busy(tryAgain)
	}
	g.log.ErrorContext(ctx, "call failed inside", "method", method, "call", id, "cause", redact(err))
	return fault.Internal(id)
}

// reasoned reports whether an error carries a reason of the house.
func reasoned(err error) bool {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == fault.Domain {
			return true
		}
	}
	return false
}

// panicked logs a panic under the id of the call and returns what the caller is
// told. The value is left out unless it is the runtime's own: it may hold what
// somebody told.
func (g *gate) panicked(ctx context.Context, fullMethod, id string, p any) error {
	what := fmt.Sprintf("%T", p)
	if re, ok := p.(runtime.Error); ok {
		what = redact(re)
	}
	g.log.ErrorContext(ctx, "panic", "method", shortMethod(fullMethod), "call", id, "what", what, "stack", string(debug.Stack()))
	return fault.Internal(id)
}

// redact keeps the kind of an error and cuts what may carry somebody's words:
// the causes that rooms wrap speak of names, kinds and numbers, but a database
// or a parser may quote its input.
func redact(err error) string {
	text := err.Error()
	if i := strings.IndexAny(text, "\"`'"); i >= 0 {
		text = text[:i] + "[cut]"
	}
	const most = 300
	if len(text) > most {
		text = text[:most] + "[cut]"
	}
	return text
}
