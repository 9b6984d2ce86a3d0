package intake_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestGetReportRefuses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(nil))
	slip := []byte(strings.ReplaceAll(r.ShortCode, "-", ""))
	slip[2] = map[bool]byte{true: '7', false: '8'}[slip[2] != '7']
	for name, c := range map[string]struct {
		req  *pb.GetReportRequest
		code codes.Code
	}{
		"nothing":            {&pb.GetReportRequest{}, codes.InvalidArgument},
		"another noun":       {&pb.GetReportRequest{Name: northside}, codes.InvalidArgument},
		"too long":           {&pb.GetReportRequest{Name: "reports/" + strings.Repeat("a", 65)}, codes.InvalidArgument},
		"neither":            {&pb.GetReportRequest{Name: "reports/seven"}, codes.InvalidArgument},
		"code with a slip":   {&pb.GetReportRequest{Name: "reports/" + string(slip)}, codes.InvalidArgument},
		"not there":          {&pb.GetReportRequest{Name: "reports/" + someUUID}, codes.NotFound},
		"code of nothing":    {&pb.GetReportRequest{Name: "reports/TDS-P2R-N"}, codes.NotFound},
		"a negative number":  {&pb.GetReportRequest{Name: r.Name, MinSequenceNumber: -1}, codes.InvalidArgument},
		"the nil UUID":       {&pb.GetReportRequest{Name: "reports/00000000-0000-0000-0000-000000000000"}, codes.InvalidArgument},
		"UUID in capitals":   {&pb.GetReportRequest{Name: "reports/" + strings.ToUpper(strings.TrimPrefix(r.Name, "reports/"))}, codes.OK},
		"hyphens out of row": {&pb.GetReportRequest{Name: "reports/" + strings.ReplaceAll(r.ShortCode, "-", "") + "-"}, codes.OK},
	} {
		_, err := call(adviser, h.GetReport, c.req)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
	}

	ctx, cancel := context.WithTimeout(adviser, 30*time.Millisecond)
	defer cancel()
	_, err := call(ctx, h.GetReport, &pb.GetReportRequest{Name: r.Name, MinSequenceNumber: h.head() + 5})
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.ErrorContains(t, err, "has not been reached yet")
}

func TestRowsAndFieldsByRole(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(func(_ *pb.Report, one *pb.Harm) { one.Person = hurtOne }))
	north, west := as(pb.Role_ROLE_SUPERVISOR, northside), as(pb.Role_ROLE_SUPERVISOR, quarry)

	got, err := call(north, h.GetReport, &pb.GetReportRequest{Name: r.Name})
	require.NoError(t, err)
	require.Equal(t, hurtOne, got.Harms[0].Person)

	// Elsewhere it is not there, by name or by code, and nothing tells it apart
	// from one that is not.
	_, hidden := call(west, h.GetReport, &pb.GetReportRequest{Name: r.Name})
	_, missing := call(west, h.GetReport, &pb.GetReportRequest{Name: "reports/" + someUUID})
	require.Equal(t, codes.NotFound, status.Code(hidden))
	require.Equal(t, missing.Error(), strings.ReplaceAll(hidden.Error(), r.Name, "reports/"+someUUID))
	_, err = call(west, h.GetReport, &pb.GetReportRequest{Name: "reports/" + r.ShortCode})
	require.Equal(t, codes.NotFound, status.Code(err))
	_, err = call(west, h.UpdateReport, &pb.UpdateReportRequest{Report: &pb.Report{Name: r.Name, Etag: "r1", Spot: "x"}, Reason: "why not"})
	require.Equal(t, codes.NotFound, status.Code(err))
	_, err = call(west, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: r.Name})
	require.Equal(t, codes.NotFound, status.Code(err))

	got, err = call(representative, h.GetReport, &pb.GetReportRequest{Name: r.Name})
	require.NoError(t, err)
	require.Empty(t, got.Harms[0].Description+got.Harms[0].Person)
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT, got.Harms[0].Outcome)

	got, err = call(auditor, h.GetReport, &pb.GetReportRequest{Name: r.Name})
	require.NoError(t, err)
	require.Empty(t, got.Harms[0].Person)
	require.NotEmpty(t, got.Harms[0].Description)
	require.Empty(t, got.Harms[0].OutcomeHistory[0].Recorder, "an auditor does not read who did what")
	got, err = call(adviser, h.GetReport, &pb.GetReportRequest{Name: r.Name})
	require.NoError(t, err)
	require.Equal(t, "principals/worker", got.Harms[0].OutcomeHistory[0].Recorder)
}

