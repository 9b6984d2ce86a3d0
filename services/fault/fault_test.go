package fault

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/services/ledger"
)

func TestEveryErrorCarriesAReason(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err    error
		code   codes.Code
		reason string
	}{
		"invalid":         {Invalid(Violation{"report.kind", "choose one"}), codes.InvalidArgument, ReasonInvalid},
		"not found":       {NotFound("reports/x"), codes.NotFound, ReasonNotFound},
		"exists":          {Exists("reports/x"), codes.AlreadyExists, ReasonExists},
		"stale":           {Stale("reports/x", "r3"), codes.Aborted, ReasonStale},
		"request reused":  {RequestIDReused(), codes.InvalidArgument, ReasonRequestIDReused},
		"state":           {State("reports/x", "voided already"), codes.FailedPrecondition, ReasonState},
		"denied":          {Denied("not open"), codes.PermissionDenied, ReasonDenied},
		"unauthenticated": {Unauthenticated("sign in"), codes.Unauthenticated, ReasonUnauthenticated},
		"busy":            {Busy(time.Second), codes.Unavailable, ReasonBusy},
		"behind":          {Behind(time.Second), codes.Unavailable, ReasonBehind},
		"full":            {Full(), codes.ResourceExhausted, ReasonFull},
		"internal":        {Internal("abc"), codes.Internal, ReasonInternal},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			st, ok := status.FromError(c.err)
			require.True(t, ok)
			require.Equal(t, c.code, st.Code())
			info := detail[*errdetails.ErrorInfo](st)
			require.NotNil(t, info)
			require.Equal(t, c.reason, info.GetReason())
			require.Equal(t, Domain, info.GetDomain())
		})
	}
}

// detail returns the first detail of a type.
func detail[T any](st *status.Status) T {
	var none T
	for _, d := range st.Details() {
		if v, ok := d.(T); ok {
			return v
		}
	}
	return none
}

func TestViolationsAreAllSaid(t *testing.T) {
	t.Parallel()
	var vs Violations
	require.NoError(t, vs.Err())
	vs.Add("a", "first")
	vs.Add("b", "second")
	st, _ := status.FromError(vs.Err())
	br := detail[*errdetails.BadRequest](st)
	require.Len(t, br.GetFieldViolations(), 2)
}

func TestFromLedger(t *testing.T) {
	t.Parallel()
	etag := func(r int64) string { return fmt.Sprintf("r%d", r) }
	st, _ := status.FromError(FromLedger(&ledger.StaleError{Name: "reports/x", Want: 1, Current: 4}, etag))
	require.Equal(t, codes.Aborted, st.Code())
	require.Equal(t, "r4", detail[*errdetails.ErrorInfo](st).GetMetadata()["etag"])
	st, _ = status.FromError(FromLedger(ledger.ErrBusy, etag))
	require.Equal(t, 250*time.Millisecond, detail[*errdetails.RetryInfo](st).GetRetryDelay().AsDuration())
	require.Equal(t, codes.AlreadyExists, status.Code(FromLedger(&ledger.ExistsError{Name: "reports/x"}, etag)))
	for err, words := range map[error]string{ledger.ErrAway: "nothing was written", ledger.ErrUnknown: "stored once"} {
		st, _ = status.FromError(FromLedger(fmt.Errorf("w: %w", err), etag))
		require.Equal(t, codes.Unavailable, st.Code())
		require.Contains(t, st.Message(), words)
		require.Len(t, st.Details(), 2, "with the time after which to try again")
	}
	require.Equal(t, codes.InvalidArgument, status.Code(FromLedger(fmt.Errorf("w: %w", ledger.ErrRequestReused), etag)))
	require.Equal(t, codes.ResourceExhausted, status.Code(FromLedger(ledger.ErrFull, etag)))
	other := errors.New("something else")
	require.Equal(t, other, FromLedger(other, etag), "a cause that nobody knows is left for the interceptor to hide")
	require.False(t, IsStatus(other))
	require.NoError(t, FromLedger(nil, etag))
}
