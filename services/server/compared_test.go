package server_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server/servertest"
)

// TestCompared: what came between two moments is told figure by figure, with the
// reports behind it in plain words.
func TestCompared(t *testing.T) {
	t.Parallel()
	l := live(t, servertest.Options{})
	head := l.early()
	sum, err := l.export.GetSummary(l.As("auditor"), quarter())
	require.NoError(t, err)
	same, err := l.export.CompareSummaries(l.As("auditor"), &pb.CompareSummariesRequest{Summary: quarter(), From: sum.GetAsAt()})
	require.NoError(t, err)
	require.Empty(t, same.GetFigures())
	require.Empty(t, same.GetReports())
	require.Greater(t, same.GetCompared(), int32(50))
	require.Contains(t, same.GetSentence(), "None of")

	l.late()
	c, err := l.export.CompareSummaries(l.As("adviser"), &pb.CompareSummariesRequest{Summary: quarter(), From: sum.GetAsAt()})
	require.NoError(t, err)
	require.Equal(t, head, c.GetFrom().GetSequenceNumber())
	require.Equal(t, l.Head(), c.GetTo().GetSequenceNumber())
	told := map[string]*pb.ReportDifference{}
	for _, r := range c.GetReports() {
		require.NotEmpty(t, r.GetShortCode())
		told[r.GetReport()] = r
	}
	what := func(purpose string) *pb.ReportDifference {
		r := told[l.filed[purpose].GetName()]
		require.NotNil(t, r, purpose)
		return r
	}
	require.Equal(t, []string{"filed"}, what("late").GetWhat())
	require.False(t, what("late").GetWasIn())
	require.True(t, what("late").GetIsIn())
	require.Equal(t, []string{"voided"}, what("voided").GetWhat())
	require.True(t, what("voided").GetWasIn())
	require.False(t, what("voided").GetIsIn())
	require.Equal(t, []string{"coded anew"}, what("recoded").GetWhat())
	require.Equal(t, []string{"amended", "kind changed from injury or illness to near miss"}, what("amended").GetWhat())
	require.Contains(t, what("worse").GetWhat(), "outcome changed from none recorded to lost time")
	require.Contains(t, what("worse").GetWhat(), "days away or restricted were recorded")
	require.EqualValues(t, 5, c.GetReportCount())

	require.Len(t, c.GetHours(), 1)
	require.Equal(t, "2026-02", c.GetHours()[0].GetMonth())
	require.Equal(t, 8013.0, c.GetHours()[0].GetWasHours())
	require.Equal(t, 9500.0, c.GetHours()[0].GetIsHours())
	require.Equal(t, "the payroll was late", c.GetHours()[0].GetReason())

	// Every difference is one between the two summaries, and none is left out.
	is, err := l.export.GetSummary(l.As("adviser"), quarter())
	require.NoError(t, err)
	byName := map[string]*pb.FigureDifference{}
	for _, f := range c.GetFigures() {
		require.NotEqual(t, f.GetWas(), f.GetIs())
		byName[f.GetPart()+": "+f.GetFigure()] = f
	}
	for i, v := range sum.GetMeasures() {
		w := is.GetMeasures()[i]
		_, differs := byName["Measures: "+v.GetDefinition().GetTitle()]
		v, w = proto.Clone(v).(*pb.MeasureValue), proto.Clone(w).(*pb.MeasureValue)
		require.Equal(t, v.GetValue() != w.GetValue() || v.GetNumerator() != w.GetNumerator() || v.GetDenominator() != w.GetDenominator() || v.GetUndefinedReason() != w.GetUndefinedReason(), differs, "%s", v.GetDefinition().GetTitle())
	}
	require.Equal(t, "4", byName["Reports by kind: injury or illness"].GetWas())
	require.Equal(t, "3", byName["Reports by kind: injury or illness"].GetIs())
	require.Equal(t, "0", byName["Reports by kind: near miss"].GetWas())
	require.Equal(t, "1", byName["Reports by kind: near miss"].GetIs())
	require.NotContains(t, byName, "Reports by kind: hazard")

	// The committee is told the figures and not which reports.
	c, err = l.export.CompareSummaries(l.As("committee"), &pb.CompareSummariesRequest{Summary: quarter(), From: sum.GetAsAt()})
	require.NoError(t, err)
	require.NotEmpty(t, c.GetFigures())
	require.Empty(t, c.GetReports())
	require.Zero(t, c.GetReportCount())

	few, err := l.export.CompareSummaries(l.As("adviser"), &pb.CompareSummariesRequest{Summary: quarter(), From: asAt(head), To: asAt(l.Head()), ReportLimit: 2})
	require.NoError(t, err)
	require.Len(t, few.GetReports(), 2)
	require.EqualValues(t, 5, few.GetReportCount())
}

// TestComparedWithinReach: nobody is told of a report that they do not see.
func TestComparedWithinReach(t *testing.T) {
	t.Parallel()
	everyone := access.NewDirectory()
	o := servertest.Options{Directory: everyone}
	for _, p := range []access.Principal{
		{Name: "principals/worker", Roles: []pb.Role{pb.Role_ROLE_WORKER}},
		{Name: "principals/adviser", Roles: []pb.Role{pb.Role_ROLE_ADVISER}},
		{Name: "principals/administrator", Roles: []pb.Role{pb.Role_ROLE_ADMINISTRATOR}},
		{Name: "principals/narrow", Roles: []pb.Role{pb.Role_ROLE_AUDITOR}, Workplaces: []string{"workplaces/northside"}},
	} {
		word := p.Name[len("principals/"):]
		require.NoError(t, everyone.AddWithToken(p, "test-"+word))
	}
	l := live(t, o)
	head := l.early()
	r := l.fresh("amended")
	_, err := l.reports.UpdateReport(l.As("adviser"), &pb.UpdateReportRequest{Reason: "it was at the other depot",
		Report: &pb.Report{Name: r.GetName(), Etag: r.GetEtag(), Workplace: "workplaces/quarry-road"}})
	require.NoError(t, err)
	l.file("late", 25, false)
	l.Ready(l.Head())
	ctx := metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer test-narrow")
	c, err := l.export.CompareSummaries(ctx, &pb.CompareSummariesRequest{Summary: quarter(), From: asAt(head)})
	require.NoError(t, err)
	require.Len(t, c.GetReports(), 1)
	require.Equal(t, l.filed["late"].GetName(), c.GetReports()[0].GetReport())
	require.EqualValues(t, 1, c.GetReportCount())
	q := quarter()
	q.Workplace = "workplaces/quarry-road"
	_, err = l.export.CompareSummaries(ctx, &pb.CompareSummariesRequest{Summary: q, From: asAt(head)})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
}
