package server_test

import (
	"fmt"
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/postgres/pgtest"
	"fairlead/services/server/servertest"
)

// TestTwoServers files on one of two servers on one database and reads on the
// other, in every kind of answer, with the number that came back; and sends the
// same request to both at once.
func TestTwoServers(t *testing.T) {
	t.Parallel()
	address := pgtest.Database(t)
	a := newWorld(t, servertest.Options{Clock: time.Now, Database: address})
	b := servertest.Start(t, servertest.Options{Clock: time.Now, Database: address})
	month := time.Now().AddDate(0, -1, 0)
	when := time.Date(month.Year(), month.Month(), 10, 2, 0, 0, 0, time.UTC)
	last := &pb.Period{StartMonth: when.Format("2006-01"), EndMonth: when.AddDate(0, 1, 0).Format("2006-01")}
	filter := &pb.ReportFilter{Workplaces: []string{"workplaces/northside-trees"}}

	one := func(who, n int) error {
		from, to := a.Server, b
		if n%2 == 1 {
			from, to = b, a.Server
		}
		word := "brindle"
		for _, d := range fmt.Sprintf("%03d%04d", who, n) {
			word += string(rune('b' + d - '0'))
		}
		id := uuid.NewString()
		req := &pb.FileReportRequest{RequestId: id, Report: &pb.Report{Name: "reports/" + id,
			Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside-trees", Narrative: "the " + word + " came down",
			OccurTime: timestamppb.New(when), OccurPrecision: pb.TimePrecision_TIME_PRECISION_ABOUT}}
		// A tablet that heard nothing sends again, and reaches another server.
		var both errgroup.Group
		answers := make([]*pb.FileReportResponse, 2)
		for i, s := range []*servertest.Server{from, to} {
			both.Go(func() (err error) {
				answers[i], err = pb.NewReportServiceClient(s.Conn()).FileReport(s.As("worker"), req)
				return err
			})
		}
		if err := both.Wait(); err != nil {
			return fmt.Errorf("file: %w", err)
		}
		seq, name := answers[0].GetSequenceNumber(), answers[0].GetReport().GetName()
		if answers[1].GetSequenceNumber() != seq {
			return fmt.Errorf("the same request is change %d here and %d there", seq, answers[1].GetSequenceNumber())
		}
		found, err := pb.NewSearchServiceClient(to.Conn()).SearchReports(to.As("adviser"), &pb.SearchReportsRequest{Words: word, MinSequenceNumber: seq})
		if err != nil || found.GetTotalSize() != 1 || found.GetHits()[0].GetReport() != name {
			return fmt.Errorf("search for %s at %d: %v, %w", word, seq, found, err)
		}
		list, err := pb.NewReportServiceClient(to.Conn()).ListReports(to.As("adviser"), &pb.ListReportsRequest{Filter: filter, MinSequenceNumber: seq, PageSize: 500})
		if err != nil || !contains(list.GetReports(), name) {
			return fmt.Errorf("list at %d has %d, not %s: %w", seq, list.GetTotalSize(), name, err)
		}
		chart, err := pb.NewMeasureServiceClient(to.Conn()).ComputeChart(to.As("adviser"), &pb.ComputeChartRequest{
			Measure: "reports", Workplace: "workplaces/northside-trees", Period: last, MinSequenceNumber: seq})
		if err != nil {
			return fmt.Errorf("chart: %w", err)
		}
		if got := chart.GetPoints()[0].GetCount(); got < list.GetTotalSize() {
			return fmt.Errorf("a chart at %d counts %d, the list before it %d", chart.GetSequenceNumber(), got, list.GetTotalSize())
		}
		return nil
	}
	var all errgroup.Group
	for who := range 4 {
		all.Go(func() error {
			for n := range 6 {
				if err := one(who, n); err != nil {
					return err
				}
			}
			return nil
		})
	}
	require.NoError(t, all.Wait())

	// The same question has the same answer on both.
	seq := max(a.Head(), b.Head())
	tables := make([]*pb.Table, 2)
	for i, s := range []*servertest.Server{a.Server, b} {
		var err error
		tables[i], err = pb.NewMeasureServiceClient(s.Conn()).Tabulate(s.As("adviser"), &pb.TabulateRequest{Filter: filter, Rows: pb.Dimension_DIMENSION_KIND, MinSequenceNumber: seq})
		require.NoError(t, err)
	}
	require.Equal(t, int64(24), tables[0].GetTotal(), "each report is stored once")
	require.Equal(t, tables[0].GetTotal(), tables[1].GetTotal())
	require.Equal(t, tables[0].GetSequenceNumber(), tables[1].GetSequenceNumber())
}

// TestDatabaseAway takes the database away from a server: it says that it is not
// ready, goes on giving figures, refuses what must be written with when to come
// again, and goes on by itself.
func TestDatabaseAway(t *testing.T) {
	t.Parallel()
	database := pgtest.Start(t)
	w := newWorld(t, servertest.Options{Clock: time.Now, Database: database.Database()})
	reports, numbers := pb.NewReportServiceClient(w.Conn()), pb.NewMeasureServiceClient(w.Conn())
	file := func() (*pb.FileReportResponse, error) {
		id := uuid.NewString()
		return reports.FileReport(w.As("worker"), &pb.FileReportRequest{RequestId: id, Report: &pb.Report{Name: "reports/" + id,
			Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "loose gravel"}})
	}
	count := func(seq int64) int64 {
		t.Helper()
		table, err := numbers.Tabulate(w.As("adviser"), &pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_KIND, MinSequenceNumber: seq})
		require.NoError(t, err)
		return table.GetTotal()
	}
	ready := func() (int, healthpb.HealthCheckResponse_ServingStatus) {
		resp, err := web.Get("http://" + w.Web + "/readyz")
		require.NoError(t, err)
		defer resp.Body.Close()
		_, err = io.Copy(io.Discard, resp.Body)
		require.NoError(t, err)
		h, err := healthpb.NewHealthClient(w.Conn()).Check(t.Context(), &healthpb.HealthCheckRequest{})
		require.NoError(t, err)
		return resp.StatusCode, h.GetStatus()
	}
	until := func(code int, want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		require.Eventually(t, func() bool { c, s := ready(); return c == code && s == want }, 30*time.Second, 50*time.Millisecond)
	}
	filed, err := file()
	require.NoError(t, err)
	require.Equal(t, int64(1), count(filed.GetSequenceNumber()))
	until(http.StatusOK, healthpb.HealthCheckResponse_SERVING)

	database.Stop()
	until(http.StatusServiceUnavailable, healthpb.HealthCheckResponse_NOT_SERVING)
	require.Equal(t, int64(1), count(filed.GetSequenceNumber()), "figures in memory are still given")
	_, err = file()
	r := refused(t, err)
	require.Equal(t, codes.Unavailable, r.code, "%v", err)
	require.NotNil(t, r.retry, "it says when to come again")
	require.Equal(t, int64(1), count(0))

	database.Again()
	until(http.StatusOK, healthpb.HealthCheckResponse_SERVING)
	require.Eventually(t, func() bool {
		filed, err = file()
		return err == nil || status.Code(err) != codes.Unavailable
	}, 30*time.Second, 50*time.Millisecond)
	require.NoError(t, err)
	require.Equal(t, int64(2), count(filed.GetSequenceNumber()), "the projections follow again")
}
