package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	"fairlead/clients/api"
	pb "fairlead/proto/gen/fairlead/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// house is a service that fails as told: it stands in for the network and for
// a busy service, nothing else.
type house struct {
	pb.UnimplementedReportServiceServer
	pb.UnimplementedChangeServiceServer
	pb.UnimplementedMeasureServiceServer
	pb.UnimplementedExportServiceServer
	pb.UnimplementedWorkplaceServiceServer

	mu       sync.Mutex
	failures []error // answered first, one a call
	calls    []string
	tokens   []string
	head     int64
	headErr  error
	min      []int64 // min_sequence_number of reads
}

func (h *house) next(ctx context.Context, call string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.calls = append(h.calls, call)
	md, _ := metadata.FromIncomingContext(ctx)
	h.tokens = append(h.tokens, strings.Join(md.Get("authorization"), ","))
	if len(h.failures) > 0 {
		err := h.failures[0]
		h.failures = h.failures[1:]
		return err
	}
	return nil
}

func (h *house) FileReport(ctx context.Context, r *pb.FileReportRequest) (*pb.FileReportResponse, error) {
	if err := h.next(ctx, "file "+r.GetRequestId()); err != nil {
		return nil, err
	}
	seq := int64(41)
	if r.GetValidateOnly() {
		seq = 0
	}
	return &pb.FileReportResponse{SequenceNumber: seq}, nil
}

func (h *house) GetTeller(ctx context.Context, _ *pb.GetTellerRequest) (*pb.Teller, error) {
	return &pb.Teller{}, h.next(ctx, "teller")
}

func (h *house) GetReport(ctx context.Context, r *pb.GetReportRequest) (*pb.Report, error) {
	h.min = append(h.min, r.GetMinSequenceNumber())
	return &pb.Report{}, h.next(ctx, "get")
}

func (h *house) ListReports(_ context.Context, r *pb.ListReportsRequest) (*pb.ListReportsResponse, error) {
	switch r.GetPageToken() {
	case "":
		return &pb.ListReportsResponse{Reports: []*pb.Report{{Name: "1"}, {Name: "2"}}, NextPageToken: "a"}, nil
	case "a":
		return &pb.ListReportsResponse{NextPageToken: "b"}, nil
	case "b":
		return &pb.ListReportsResponse{Reports: []*pb.Report{{Name: "3"}}, NextPageToken: r.GetFilter().GetStartDate()}, nil
	}
	return nil, status.Error(codes.InvalidArgument, "bad token")
}

func (h *house) ExportSummary(ctx context.Context, r *pb.ExportSummaryRequest) (*pb.ExportSummaryResponse, error) {
	h.min = append(h.min, r.GetSummary().GetMinSequenceNumber())
	return &pb.ExportSummaryResponse{}, h.next(ctx, "export")
}

func (h *house) GetHead(context.Context, *pb.GetHeadRequest) (*pb.Head, error) {
	return &pb.Head{SequenceNumber: h.head}, h.headErr
}

func (h *house) ListChanges(_ context.Context, r *pb.ListChangesRequest) (*pb.ListChangesResponse, error) {
	out := &pb.ListChangesResponse{Head: &pb.Head{SequenceNumber: 5}}
	for s := r.GetAfterSequenceNumber() + 1; s <= min(r.GetAfterSequenceNumber()+2, 5); s++ {
		out.Changes = append(out.Changes, &pb.Change{SequenceNumber: s})
	}
	return out, nil
}

// WatchChanges breaks after two changes each time, and refuses at 5.
func (h *house) WatchChanges(r *pb.WatchChangesRequest, s grpc.ServerStreamingServer[pb.Change]) error {
	a := r.GetAfterSequenceNumber()
	if a >= 4 {
		return status.Error(codes.PermissionDenied, "no more")
	}
	for i := a + 1; i <= a+2; i++ {
		if err := s.Send(&pb.Change{SequenceNumber: i}); err != nil {
			return err
		}
	}
	if a == 0 {
		return nil // ended without a word
	}
	return status.Error(codes.Unavailable, "going down")
}

// serve starts the house on the loopback and returns its address.
func serve(t *testing.T, h *house, opts ...grpc.ServerOption) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := grpc.NewServer(opts...)
	pb.RegisterReportServiceServer(s, h)
	pb.RegisterChangeServiceServer(s, h)
	pb.RegisterMeasureServiceServer(s, h)
	pb.RegisterExportServiceServer(s, h)
	pb.RegisterWorkplaceServiceServer(s, h)
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	t.Cleanup(func() { s.Stop(); <-done })
	return l.Addr().String()
}

