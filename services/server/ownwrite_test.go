package server_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestReadYourOwnWrite files while others file, and wants the report at once in
// every kind of answer, when the number that came back is passed on.
func TestReadYourOwnWrite(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{Clock: time.Now})
	reports, search, numbers := pb.NewReportServiceClient(w.Conn()), pb.NewSearchServiceClient(w.Conn()), pb.NewMeasureServiceClient(w.Conn())
	worker, adviser := w.As("worker"), w.As("adviser")
	month := time.Now().AddDate(0, -1, 0)
	when := time.Date(month.Year(), month.Month(), 10, 2, 0, 0, 0, time.UTC)
	last := &pb.Period{StartMonth: when.Format("2006-01"), EndMonth: when.AddDate(0, 1, 0).Format("2006-01")}

	one := func(who, n int) error {
		// A word of its own, spelt in letters so that no slip forgives it.
		word := "brindle"
		for _, d := range fmt.Sprintf("%03d%04d", who, n) {
			word += string(rune('b' + d - '0'))
		}
		id := uuid.NewString()
		filed, err := reports.FileReport(worker, &pb.FileReportRequest{RequestId: id, Report: &pb.Report{Name: "reports/" + id,
			Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside-trees", Narrative: "the " + word + " came down",
			OccurTime: timestamppb.New(when), OccurPrecision: pb.TimePrecision_TIME_PRECISION_ABOUT}})
		if err != nil {
			return fmt.Errorf("file: %w", err)
		}
		seq, name := filed.GetSequenceNumber(), filed.GetReport().GetName()

		found, err := search.SearchReports(adviser, &pb.SearchReportsRequest{Words: word, MinSequenceNumber: seq, IncludeCounts: true})
		if err != nil {
			return fmt.Errorf("search: %w", err)
		}
		if found.GetTotalSize() != 1 || found.GetHits()[0].GetReport() != name || found.GetSequenceNumber() < seq {
			return fmt.Errorf("search for %s at %d: %v", word, seq, found)
		}
		got, err := reports.GetReport(adviser, &pb.GetReportRequest{Name: "reports/" + filed.GetReport().GetShortCode(), MinSequenceNumber: seq})
		if err != nil || got.GetName() != name {
			return fmt.Errorf("get by short code: %v, %w", got.GetName(), err)
		}
		// Of many of one time, the page may not hold it: the totals must.
		filter := &pb.ReportFilter{Workplaces: []string{"workplaces/northside-trees"}, Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_NEAR_MISS}}
		list, err := reports.ListReports(adviser, &pb.ListReportsRequest{Filter: filter, MinSequenceNumber: seq, PageSize: 500})
		if err != nil {
			return fmt.Errorf("list: %w", err)
		}
		if !contains(list.GetReports(), name) || list.GetSequenceNumber() < seq {
			return fmt.Errorf("list at %d does not have %s; it has %d", seq, name, list.GetTotalSize())
		}
		table, err := numbers.Tabulate(adviser, &pb.TabulateRequest{Filter: filter, Rows: pb.Dimension_DIMENSION_KIND, MinSequenceNumber: seq})
		if err != nil {
			return fmt.Errorf("tabulate: %w", err)
		}
		if table.GetTotal() < list.GetTotalSize() {
			return fmt.Errorf("a table at %d counts %d, the list before it had %d", table.GetSequenceNumber(), table.GetTotal(), list.GetTotalSize())
		}
		rates, err := numbers.ComputeRates(adviser, &pb.ComputeRatesRequest{Workplace: "workplaces/northside-trees", Period: last, MinSequenceNumber: seq})
		if err != nil {
			return fmt.Errorf("rates: %w", err)
		}
		if rates.GetSequenceNumber() < seq {
			return fmt.Errorf("rates at %d, not %d", rates.GetSequenceNumber(), seq)
		}
		chart, err := numbers.ComputeChart(adviser, &pb.ComputeChartRequest{Measure: "reports", Workplace: "workplaces/northside-trees", Period: last, MinSequenceNumber: seq})
		if err != nil {
			return fmt.Errorf("chart: %w", err)
		}
		if got := chart.GetPoints()[0].GetCount(); got < table.GetTotal() {
			return fmt.Errorf("a chart at %d counts %d, the table before it %d", chart.GetSequenceNumber(), got, table.GetTotal())
		}
		return nil
	}
	var all errgroup.Group
	for who := range 8 {
		all.Go(func() error {
			for n := range 12 {
				if err := one(who, n); err != nil {
					return err
				}
			}
			return nil
		})
	}
	require.NoError(t, all.Wait())
}

func contains(list []*pb.Report, name string) bool {
	for _, r := range list {
		if r.GetName() == name {
			return true
		}
	}
	return false
}

