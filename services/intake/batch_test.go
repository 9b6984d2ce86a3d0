package intake_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/intake"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

const (
	created   = pb.ImportStatus_IMPORT_STATUS_CREATED
	unchanged = pb.ImportStatus_IMPORT_STATUS_UNCHANGED
	refusal   = pb.ImportStatus_IMPORT_STATUS_REFUSED
)

// imported is a record that is fine; change makes it something else.
func imported(id string, change func(*pb.ImportRecord)) *pb.ImportRecord {
	r := &pb.ImportRecord{SourceLine: 2, Report: nearMiss(func(r *pb.Report) {
		r.OccurTime = at("2019-05-06T02:00:00Z")
		r.TellerMode = 0
		r.Origin = &pb.Origin{Dataset: "old-register", SourceId: id, Title: "Branch", Attributes: map[string]string{"column": "value"}}
	})}
	if change != nil {
		change(r)
	}
	return r
}

func TestImport(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	hurt := imported("2", func(r *pb.ImportRecord) {
		r.SourceLine = 3
		r.Report.Kind, r.Report.Harms = 3, []*pb.Harm{{Description: "Cut", OutcomeHistory: []*pb.OutcomeChange{{Outcome: 3}}}}
		r.Codings = []*pb.Coding{{HarmId: "h1", Mechanism: "021", Origin: 2, SourceCodes: map[string]string{"OIICS 2.01 event": "6412"}},
			{Mechanism: "22", Answers: map[string]pb.AnswerState{"nature": notApply, "agency": pb.AnswerState_ANSWER_STATE_NOT_ASKED}}}
	})
	bad := imported("3", func(r *pb.ImportRecord) { r.SourceLine, r.Report.Narrative = 4, " " })
	req := &pb.ImportReportsRequest{Records: []*pb.ImportRecord{imported("1", nil), hurt, bad, imported("4", nil)}}

	before := h.head()
	check := proto.Clone(req).(*pb.ImportReportsRequest)
	check.ValidateOnly = true
	preview, err := call(integration, h.ImportReports, check)
	require.NoError(t, err)
	require.Equal(t, before, h.head(), "a check writes nothing")
	resp, err := call(integration, h.ImportReports, req)
	require.NoError(t, err)
	require.Equal(t, before+5, h.head(), "three reports and two codings")
	require.Equal(t, h.head(), resp.SequenceNumber)
	for i, want := range []pb.ImportStatus{created, created, refusal, created} {
		require.Equal(t, want, resp.Results[i].Status, "%d: %v", i, resp.Results[i].Violations)
		require.Equal(t, want, preview.Results[i].Status)
		require.Equal(t, req.Records[i].SourceLine, resp.Results[i].SourceLine)
	}
	require.Equal(t, "report.narrative", resp.Results[2].Violations[0].Field)
	require.Len(t, resp.Results[2].Violations, 1)
	require.Empty(t, resp.Results[2].Report)

	got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: resp.Results[1].Report})
	require.NoError(t, err)
	require.Equal(t, now, got.ReceiveTime.AsTime())
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT, got.Harms[0].Outcome)
	require.Equal(t, "old-register", got.Origin.Dataset)
	require.NotEmpty(t, got.ShortCode)
	res, err := h.log.Get(context.Background(), got.Name+"/codings/h1")
	require.NoError(t, err)
	var coding pb.Coding
	require.NoError(t, record.Read(res.Body, res.Revision, &coding))
	require.Equal(t, "21", coding.Mechanism, "in its canonical form")
	require.Equal(t, "TOOCS 3.1", coding.Edition)
	require.Equal(t, "principals/integration", coding.Coder)
	res, err = h.log.Get(context.Background(), got.Name+"/codings/report")
	require.NoError(t, err)
	coding.Reset()
	require.NoError(t, record.Read(res.Body, res.Revision, &coding))
	require.Equal(t, map[string]pb.AnswerState{"nature": notApply}, coding.Answers)

	// The same file again: nothing is written, and each record is found.
	before = h.head()
	again, err := call(integration, h.ImportReports, req)
	require.NoError(t, err)
	checked, err := call(integration, h.ImportReports, check)
	require.NoError(t, err)
	for i, want := range []pb.ImportStatus{unchanged, unchanged, refusal, unchanged} {
		require.Equal(t, want, again.Results[i].Status)
		require.Equal(t, want, checked.Results[i].Status)
		require.Equal(t, resp.Results[i].Report, again.Results[i].Report)
	}
	require.Equal(t, before, h.head())

	// What was taken once is left as it is, whatever would be said of it now.
	worse := imported("1", func(r *pb.ImportRecord) { r.Report.Workplace = "workplaces/nowhere" })
	again, err = call(integration, h.ImportReports, &pb.ImportReportsRequest{Records: []*pb.ImportRecord{worse}})
	require.NoError(t, err)
	require.Equal(t, unchanged, again.Results[0].Status)
}