// client returns a client whose sleeps are written down and not slept.
func client(t *testing.T, address string, o api.Options) (*api.Client, *[]time.Duration) {
	t.Helper()
	var slept []time.Duration
	o.Sleep = func(ctx context.Context, d time.Duration) error { slept = append(slept, d); return ctx.Err() }
	o.Jitter = func() float64 { return 0 }
	n := 0
	o.NewID = func() string { n++; return fmt.Sprintf("id-%d", n) }
	c, err := api.Dial(api.Config{Address: address, Token: "s3cret"}, o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close()) })
	return c, &slept
}

func busy(wait time.Duration) error {
	st, err := status.New(codes.Unavailable, "busy").WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
	if err != nil {
		panic(err)
	}
	return st.Err()
}

func TestRetryKeepsTheRequest(t *testing.T) {
	t.Parallel()
	h := &house{failures: []error{busy(300 * time.Millisecond), status.Error(codes.Unavailable, "gone"), busy(time.Hour)}}
	c, slept := client(t, serve(t, h), api.Options{})
	req := &pb.FileReportRequest{Report: &pb.Report{Narrative: "x"}}
	r, err := c.Reports.FileReport(t.Context(), req)
	require.NoError(t, err)
	require.EqualValues(t, 41, r.GetSequenceNumber())
	require.Equal(t, []string{"file id-1", "file id-1", "file id-1", "file id-1"}, h.calls)
	require.Equal(t, "id-1", req.GetRequestId(), "the caller can send the same request again")
	require.Equal(t, []time.Duration{300 * time.Millisecond, 100 * time.Millisecond, 30 * time.Second}, *slept,
		"the time asked for, own patience, and no more patience than 30 s")
	require.Equal(t, "Bearer s3cret", h.tokens[0])

	_, err = c.Reports.FileReport(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, "file id-1", h.calls[4], "an id that is there stays")
	_, err = c.Reports.FileReport(t.Context(), &pb.FileReportRequest{Report: req.Report, ValidateOnly: true})
	require.NoError(t, err)
	require.Equal(t, "file ", h.calls[5], "a check writes nothing and needs no id")
}

func TestWhatIsRetried(t *testing.T) {
	t.Parallel()
	lost := status.Error(codes.Unavailable, "connection lost")
	get := func(c *api.Client) error {
		_, err := c.Reports.GetReport(context.Background(), &pb.GetReportRequest{})
		return err
	}
	teller := func(c *api.Client) error {
		_, err := c.Reports.GetTeller(context.Background(), &pb.GetTellerRequest{})
		return err
	}
	for name, c := range map[string]struct {
		call     func(*api.Client) error
		failures []error
		calls    int
		want     codes.Code
	}{
		"a read, twice lost":                      {get, []error{lost, lost}, 3, codes.OK},
		"a read, always lost":                     {get, []error{lost, lost, lost, lost, lost, lost, lost, lost}, 6, codes.Unavailable},
		"an internal error":                       {get, []error{status.Error(codes.Internal, "")}, 1, codes.Internal},
		"too late":                                {get, []error{status.Error(codes.DeadlineExceeded, "")}, 1, codes.DeadlineExceeded},
		"a stale etag":                            {get, []error{status.Error(codes.Aborted, "")}, 1, codes.Aborted},
		"a full disk":                             {get, []error{status.Error(codes.ResourceExhausted, "")}, 1, codes.ResourceExhausted},
		"opening a teller, lost":                  {teller, []error{lost}, 1, codes.Unavailable},
		"opening a teller, turned away unstarted": {teller, []error{busy(1)}, 2, codes.OK},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := &house{failures: c.failures}
			cl, _ := client(t, serve(t, h), api.Options{})
			require.Equal(t, c.want, status.Code(c.call(cl)))
			require.Len(t, h.calls, c.calls)
		})
	}
}

// A wait that cannot end before the deadline is not begun: the caller hears
// the reason at once.
func TestRetryMindsTheDeadline(t *testing.T) {
	t.Parallel()
	h := &house{failures: []error{busy(20 * time.Second)}}
	c, slept := client(t, serve(t, h), api.Options{})
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	_, err := c.Reports.GetReport(ctx, &pb.GetReportRequest{})
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.Empty(t, *slept)
}

