package compute

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/structpb"

	"fairlead/analytics/compute"
	pb "fairlead/proto/gen/fairlead/v1"
)

func inputs(t *testing.T, m map[string]any) *structpb.Struct {
	t.Helper()
	s, err := structpb.NewStruct(m)
	require.NoError(t, err)
	return s
}

// Every method that is listed says all of itself, and its example, sent as it
// stands, gets the answer that its outputs promise.
func TestEveryMethod(t *testing.T) {
	t.Parallel()
	s := New()
	list, err := s.ListMethods(t.Context(), &pb.ListMethodsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetMethods(), len(compute.Methods()))
	for _, m := range list.GetMethods() {
		require.NotEmpty(t, m.GetPurpose())
		require.NotEmpty(t, m.GetSource())
		for _, i := range m.GetInputs() {
			require.NotZero(t, i.GetType(), "%s: %s", m.GetMethod(), i.GetName())
		}
		r, err := s.Compute(t.Context(), &pb.ComputeRequest{Method: m.GetMethod(), Inputs: m.GetExample(), IncludeSvg: true})
		require.NoError(t, err, m.GetMethod())
		require.Len(t, r.GetOutputs().GetFields(), len(m.GetOutputs()))
		for _, o := range m.GetOutputs() {
			require.Contains(t, r.GetOutputs().GetFields(), o.GetName())
		}
		require.Equal(t, r.GetSvg() == "", r.GetSvgNarrow() == "")
		again, err := s.Compute(t.Context(), &pb.ComputeRequest{Method: m.GetMethod(), Inputs: m.GetExample(), IncludeSvg: true})
		require.NoError(t, err)
		require.Empty(t, cmp.Diff(r, again, protocmp.Transform()), "%s gives the same answer twice", m.GetMethod())
		plain, err := s.Compute(t.Context(), &pb.ComputeRequest{Method: m.GetMethod(), Inputs: m.GetExample()})
		require.NoError(t, err)
		require.Empty(t, plain.GetSvg())
	}
}

// violations returns what a refusal names, by field.
func violations(t *testing.T, err error) map[string]string {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	return out
}

func TestCompute_refuses(t *testing.T) {
	t.Parallel()
	s := New()
	for _, c := range []struct {
		name, method string
		in           map[string]any
		want         map[string]string
	}{
		{"unknown method", "rate_raito", nil, map[string]string{"method": "is no method; did you mean rate_ratio? ListMethods lists them all"}},
		{"nothing", "rate", nil, map[string]string{"inputs.count": "is missing: give cases, a whole number", "inputs.exposure": "is missing: give the hours in which the cases arose, a number"}},
		{"positions as the client counts", "c_chart", map[string]any{"counts": []any{1.0, -1.0}}, map[string]string{"inputs.counts[1]": "is -1: must be at least 0 and below 1e9"}},
		{"cells", "table_test", map[string]any{"table": []any{[]any{1.0, 2.0}, []any{3.0, 0.5}}}, map[string]string{"inputs.table[1][1]": "is 0.5: must be a whole number"}},
		{"unknown input", "rate", map[string]any{"count": 1.0, "exposure": 2.0, "leval": 0.9}, map[string]string{"inputs.leval": "is no input of rate; did you mean level?"}},
		{"all together", "ewma_run_length", map[string]any{"center": 1.0, "mean": 0.001, "lambda": 0.01, "width": 20.0}, map[string]string{"inputs": "average run length is too long to compute: change the inputs"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, err := s.Compute(t.Context(), &pb.ComputeRequest{Method: c.method, Inputs: inputs(t, c.in)})
			require.Equal(t, c.want, violations(t, err))
		})
	}
	_, err := s.Compute(t.Context(), &pb.ComputeRequest{Method: "rate", Inputs: &structpb.Struct{Fields: map[string]*structpb.Value{
		"count": structpb.NewNumberValue(1), "exposure": structpb.NewNumberValue(math.NaN()), "event": {}}}})
	require.Equal(t, map[string]string{"inputs.exposure": "is the text \"NaN\": must be a number"}, violations(t, err), "a binary client can send what JSON cannot")
	_, err = s.Compute(t.Context(), &pb.ComputeRequest{Method: "rate", Inputs: inputs(t, map[string]any{"event": strings.Repeat("x", mostBytes+1)})})
	require.Equal(t, map[string]string{"inputs": "are longer than 4 MB; send fewer numbers at once"}, violations(t, err))
}

// Whoever gives up, waits in vain or comes when too many wait is answered, and
// the work that goes on keeps its slot until it ends.
func TestCompute_slots(t *testing.T) {
	t.Parallel()
	hold, started := make(chan struct{}), make(chan struct{}, 100)
	s := newService(1, func(m string, in map[string]any) (compute.Result, error) {
		started <- struct{}{}
		<-hold
		return compute.Run(m, in)
	})
	ask := func(ctx context.Context) error {
		_, err := s.Compute(ctx, &pb.ComputeRequest{Method: "cusum_reference", Inputs: inputs(t, map[string]any{"acceptable": 1.0, "rejectable": 2.0})})
		return err
	}
	ctx, giveUp := context.WithCancel(t.Context())
	first := make(chan error, 1)
	go func() { first <- ask(ctx) }()
	<-started
	giveUp()
	require.ErrorIs(t, <-first, context.Canceled)

	waiting := make(chan error, 100)
	for range mostWaiting {
		go func() { waiting <- ask(t.Context()) }()
	}
	require.Eventually(t, func() bool { return len(s.waiting) == 1+mostWaiting }, time.Second*10, time.Millisecond)
	require.Len(t, started, 0, "the abandoned question holds the only slot")
	require.Equal(t, codes.Unavailable, status.Code(ask(t.Context())))

	close(hold)
	for range mostWaiting {
		require.NoError(t, <-waiting)
	}
	short, cancel := context.WithTimeout(t.Context(), 0)
	defer cancel()
	err := ask(short)
	require.True(t, err == nil || errors.Is(err, context.DeadlineExceeded))
	require.Eventually(t, func() bool { return len(s.waiting) == 0 && len(s.slots) == 0 }, time.Second*10, time.Millisecond, "nothing leaks")
}

// A panic of the mathematics is an error of this call and says nothing of what
// was sent.
func TestCompute_panic(t *testing.T) {
	t.Parallel()
	s := newService(1, func(_ string, in map[string]any) (compute.Result, error) { panic(in["secret"]) })
	_, err := s.Compute(t.Context(), &pb.ComputeRequest{Method: "rate", Inputs: inputs(t, map[string]any{"secret": "Wren fell"})})
	require.ErrorContains(t, err, "panic")
	require.NotContains(t, err.Error(), "Wren")
	require.Empty(t, s.slots)
	_, err = s.Compute(t.Context(), &pb.ComputeRequest{Method: "rate"})
	require.Error(t, err)
}