func TestImportWithinABatch(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	filed := h.file(nearMiss(nil)).Name
	named := func(id, name string) *pb.ImportRecord {
		return imported(id, func(r *pb.ImportRecord) { r.Report.Name = name })
	}
	records := []*pb.ImportRecord{
		named("1", "reports/"+someUUID),
		named("1", "reports/"+otherUUID), // the same record of the source
		named("2", "reports/"+someUUID),  // another record under the same name
		named("3", filed),                // under the name of another report
		imported("4", func(r *pb.ImportRecord) {
			r.Report.Links = []*pb.ReportLink{{Report: "reports/" + someUUID, Kind: 1}, {Report: filed, Kind: 2}}
		}),
		imported("5", func(r *pb.ImportRecord) {
			r.Report.Links = []*pb.ReportLink{{Report: "reports/" + otherUUID[:35] + "9", Kind: 1}}
		}),
		// It happened before the yard closed; and after.
		imported("6", func(r *pb.ImportRecord) { r.Report.Workplace = oldYard }),
		imported("7", func(r *pb.ImportRecord) { r.Report.Workplace, r.Report.OccurTime = oldYard, at("2026-01-01T00:00:00Z") }),
	}
	want := []pb.ImportStatus{created, unchanged, refusal, refusal, created, refusal, created, refusal}
	for _, check := range []bool{true, false} {
		resp, err := call(integration, h.ImportReports, &pb.ImportReportsRequest{Records: records, ValidateOnly: check})
		require.NoError(t, err)
		for i := range want {
			require.Equal(t, want[i], resp.Results[i].Status, "check %v, %d: %v", check, i, resp.Results[i].Violations)
		}
		require.Equal(t, "reports/"+someUUID, resp.Results[1].Report)
		require.Equal(t, "report.name", resp.Results[2].Violations[0].Field)
		require.Equal(t, "report.links[0].report", resp.Results[5].Violations[0].Field)
	}
}