func TestReadsSeeOwnWrites(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "cache", "fairlead")
	h := &house{head: 41}
	address := serve(t, h)
	first, _ := client(t, address, api.Options{Marks: api.NewFileMark(dir, address)})
	_, err := first.Reports.GetReport(t.Context(), &pb.GetReportRequest{})
	require.NoError(t, err)
	_, err = first.Reports.FileReport(t.Context(), &pb.FileReportRequest{})
	require.NoError(t, err)

	// Another command, later.
	second, _ := client(t, address, api.Options{Marks: api.NewFileMark(dir, address)})
	req := &pb.GetReportRequest{}
	_, err = second.Reports.GetReport(t.Context(), req)
	require.NoError(t, err)
	require.Zero(t, req.GetMinSequenceNumber(), "the caller's request is left as it is")
	_, err = second.Reports.GetReport(t.Context(), &pb.GetReportRequest{MinSequenceNumber: 7})
	require.NoError(t, err)
	_, err = second.Exports.ExportSummary(t.Context(), &pb.ExportSummaryRequest{Summary: &pb.GetSummaryRequest{}})
	require.NoError(t, err)
	require.Equal(t, []int64{0, 41, 7, 41}, h.min)

	// Another service has another mark.
	require.Zero(t, api.NewFileMark(dir, "elsewhere:9090").Load())
}

func TestMarkBeyondTheLog(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	h := &house{head: 12}
	address := serve(t, h)
	mark := api.NewFileMark(dir, address)
	require.NoError(t, mark.Save(41))
	var said []string
	c, _ := client(t, address, api.Options{Marks: mark, Warn: func(s string) { said = append(said, s) }})
	for range 2 {
		_, err := c.Reports.GetReport(t.Context(), &pb.GetReportRequest{})
		require.NoError(t, err)
	}
	require.Equal(t, []int64{0, 0}, h.min, "waiting for a number that never comes is no use")
	require.Len(t, said, 1)
	require.Contains(t, said[0], "ends at 12")
	require.Zero(t, mark.Load())

	// A caller who may not see the head keeps the mark.
	require.NoError(t, mark.Save(41))
	h.headErr = status.Error(codes.PermissionDenied, "")
	c, _ = client(t, address, api.Options{Marks: mark})
	_, err := c.Reports.GetReport(t.Context(), &pb.GetReportRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 41, h.min[2])
}

// A cache that cannot be written does not fail the write that was stored.
func TestMarkCannotBeKept(t *testing.T) {
	t.Parallel()
	notAFolder := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(notAFolder, nil, 0o600))
	var said []string
	c, _ := client(t, serve(t, &house{}), api.Options{Marks: api.NewFileMark(notAFolder, "x"),
		Warn: func(s string) { said = append(said, s) }})
	_, err := c.Reports.FileReport(t.Context(), &pb.FileReportRequest{})
	require.NoError(t, err)
	require.Len(t, said, 1)
	require.Contains(t, said[0], "your write is stored")
}

func TestPages(t *testing.T) {
	t.Parallel()
	c, _ := client(t, serve(t, &house{}), api.Options{})
	walk := func(stop int, filter *pb.ReportFilter) (names string, err error) {
		for r, e := range c.ListReports(t.Context(), &pb.ListReportsRequest{Filter: filter}) {
			if e != nil {
				return names, e
			}
			names += r.GetName()
			if len(names) == stop {
				break
			}
		}
		return names, nil
	}
	names, err := walk(0, nil)
	require.NoError(t, err)
	require.Equal(t, "123", names, "an empty page in the middle is not the end")
	names, err = walk(1, nil)
	require.NoError(t, err)
	require.Equal(t, "1", names)
	_, err = walk(0, &pb.ReportFilter{StartDate: "b"})
	require.ErrorContains(t, err, "page token", "a service that goes round in circles is noticed")
	_, err = walk(0, &pb.ReportFilter{StartDate: "zz"})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
}

func TestChanges(t *testing.T) {
	t.Parallel()
	c, slept := client(t, serve(t, &house{}), api.Options{})
	var seqs []int64
	for ch, err := range c.ListChanges(t.Context(), 0) {
		require.NoError(t, err)
		seqs = append(seqs, ch.GetSequenceNumber())
	}
	require.Equal(t, []int64{1, 2, 3, 4, 5}, seqs)
	seqs = nil
	var last error
	for ch, err := range c.WatchChanges(t.Context(), 0) {
		if last = err; err == nil {
			seqs = append(seqs, ch.GetSequenceNumber())
		}
	}
	require.Equal(t, []int64{1, 2, 3, 4}, seqs, "two breaks lose and double nothing")
	require.Equal(t, codes.PermissionDenied, status.Code(last))
	require.Len(t, *slept, 2)
}

