package server

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
)

// newGate makes a gate that logs into a buffer and knows one adviser.
func newGate(t *testing.T) (*gate, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	rules, err := newRules()
	require.NoError(t, err)
	d := access.NewDirectory()
	require.NoError(t, d.AddWithToken(access.Principal{Name: "principals/a", Roles: []pb.Role{pb.Role_ROLE_ADVISER}}, "token"))
	g := &gate{log: slog.New(slog.NewJSONHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})), policy: access.NewPolicy(), directory: d, limits: newLimits(Limits{}, nil),
		rules: rules, metrics: newMetrics(func() int64 { return 0 }, nil), stopping: context.Background()}
	return g, &log
}

func asAdviser(ctx context.Context) context.Context {
	return metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", "Bearer token"))
}

const secret = "Quokkafall"

// TestWhatFailsInside lets a room fail and panic with somebody's words in its
// mouth: the caller hears an id, the log has the id and the kind, and neither
// has the words.
func TestWhatFailsInside(t *testing.T) {
	t.Parallel()
	var none []int
	for name, c := range map[string]struct {
		handler func() error
		code    codes.Code
		log     string
	}{
		"an error":              {func() error { return fmt.Errorf("intake: store %q: constraint failed", secret) }, codes.Internal, "intake: store [cut]"},
		"in other quotes":       {func() error { return fmt.Errorf("sqlite: near '%s'", secret) }, codes.Internal, "sqlite: near [cut]"},
		"a plain status":        {func() error { return status.Error(codes.Unknown, "`"+secret) }, codes.Internal, "[cut]"},
		"a panic with text":     {func() error { panic(secret) }, codes.Internal, "string"},
		"a panic with an error": {func() error { panic(errors.New(secret)) }, codes.Internal, "*errors.errorString"},
		"a slip of the program": {func() error { return fmt.Errorf("%d", none[3]) }, codes.Internal, "index out of range [3] with length 0"},
		"too late":              {func() error { return fmt.Errorf("%s: %w", secret, context.DeadlineExceeded) }, codes.DeadlineExceeded, ""},
		"given up":              {func() error { return fmt.Errorf("%s: %w", secret, context.Canceled) }, codes.Canceled, ""},
		"a status of time":      {func() error { return status.FromContextError(context.Canceled).Err() }, codes.Canceled, ""},
		"told by the house":     {func() error { return fault.NotFound("reports/x") }, codes.NotFound, ""},
		"told, and wrapped":     {func() error { return fmt.Errorf("intake: %w", fault.NotFound("reports/x")) }, codes.NotFound, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			g, log := newGate(t)
			_, err := g.Unary(asAdviser(t.Context()), &pb.GetHeadRequest{}, &grpc.UnaryServerInfo{FullMethod: "/fairlead.v1.ChangeService/GetHead"},
				func(context.Context, any) (any, error) { return nil, c.handler() })
			check(t, err, c.code, log, c.log)

			g, log = newGate(t)
			err = g.Stream(nil, &oneStream{ctx: asAdviser(t.Context())}, &grpc.StreamServerInfo{FullMethod: "/fairlead.v1.ChangeService/WatchChanges"},
				func(any, grpc.ServerStream) error { return c.handler() })
			check(t, err, c.code, log, c.log)
		})
	}
}

func check(t *testing.T, err error, code codes.Code, log *bytes.Buffer, logged string) {
	t.Helper()
	st := status.Convert(err)
	require.Equal(t, code, st.Code())
	require.NotContains(t, st.Proto().String(), secret)
	require.NotContains(t, log.String(), secret)
	require.Contains(t, log.String(), `"code":"`+code.String()+`"`)
	require.Contains(t, log.String(), logged)
	var info *errdetails.ErrorInfo
	for _, d := range st.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			info = i
		}
	}
	require.NotNil(t, info, "%v", err)
	if code == codes.Internal {
		id := info.GetMetadata()["log_id"]
		require.Contains(t, st.Message(), id)
		require.Equal(t, 2, bytes.Count(log.Bytes(), []byte(`"call":"`+id+`"`)), "cause and call are logged under the id that was told: %s", log)
	}
}

// oneStream is a stream with nothing in it.
type oneStream struct {
	grpc.ServerStream
	ctx context.Context
}

func (s *oneStream) Context() context.Context { return s.ctx }

// TestGateOrder wants a call to be stopped at the first gate that it cannot
// pass, before the room is asked.
func TestGateOrder(t *testing.T) {
	t.Parallel()
	g, log := newGate(t)
	asked := 0
	call := func(ctx context.Context, method string, req proto.Message) codes.Code {
		_, err := g.Unary(ctx, req, &grpc.UnaryServerInfo{FullMethod: method}, func(ctx context.Context, _ any) (any, error) {
			asked++
			_, bounded := ctx.Deadline()
			require.True(t, bounded, "no call runs for ever")
			require.Equal(t, "principals/a", access.From(ctx).Name)
			return nil, nil
		})
		return status.Code(err)
	}
	bad := &pb.GetReportRequest{Name: secret}
	require.Equal(t, codes.Unauthenticated, call(t.Context(), "/fairlead.v1.ReportService/GetReport", bad))
	require.Equal(t, codes.PermissionDenied, call(asAdviser(t.Context()), "/fairlead.v1.WorkplaceService/CreateWorkplace", bad))
	require.Equal(t, codes.PermissionDenied, call(asAdviser(t.Context()), "/fairlead.v1.ReportService/NoSuchMethod", bad), "a method without a rule is closed")
	require.Equal(t, codes.InvalidArgument, call(asAdviser(t.Context()), "/fairlead.v1.ReportService/GetReport", bad))
	require.Zero(t, asked)
	require.Equal(t, codes.OK, call(asAdviser(t.Context()), "/fairlead.v1.ReportService/GetReport", &pb.GetReportRequest{Name: "reports/7KQ-2MX-4"}))
	require.Equal(t, 1, asked)
	require.NotContains(t, log.String(), secret)
	require.Equal(t, 5, bytes.Count(log.Bytes(), []byte(`"msg":"call"`)), "every call is logged once")
}

func TestShortMethod(t *testing.T) {
	t.Parallel()
	require.Equal(t, "ReportService.FileReport", shortMethod("/fairlead.v1.ReportService/FileReport"))
	require.Equal(t, "grpc.health.v1.Health.Check", shortMethod("/grpc.health.v1.Health/Check"))
	require.True(t, open("/grpc.health.v1.Health/Check"))
	require.False(t, open("/fairlead.v1.ReportService/FileReport"))
}
