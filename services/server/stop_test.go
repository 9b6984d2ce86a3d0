package server_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server/servertest"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m,
		// The search engine keeps its analysers for the whole process.
		goleak.IgnoreAnyFunction("github.com/blevesearch/bleve_index_api.AnalysisWorker"),
		goleak.Cleanup(os.Exit))
}

// TestStopUnderLoad stops a server while it is filed to by gRPC and by REST,
// watched and asked: every report that was acknowledged is there afterwards,
// every call ends, and the check is clean.
func TestStopUnderLoad(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{Clock: time.Now})
	client := pb.NewReportServiceClient(w.Conn())

	var mu sync.Mutex
	var acknowledged []string
	var calls sync.WaitGroup
	var filed atomic.Int64
	stop := make(chan struct{})
	file := func(send func(req *pb.FileReportRequest) error) {
		calls.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				mu.Lock()
				r := &pb.Report{Name: "reports/" + w.id(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "loose gravel"}
				mu.Unlock()
				if err := send(&pb.FileReportRequest{Report: r, RequestId: strings.TrimPrefix(r.GetName(), "reports/")}); err != nil {
					return // the server is going
				}
				filed.Add(1)
				mu.Lock()
				acknowledged = append(acknowledged, r.GetName())
				mu.Unlock()
			}
		})
	}
	worker, adviser := w.As("worker"), w.As("adviser")
	var odd sync.Map
	for range 8 {
		file(func(req *pb.FileReportRequest) error {
			_, err := client.FileReport(worker, req)
			if err != nil && status.Code(err) != codes.Unavailable {
				odd.Store("grpc: "+err.Error(), true)
			}
			return err
		})
	}
	for range 4 {
		file(func(req *pb.FileReportRequest) error {
			body, err := protojson.Marshal(req)
			if err != nil {
				return err
			}
			hr, err := http.NewRequest(http.MethodPost, "http://"+w.Web+"/v1/reports", bytes.NewReader(body))
			if err != nil {
				return err
			}
			hr.Header.Set("Authorization", "Bearer "+w.Tokens["worker"])
			resp, err := web.Do(hr)
			if err != nil {
				return err
			}
			defer resp.Body.Close()
			out, err := io.ReadAll(resp.Body)
			if err != nil {
				odd.Store("rest: cut off: "+err.Error(), true)
				return err
			}
			if resp.StatusCode != http.StatusOK {
				if resp.StatusCode != http.StatusServiceUnavailable {
					odd.Store(fmt.Sprintf("rest: %d %s", resp.StatusCode, out), true)
				}
				return errors.New("refused")
			}
			return nil
		})
	}
	watched := make(chan error, 1)
	stream, err := pb.NewChangeServiceClient(w.Conn()).WatchChanges(adviser, &pb.WatchChangesRequest{})
	require.NoError(t, err)
	go func() {
		for {
			if _, err := stream.Recv(); err != nil {
				watched <- err
				return
			}
		}
	}()

	require.Eventually(t, func() bool { return filed.Load() > 300 }, 30*time.Second, time.Millisecond)
	began := time.Now()
	w.StopNow()
	err = <-watched
	r := refused(t, err)
	require.Equal(t, codes.Unavailable, r.code, "a watch ends with when to come again")
	w.Stop()
	require.Less(t, time.Since(began), 6*time.Second, "nothing waits for the grace to run out")
	close(stop)
	calls.Wait()
	odd.Range(func(k, _ any) bool {
		t.Errorf("a call ended oddly: %v", k)
		return true
	})

	// New calls are refused.
	late, err := grpc.NewClient("passthrough:///"+w.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer late.Close()
	_, err = pb.NewAccessServiceClient(late).GetMyself(worker, &pb.GetMyselfRequest{})
	require.Equal(t, codes.Unavailable, status.Code(err))

	store, err := sqlite.OpenReadOnly(t.Context(), w.Data, sqlite.Options{})
	require.NoError(t, err)
	defer store.Close()
	report, err := store.Verify(t.Context())
	require.NoError(t, err)
	require.Empty(t, report.Problems)
	for _, name := range acknowledged {
		res, err := store.Get(t.Context(), name)
		require.NoError(t, err, "acknowledged and gone: %s", name)
		require.Equal(t, int64(1), res.Revision)
	}
	t.Logf("%d reports acknowledged, %d changes in the log", len(acknowledged), report.Changes)
}

// TestStopLeavesNothingRunning opens and stops a server and looks for what is
// left.
func TestStopLeavesNothingRunning(t *testing.T) {
	ignore := goleak.IgnoreCurrent()
	w := newWorld(t, servertest.Options{Metrics: true})
	stream, err := pb.NewChangeServiceClient(w.Conn()).WatchChanges(w.As("adviser"), &pb.WatchChangesRequest{})
	require.NoError(t, err)
	_, err = stream.Recv()
	require.NoError(t, err)
	code, _, _ := w.curl(t, "adviser", http.MethodGet, "/v1/workplaces", "")
	require.Equal(t, http.StatusOK, code)
	w.Stop()
	goleak.VerifyNone(t, ignore, goleak.IgnoreAnyFunction("github.com/blevesearch/bleve_index_api.AnalysisWorker"))
}