func TestListReports(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	var newest []string
	for i := range 7 {
		r := h.file(nearMiss(func(r *pb.Report) {
			r.OccurTime = timestamppb.New(now.Add(-time.Duration(i) * time.Hour))
			r.Workplace = []string{northside, trees, quarry}[i%3]
		}))
		newest = append(newest, r.Name)
	}
	list := func(ctx context.Context, req *pb.ListReportsRequest) (names []string) {
		req.MinSequenceNumber = h.head()
		for {
			page, err := call(ctx, h.ListReports, req)
			require.NoError(t, err)
			require.GreaterOrEqual(t, page.SequenceNumber, req.MinSequenceNumber)
			for _, r := range page.Reports {
				names = append(names, r.Name)
			}
			require.LessOrEqual(t, len(names), int(page.TotalSize))
			if page.NextPageToken == "" {
				require.Len(t, names, int(page.TotalSize))
				return names
			}
			req.PageToken = page.NextPageToken
		}
	}
	require.Equal(t, newest, list(adviser, &pb.ListReportsRequest{PageSize: 3}))
	require.Equal(t, newest, list(adviser, &pb.ListReportsRequest{}))
	only := func(places ...int) (out []string) {
		for i, n := range newest {
			for _, p := range places {
				if i%3 == p {
					out = append(out, n)
				}
			}
		}
		return out
	}
	inNorth := &pb.ListReportsRequest{PageSize: 2, Filter: &pb.ReportFilter{Workplaces: []string{northside}}}
	require.Equal(t, only(0, 1), list(adviser, inNorth), "with all below it")
	require.Equal(t, only(2), list(as(pb.Role_ROLE_SUPERVISOR, quarry), &pb.ListReportsRequest{PageSize: 1}))
	require.Equal(t, only(2), list(as(pb.Role_ROLE_SUPERVISOR, quarry), &pb.ListReportsRequest{Filter: &pb.ReportFilter{Workplaces: []string{shire}}}))

	page, err := call(adviser, h.ListReports, &pb.ListReportsRequest{PageSize: 1})
	require.NoError(t, err)
	for name, c := range map[string]struct {
		ctx   context.Context
		req   *pb.ListReportsRequest
		code  codes.Code
		field string
	}{
		"page too large":             {adviser, &pb.ListReportsRequest{PageSize: 501}, codes.InvalidArgument, "page_size"},
		"page of less than nothing":  {adviser, &pb.ListReportsRequest{PageSize: -1}, codes.InvalidArgument, "page_size"},
		"token made up":              {adviser, &pb.ListReportsRequest{PageToken: "AAAA"}, codes.InvalidArgument, "page_token"},
		"token of another question":  {adviser, &pb.ListReportsRequest{PageToken: page.NextPageToken, Filter: &pb.ReportFilter{IncludeVoided: true}}, codes.InvalidArgument, "page_token"},
		"workplace not there":        {adviser, &pb.ListReportsRequest{Filter: &pb.ReportFilter{Workplaces: []string{shire, "workplaces/nortside"}}}, codes.InvalidArgument, "filter.workplaces[1]"},
		"start on no day":            {adviser, &pb.ListReportsRequest{Filter: &pb.ReportFilter{StartDate: "2026-02-30"}}, codes.InvalidArgument, "filter.start_date"},
		"end on no day":              {adviser, &pb.ListReportsRequest{Filter: &pb.ReportFilter{EndDate: "2026-02-30"}}, codes.InvalidArgument, "filter.end_date"},
		"end before start":           {adviser, &pb.ListReportsRequest{Filter: &pb.ReportFilter{StartDate: "2026-03-01", EndDate: "2026-03-01"}}, codes.InvalidArgument, "filter.end_date"},
		"kind nobody knows":          {adviser, &pb.ListReportsRequest{Filter: &pb.ReportFilter{Kinds: []pb.ReportKind{99}}}, codes.InvalidArgument, "filter.kinds[0]"},
		"codes without the right":    {representative, &pb.ListReportsRequest{Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: 3, Code: "2"}}}}, codes.PermissionDenied, ""},
		"beyond the role":            {as(pb.Role_ROLE_SUPERVISOR, quarry), &pb.ListReportsRequest{Filter: &pb.ReportFilter{Workplaces: []string{northside}}}, codes.PermissionDenied, ""},
		"beyond the role, not there": {as(pb.Role_ROLE_SUPERVISOR, quarry), &pb.ListReportsRequest{Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/nowhere"}}}, codes.PermissionDenied, ""},
	} {
		_, err := call(c.ctx, h.ListReports, c.req)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Equal(t, []string{c.field}, fields(err), name)
		}
	}
	ctx, cancel := context.WithTimeout(adviser, 30*time.Millisecond)
	defer cancel()
	_, err = call(ctx, h.ListReports, &pb.ListReportsRequest{MinSequenceNumber: h.head() + 5})
	require.Equal(t, codes.Unavailable, status.Code(err))
}

func TestVoidedReportsAreLeftOut(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(nil))
	resp, err := call(adviser, h.VoidReport, &pb.VoidReportRequest{Name: r.Name, Etag: r.Etag, Reason: "filed twice by mistake"})
	require.NoError(t, err)
	page, err := call(adviser, h.ListReports, &pb.ListReportsRequest{MinSequenceNumber: resp.SequenceNumber})
	require.NoError(t, err)
	require.Zero(t, page.TotalSize)
	page, err = call(adviser, h.ListReports, &pb.ListReportsRequest{Filter: &pb.ReportFilter{IncludeVoided: true}})
	require.NoError(t, err)
	require.Equal(t, fmt.Sprint([]string{r.Name}), fmt.Sprint([]string{page.Reports[0].Name}))
	require.Equal(t, "filed twice by mistake", page.Reports[0].VoidReason)
}
