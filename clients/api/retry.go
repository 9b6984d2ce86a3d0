package api

import (
	"context"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

const (
	firstWait = 100 * time.Millisecond
	mostWait  = 5 * time.Second
	// A service may ask for more patience than a client would take by itself.
	mostAsked = 30 * time.Second
)

// invoke sends a call, and sends the same message again while the service
// says UNAVAILABLE and sending again is safe.
func (w *wire) invoke(ctx context.Context, method string, req proto.Message, reply any, opts []grpc.CallOption) error {
	wait := firstWait
	for attempt := 1; ; attempt++ {
		err := w.conn.Invoke(ctx, method, req, reply, opts...)
		st, _ := status.FromError(err)
		if err == nil || st.Code() != codes.Unavailable || attempt >= w.o.Attempts {
			return err
		}
		asked, told := retryDelay(st)
		if !told && !repeatable(method, req) {
			// The answer may have been lost after the work was done.
			return err
		}
		// Half the wait is fixed and half is chance, so that 64 tablets
		// that were turned away together do not come back together.
		pause := wait/2 + time.Duration(w.o.Jitter()*float64(wait/2))
		if asked > 0 {
			pause = min(asked, mostAsked) + time.Duration(w.o.Jitter()*float64(asked)/4)
		}
		if deadline, ok := ctx.Deadline(); ok && time.Until(deadline) < pause {
			return err
		}
		if w.o.Sleep(ctx, pause) != nil {
			return err
		}
		wait = min(2*wait, mostWait)
	}
}

// retryDelay returns how long the service asks to wait, and whether it spoke
// about it at all: then it did nothing, and any call may be repeated.
func retryDelay(st *status.Status) (time.Duration, bool) {
	for _, d := range st.Details() {
		if r, ok := d.(*errdetails.RetryInfo); ok {
			return max(0, r.GetRetryDelay().AsDuration()), true
		}
	}
	return 0, false
}

// repeatable reports whether a call may be sent twice without doing anything
// twice: it only reads, or it carries a request id, or it is an import, where
// a record already stored is left as it is. Opening who told is recorded each
// time, so it is not.
func repeatable(method string, req proto.Message) bool {
	name := method[strings.LastIndexByte(method, '/')+1:]
	if name == "GetTeller" {
		return false
	}
	if name == "ImportReports" || checkOnly(req.ProtoReflect()) {
		return true
	}
	if fd := stringField(req.ProtoReflect(), "request_id"); fd != nil {
		return req.ProtoReflect().Get(fd).String() != ""
	}
	for _, reads := range []string{"Get", "List", "Search", "LookUp", "Compute", "Tabulate", "Export", "Rank", "Cross", "Find"} {
		if strings.HasPrefix(name, reads) {
			return true
		}
	}
	return false
}

// sleep waits or is woken by the end of ctx.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
