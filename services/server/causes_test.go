package server_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// causes asks the demonstration world, whose truth is known, through the doors
// that everybody uses.
func (s *shire) causes(t *testing.T) {
	numbers, reports, search := pb.NewMeasureServiceClient(s.Conn()), pb.NewReportServiceClient(s.Conn()), pb.NewSearchServiceClient(s.Conn())
	adviser := s.As("adviser")
	listed := func(f *pb.ReportFilter) int64 {
		require.NotNil(t, f)
		r, err := reports.ListReports(adviser, &pb.ListReportsRequest{Filter: f, PageSize: 1})
		require.NoError(t, err, reasons(err))
		return r.GetTotalSize()
	}
	sought := func(f *pb.ReportFilter) int64 {
		r, err := search.SearchReports(adviser, &pb.SearchReportsRequest{Words: "truck", Filter: f})
		require.NoError(t, err, reasons(err))
		return r.GetTotalSize()
	}

	// The waste crew's worsening is found; the nursery's new habit of telling is
	// not called a danger; the roads crew's month of bad luck is not announced.
	found, err := numbers.FindClusters(adviser, &pb.FindClustersRequest{Category: pb.Dimension_DIMENSION_KIND})
	require.NoError(t, err, reasons(err))
	standing := map[string]*pb.CauseCluster{}
	for _, x := range found.GetClusters() {
		require.Equal(t, x.GetCount(), listed(x.GetFilter()))
		if x.GetStands() {
			standing[x.GetWorkplace().GetKey()+" "+x.GetCategory().GetKey()] = x
		}
	}
	waste := standing["workplaces/transfer-waste REPORT_KIND_INJURY_OR_ILLNESS"]
	require.NotNil(t, waste, found.GetSentence())
	require.Less(t, waste.GetPValue(), 0.01)
	require.GreaterOrEqual(t, waste.GetStartMonth(), s.month(24))
	t.Log(found.GetSentence())
	for key, x := range standing {
		require.Contains(t, []string{"workplaces/transfer-waste REPORT_KIND_INJURY_OR_ILLNESS", "workplaces/lakeside-nursery REPORT_KIND_NEAR_MISS"}, key)
		if x.GetWorkplace().GetKey() == "workplaces/lakeside-nursery" {
			require.Contains(t, x.GetSentence(), "good news or no news, not a warning")
		}
	}

	// Every number leads to its reports, by list and by search.
	for _, d := range []pb.Dimension{pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_AGENCY, pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_WORKPLACE} {
		for _, persons := range []bool{false, true} {
			filter := &pb.ReportFilter{Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, pb.ReportKind_REPORT_KIND_NEAR_MISS}}
			r, err := numbers.RankCauses(adviser, &pb.RankCausesRequest{Filter: filter, Dimension: d, CodeLevel: 1, CountHarms: persons, RowLimit: 100})
			require.NoError(t, err, reasons(err))
			var words, all int64
			rows := r.GetRows()
			if r.GetUnknown() != nil {
				rows = append(rows, r.GetUnknown())
			}
			for _, row := range rows {
				require.Equal(t, row.GetReports(), listed(row.GetFilter()), "%s %s", d, row.GetHead().GetKey())
				words += sought(row.GetFilter())
				all += row.GetCount()
			}
			require.Equal(t, r.GetTotal(), all)
			if !persons {
				whole := proto.Clone(rows[0].GetFilter()).(*pb.ReportFilter)
				whole.Cells = nil
				require.Equal(t, sought(whole), words, "the cells of a table part what the words find")
			}
		}
	}
	crossed, err := numbers.CrossCauses(adviser, &pb.CrossCausesRequest{Rows: pb.Dimension_DIMENSION_MECHANISM, Columns: pb.Dimension_DIMENSION_WORKPLACE, CodeLevel: 1})
	require.NoError(t, err, reasons(err))
	require.Positive(t, crossed.GetStanding())
	for _, p := range crossed.GetPairs() {
		require.Equal(t, p.GetReports(), listed(p.GetFilter()))
	}

	t.Run("a supervisor sees their own", func(t *testing.T) {
		boss := s.As("supervisor")
		r, err := numbers.RankCauses(boss, &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_WORKPLACE})
		require.NoError(t, err, reasons(err))
		require.NotEmpty(t, r.GetRows())
		for _, row := range r.GetRows() {
			require.Contains(t, row.GetHead().GetKey(), "workplaces/northside")
			require.Zero(t, row.GetRank(), "places are not ranked")
			require.Equal(t, row.Hours == nil, row.GetMonthsWithoutHours() > 0)
			mine, err := reports.ListReports(boss, &pb.ListReportsRequest{Filter: row.GetFilter(), PageSize: 1})
			require.NoError(t, err, reasons(err))
			if row.GetReports() != guard.HeldBack {
				require.Equal(t, row.GetReports(), mine.GetTotalSize())
			}
		}
		_, err = numbers.RankCauses(boss, &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_WORKPLACE, Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/workshop"}}})
		require.Equal(t, codes.PermissionDenied, status.Code(err))
		// A filter by codes that an adviser passes on opens nothing.
		_, err = reports.ListReports(boss, &pb.ListReportsRequest{Filter: crossed.GetPairs()[0].GetFilter()})
		require.Equal(t, codes.PermissionDenied, status.Code(err))
	})
	t.Run("the committee sees what is held back", func(t *testing.T) {
		c, err := numbers.CrossCauses(s.As("committee"), &pb.CrossCausesRequest{Rows: pb.Dimension_DIMENSION_MECHANISM, Columns: pb.Dimension_DIMENSION_NATURE, CodeLevel: 1})
		require.NoError(t, err, reasons(err))
		require.NotEmpty(t, c.GetHeldBackReason(), "what was hurt is told by whole years")
		require.Empty(t, c.GetCounts())
		c, err = numbers.CrossCauses(s.As("committee"), &pb.CrossCausesRequest{Rows: pb.Dimension_DIMENSION_MECHANISM, Columns: pb.Dimension_DIMENSION_KIND, CodeLevel: 1, Filter: &pb.ReportFilter{Kinds: guard.NobodyHurt()}})
		require.NoError(t, err, reasons(err))
		require.Positive(t, c.GetHeldBack())
		for _, n := range c.GetCounts() {
			require.False(t, n > 0 && n < guard.Smallest)
		}
		for _, p := range c.GetPairs() {
			require.Nil(t, p.GetFilter())
		}
		_, err = numbers.RankCauses(s.As("worker"), &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_MECHANISM})
		require.Equal(t, codes.PermissionDenied, status.Code(err))
	})
	t.Run("by the web door", func(t *testing.T) {
		for path, body := range map[string]string{
			"rank": `{"dimension":"DIMENSION_MECHANISM"}`, "cross": `{"rows":"DIMENSION_MECHANISM","columns":"DIMENSION_KIND"}`, "clusters": `{"category":"DIMENSION_KIND"}`,
		} {
			req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+s.Web+"/v1/causes:"+path, bytes.NewBufferString(body))
			require.NoError(t, err)
			req.Header.Set("Authorization", "Bearer "+s.Tokens["adviser"])
			req.Header.Set("Content-Type", "application/json")
			resp, err := web.Do(req)
			require.NoError(t, err)
			var got map[string]any
			require.NoError(t, json.NewDecoder(resp.Body).Decode(&got))
			require.NoError(t, resp.Body.Close())
			require.Equal(t, http.StatusOK, resp.StatusCode, path)
			require.NotEmpty(t, got["sentence"], path)
		}
	})
}