func TestImportRefuses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	coded := func(all ...*pb.Coding) func(*pb.ImportRecord) { return func(r *pb.ImportRecord) { r.Codings = all } }
	north := as(pb.Role_ROLE_INTEGRATION, northside)
	before := h.head()
	for name, c := range map[string]struct {
		ctx    context.Context
		r      *pb.ImportRecord
		fields []string
	}{
		"nothing":                 {integration, &pb.ImportRecord{}, []string{"report"}},
		"no origin":               {integration, imported("x", func(r *pb.ImportRecord) { r.Report.Origin = nil }), []string{"report.origin"}},
		"no source id":            {integration, imported("", nil), []string{"report.origin.source_id"}},
		"dataset in words":        {integration, imported("x", func(r *pb.ImportRecord) { r.Report.Origin.Dataset = "Old Register" }), []string{"report.origin.dataset"}},
		"no narrative, no kind":   {integration, imported("x", func(r *pb.ImportRecord) { r.Report.Narrative, r.Report.Kind = "", 0 }), []string{"report.narrative", "report.kind"}},
		"attribute too long":      {integration, imported("x", func(r *pb.ImportRecord) { r.Report.Origin.Attributes["y"] = strings.Repeat("x", 2001) }), []string{`report.origin.attributes["y"]`}},
		"before 1950":             {integration, imported("x", func(r *pb.ImportRecord) { r.Report.OccurTime = at("1921-01-01T00:00:00Z") }), []string{"report.occur_time"}},
		"in the future":           {integration, imported("x", func(r *pb.ImportRecord) { r.Report.OccurTime = at("2031-01-01T00:00:00Z") }), []string{"report.occur_time"}},
		"workplace not there":     {integration, imported("x", func(r *pb.ImportRecord) { r.Report.Workplace = "workplaces/nowhere" }), []string{"report.workplace"}},
		"beyond the role":         {north, imported("x", func(r *pb.ImportRecord) { r.Report.Workplace = quarry }), []string{"report.workplace"}},
		"nobody of that name":     {integration, imported("x", func(r *pb.ImportRecord) { r.Report.Harms = []*pb.Harm{{Person: "people/nobody"}} }), []string{"report.harms[0].person"}},
		"coding of no harm":       {integration, imported("x", coded(&pb.Coding{HarmId: "h1", Mechanism: "21"})), []string{"codings[0].harm_id"}},
		"coded twice":             {integration, imported("x", coded(&pb.Coding{Mechanism: "21"}, &pb.Coding{Mechanism: "22"})), []string{"codings[1].harm_id"}},
		"coding without a code":   {integration, imported("x", coded(&pb.Coding{Note: "hm"})), []string{"codings[0]"}},
		"code that is none":       {integration, imported("x", coded(&pb.Coding{Mechanism: "2134"})), []string{"codings[0].mechanism"}},
		"code too long":           {integration, imported("x", coded(&pb.Coding{Mechanism: strings.Repeat("1", 65)})), []string{"codings[0].mechanism"}},
		"coding state and value":  {integration, imported("x", coded(&pb.Coding{Mechanism: "21", Answers: map[string]pb.AnswerState{"mechanism": notKnown}})), []string{"codings[0].answers.mechanism"}},
		"coding origin not known": {integration, imported("x", coded(&pb.Coding{Mechanism: "21", Origin: 9})), []string{"codings[0].origin"}},
	} {
		resp, err := call(c.ctx, h.ImportReports, &pb.ImportReportsRequest{Records: []*pb.ImportRecord{c.r}})
		require.NoError(t, err, name)
		require.Equal(t, refusal, resp.Results[0].Status, name)
		var got []string
		for _, v := range resp.Results[0].Violations {
			got = append(got, v.Field)
			require.NotEmpty(t, v.Description)
		}
		require.ElementsMatch(t, c.fields, got, "%s: %v", name, resp.Results[0].Violations)
	}
	_, err := call(integration, h.ImportReports, &pb.ImportReportsRequest{})
	refused(t, err, "records")
	many := &pb.ImportReportsRequest{}
	for i := range 501 {
		many.Records = append(many.Records, imported(fmt.Sprint(i), nil))
	}
	_, err = call(integration, h.ImportReports, many)
	refused(t, err, "records")
	require.Equal(t, before, h.head(), "nothing was written")

	// Without somebody to check codes, records with codes wait.
	d := h.Deps
	d.Codes = nil
	resp, err := call(integration, intake.New(d).ImportReports, &pb.ImportReportsRequest{Records: []*pb.ImportRecord{imported("x", coded(&pb.Coding{Mechanism: "21"}))}})
	require.NoError(t, err)
	require.Equal(t, "codings[0]", resp.Results[0].Violations[0].Field)
}

func TestImportAnonymous(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	resp, err := call(integration, h.ImportReports, &pb.ImportReportsRequest{Records: []*pb.ImportRecord{
		imported("1", func(r *pb.ImportRecord) { r.Report.TellerMode, r.Report.TellerRole = 3, 1 })}})
	require.NoError(t, err)
	got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: resp.Results[0].Report})
	require.NoError(t, err)
	require.Zero(t, got.TellerRole)
	require.Equal(t, at("2026-03-03T13:00:00Z").AsTime(), got.ReceiveTime.AsTime())
}

func TestWritesWhenTheLedgerIsClosed(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(nil))
	// A house whose ledger is going away says so, and clients try again.
	shut, err := sqlite.Open(context.Background(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	require.NoError(t, shut.Close())
	d := h.Deps
	d.Ledger = shut
	s := intake.New(d)
	_, err = call(adviser, s.GetReport, &pb.GetReportRequest{Name: r.Name})
	require.Equal(t, codes.Unavailable, status.Code(err))
	_, err = call(worker, s.FileReport, &pb.FileReportRequest{Report: nearMiss(nil)})
	require.Equal(t, codes.Unavailable, status.Code(err))
	_, err = call(adviser, s.UpdateReport, amend(r, func(r *pb.Report) { r.Spot = "x" }))
	require.Equal(t, codes.Unavailable, status.Code(err))
	_, err = call(integration, s.ImportReports, &pb.ImportReportsRequest{Records: []*pb.ImportRecord{imported("1", nil)}})
	require.Equal(t, codes.Unavailable, status.Code(err))
}