func TestProblem(t *testing.T) {
	t.Parallel()
	st, err := status.New(codes.InvalidArgument, "some fields need mending").WithDetails(
		&errdetails.ErrorInfo{Reason: "INVALID_FIELDS", Metadata: map[string]string{"etag": "r4", "log_id": "L1", "resource": "reports/x"}},
		&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
			{Field: "report.narrative", Description: "say what happened"},
			{Description: "choose a kind"}}},
		&errdetails.RetryInfo{RetryDelay: durationpb.New(time.Second)})
	require.NoError(t, err)
	p, ok := api.ProblemOf(fmt.Errorf("wrapped: %w", st.Err()))
	require.True(t, ok)
	require.Equal(t, "some fields need mending", p.Message, "as the service sent it")
	require.Equal(t, []string{"report.narrative: say what happened", "choose a kind"}, p.Lines())
	require.Equal(t, "INVALID_FIELDS", p.Reason)
	require.Equal(t, "r4", p.Etag)
	require.Equal(t, "L1", p.LogID)
	require.Equal(t, "reports/x", p.Resource)
	require.Equal(t, time.Second, p.RetryAfter)
	p, ok = api.ProblemOf(status.Error(codes.NotFound, "is not there"))
	require.True(t, ok)
	require.Equal(t, []string{"is not there"}, p.Lines())
	_, ok = api.ProblemOf(nil)
	require.False(t, ok)
	_, ok = api.ProblemOf(os.ErrNotExist)
	require.False(t, ok)
}

// TestOverLongMessage: gRPC refuses it before the service can, in its own words.
func TestOverLongMessage(t *testing.T) {
	t.Parallel()
	c, _ := client(t, serve(t, &house{}, grpc.MaxRecvMsgSize(1<<20)), api.Options{})
	_, err := c.Reports.FileReport(t.Context(), &pb.FileReportRequest{Report: &pb.Report{Narrative: strings.Repeat("x", 3<<19)}})
	p, ok := api.ProblemOf(err)
	require.True(t, ok)
	require.Equal(t, codes.ResourceExhausted, p.Code)
	require.Equal(t, "the message is 1.5 MB long, and no more than 1.0 MB are read; send it, or ask for it, in parts", p.Message)
	p, _ = api.ProblemOf(status.Error(codes.ResourceExhausted, "the disk is full"))
	require.Equal(t, "the disk is full", p.Message)
}

func TestSecretIsNeverPrinted(t *testing.T) {
	t.Parallel()
	c := api.Config{Address: "x", Token: "s3cret"}
	var b strings.Builder
	slog.New(slog.NewTextHandler(&b, nil)).Info("x", "token", c.Token, "config", c)
	j, err := json.Marshal(c)
	require.NoError(t, err)
	all := fmt.Sprintf("%v %+v %#v %s %q %x", c, c, c, c.Token, c.Token, c.Token) + b.String() + string(j)
	require.NotContains(t, all, "s3cret")
	require.NotContains(t, all, "733363726574")
	require.Equal(t, "s3cret", c.Token.Reveal())
	require.Empty(t, api.Secret("").String())
}

func TestTLS(t *testing.T) {
	t.Parallel()
	ca, cert := certificate(t)
	h := &house{}
	address := serve(t, h, grpc.Creds(credentials.NewServerTLSFromCert(cert)))
	c, err := api.Dial(api.Config{Address: address, Token: "s3cret", CAFile: ca}, api.Options{})
	require.NoError(t, err)
	defer c.Close()
	_, err = c.Reports.GetReport(t.Context(), &pb.GetReportRequest{})
	require.NoError(t, err)
	require.Equal(t, []string{"Bearer s3cret"}, h.tokens)

	stranger, err := api.Dial(api.Config{Address: address, TLS: true}, api.Options{Attempts: 1})
	require.NoError(t, err)
	defer stranger.Close()
	_, err = stranger.Reports.GetReport(t.Context(), &pb.GetReportRequest{})
	require.Equal(t, codes.Unavailable, status.Code(err), "a certificate of nobody we trust is refused")
	require.Len(t, h.tokens, 1)
}