// TestFarAhead asks every method that takes a sequence number for one that the
// log has not reached: the answer is when to try again, before the caller's
// time is over, and not a hang.
func TestFarAhead(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	var all errgroup.Group
	tried := 0
	for _, m := range contract(t) {
		fd := m.Input().Fields().ByName("min_sequence_number")
		if fd == nil {
			continue
		}
		tried++
		req := proto.Clone(good[m.short](w))
		req.ProtoReflect().Set(fd, protoreflect.ValueOfInt64(1<<60))
		body := wire(t, req)
		all.Go(func() error {
			ctx, stop := context.WithTimeout(w.As(m.role), 5*time.Second)
			defer stop()
			began := time.Now()
			_, err := send(ctx, w.Conn(), m, body)
			if took := time.Since(began); status.Code(err) != codes.Unavailable || took > 5*time.Second {
				return fmt.Errorf("%s: %w after %v", m.short, err, took)
			}
			refused(t, err)
			return nil
		})
	}
	require.NoError(t, all.Wait())
	require.Greater(t, tried, 5)

	// By REST the status says it to a browser.
	code, h, out := w.curl(t, "adviser", "POST", "/v1/measures:tabulate", `{"rows":"DIMENSION_KIND","minSequenceNumber":"99999"}`, "X-Server-Timeout", "1")
	require.Equal(t, 503, code, out)
	require.Equal(t, codes.Unavailable, restRefused(t, code, h, out).code)
}

// TestReplays sends one filing fifty times at once with the same ids: there is
// one report, one number, and fifty equal answers.
func TestReplays(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	client := pb.NewReportServiceClient(w.Conn())
	req := filing(w)
	before := w.Head()
	answers := make([]*pb.FileReportResponse, 50)
	var all errgroup.Group
	for i := range answers {
		all.Go(func() error {
			resp, err := client.FileReport(w.As("worker"), proto.Clone(req).(*pb.FileReportRequest))
			answers[i] = resp
			return err
		})
	}
	require.NoError(t, all.Wait())
	for _, a := range answers {
		require.True(t, proto.Equal(answers[0], a), "%v\n%v", answers[0], a)
	}
	require.Equal(t, before+2, w.Head(), "a report and its teller, once")
	w.Ready(w.Head())

	// The same later, also after the report was amended: the first answer.
	got, err := client.GetReport(w.As("adviser"), &pb.GetReportRequest{Name: req.GetReport().GetName()})
	require.NoError(t, err)
	_, err = client.UpdateReport(w.As("adviser"), &pb.UpdateReportRequest{Reason: "heard it again", Report: &pb.Report{Name: got.GetName(), Etag: got.GetEtag(), Spot: "by the gate"}})
	require.NoError(t, err)
	again, err := client.FileReport(w.As("worker"), req)
	require.NoError(t, err)
	require.True(t, proto.Equal(answers[0], again))

	// The same ids with another story.
	other := proto.Clone(req).(*pb.FileReportRequest)
	other.Report.Narrative = "It was quite different."
	_, err = client.FileReport(w.As("worker"), other)
	require.Equal(t, codes.InvalidArgument, refused(t, err).code)
	require.Equal(t, "REQUEST_ID_REUSED", refused(t, err).reason)
	other.RequestId = w.id()
	_, err = client.FileReport(w.As("worker"), other)
	require.Equal(t, codes.AlreadyExists, refused(t, err).code)
}

// TestEveryWriteReplays repeats every method that takes a request id: the
// second time nothing is written and the answer is the first one, and the id
// does not serve another request.
func TestEveryWriteReplays(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	tried := 0
	for _, m := range contract(t) {
		fd := m.Input().Fields().ByName("request_id")
		if fd == nil {
			continue
		}
		tried++
		req := good[m.short](w)
		first, err := send(w.As(m.role), w.Conn(), m, wire(t, req))
		require.NoError(t, err, m.short)
		head := w.Head()
		second, err := send(w.As(m.role), w.Conn(), m, wire(t, req))
		require.NoError(t, err, "%s: %s", m.short, reasons(err))
		a, b := newMessage(t, m.Output()), newMessage(t, m.Output())
		require.NoError(t, proto.Unmarshal(first, a))
		require.NoError(t, proto.Unmarshal(second, b))
		require.True(t, proto.Equal(a, b), "%s:\n%v\n%v", m.short, a, b)
		require.Equal(t, head, w.Head(), m.short)

		other := good[m.short](w)
		other.ProtoReflect().Set(fd, req.ProtoReflect().Get(fd))
		before := w.Head()
		_, err = send(w.As(m.role), w.Conn(), m, wire(t, other))
		require.Equal(t, "REQUEST_ID_REUSED", refused(t, err).reason, m.short)
		require.Equal(t, before, w.Head())
	}
	require.Greater(t, tried, 8)
}
