package soak

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

// figures are answers that rest on the projections: lists, counts, charts and
// rates, and what search finds, as at one sequence number.
type figures struct {
	list                     *pb.ListReportsResponse
	found                    *pb.SearchReportsResponse
	kinds, months, crossed   *pb.Table
	hurt, mechanisms, placed *pb.Table
	chart                    *pb.Chart
	rates                    *pb.ComputeRatesResponse
}

// figuresOf asks a server, which may have to catch up with seq first.
func figuresOf(t *testing.T, ctx context.Context, conn *grpc.ClientConn, seq int64) *figures {
	t.Helper()
	var err error
	f := &figures{}
	f.list, err = pb.NewReportServiceClient(conn).ListReports(ctx, &pb.ListReportsRequest{PageSize: 200, MinSequenceNumber: seq})
	require.NoError(t, err)
	f.list.NextPageToken = "" // sealed with a key of the server's own
	f.found, err = pb.NewSearchServiceClient(conn).SearchReports(ctx, &pb.SearchReportsRequest{Words: stem, PageSize: 100,
		Order: pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST, IncludeCounts: true, MinSequenceNumber: seq})
	require.NoError(t, err)
	f.found.NextPageToken = ""
	for _, h := range f.found.GetHits() {
		h.Score = 0 // depends on how the index is cut into segments
	}
	numbers := pb.NewMeasureServiceClient(conn)
	for _, q := range []struct {
		to         **pb.Table
		rows, cols pb.Dimension
		harms      bool
	}{
		{&f.kinds, pb.Dimension_DIMENSION_KIND, 0, false},
		{&f.months, pb.Dimension_DIMENSION_MONTH, 0, false},
		{&f.crossed, pb.Dimension_DIMENSION_WORKPLACE, pb.Dimension_DIMENSION_POTENTIAL, false},
		{&f.hurt, pb.Dimension_DIMENSION_OUTCOME, pb.Dimension_DIMENSION_EMPLOYMENT_GROUP, true},
		{&f.mechanisms, pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_KIND, false},
		{&f.placed, pb.Dimension_DIMENSION_DATASET, pb.Dimension_DIMENSION_MONTH, false},
	} {
		*q.to, err = numbers.Tabulate(ctx, &pb.TabulateRequest{Rows: q.rows, Columns: q.cols, CountHarms: q.harms, MinSequenceNumber: seq})
		require.NoError(t, err)
	}
	period := &pb.Period{StartMonth: base.AddDate(0, -12, 0).Format("2006-01"), EndMonth: base.AddDate(0, 1, 0).Format("2006-01")}
	f.chart, err = numbers.ComputeChart(ctx, &pb.ComputeChartRequest{Measure: "reports", Period: period, IncludeSvg: true, MinSequenceNumber: seq})
	require.NoError(t, err)
	f.rates, err = numbers.ComputeRates(ctx, &pb.ComputeRatesRequest{Period: period, Datasets: []string{"here", dataset}, MinSequenceNumber: seq})
	require.NoError(t, err)
	// Looking at reports is written into the log, so that the number of the
	// present moves on between two questions; what is counted does not.
	for _, m := range f.all() {
		for _, name := range []protoreflect.Name{"sequence_number", "as_at"} {
			if fd := m.ProtoReflect().Descriptor().Fields().ByName(name); fd != nil {
				m.ProtoReflect().Clear(fd)
			}
		}
	}
	return f
}

// requireSame compares two servers, or two lives of one, at one number.
func (f *figures) requireSame(t *testing.T, o *figures) {
	t.Helper()
	mine, others := f.all(), o.all()
	for i := range mine {
		require.True(t, proto.Equal(mine[i], others[i]), "%s", firstDifference(mine[i], others[i]))
	}
}

func (f *figures) all() []proto.Message {
	return []proto.Message{f.list, f.found, f.kinds, f.months, f.crossed, f.hurt, f.mechanisms, f.placed, f.chart, f.rates}
}

// firstDifference names the first field in which two messages differ.
func firstDifference(a, b proto.Message) string {
	fields := a.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if x, y := a.ProtoReflect().Get(fd), b.ProtoReflect().Get(fd); !x.Equal(y) {
			return fmt.Sprintf("%s.%s differs:\n%v\n%v", a.ProtoReflect().Descriptor().Name(), fd.Name(), x, y)
		}
	}
	return "no difference"
}

// equalHeads compares what was counted, leaving out empty rows.
func equalHeads(a, b []*pb.TableHead) bool {
	totals := func(heads []*pb.TableHead) map[string]int64 {
		m := map[string]int64{}
		for _, h := range heads {
			if h.GetTotal() > 0 {
				m[h.GetKey()] = h.GetTotal()
			}
		}
		return m
	}
	x, y := totals(a), totals(b)
	if len(x) != len(y) {
		return false
	}
	for k, n := range x {
		if y[k] != n {
			return false
		}
	}
	return true
}
