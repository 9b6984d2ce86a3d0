package export

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/guard"
	"fairlead/services/ledger"
	"fairlead/services/moment"
	"fairlead/services/record"
)

// figures stands for the measure room: fixed figures at one sequence number.
type figures struct {
	seq, moves int64
	asked      []*pb.TabulateRequest
}

func (f *figures) at(as *pb.AsAt) int64 {
	if n, then := as.GetMoment().(*pb.AsAt_SequenceNumber); then {
		return n.SequenceNumber
	}
	if f.moves > 0 {
		f.moves--
		f.seq++
	}
	return f.seq
}

func (f *figures) ComputeRates(_ context.Context, req *pb.ComputeRatesRequest) (*pb.ComputeRatesResponse, error) {
	v, lo, hi, d := 11.111, 3.6, 25.9, 450_000.0
	return &pb.ComputeRatesResponse{SequenceNumber: f.at(req.GetAsAt()), Scope: "=Shire", Period: req.Period, Values: []*pb.MeasureValue{
		{Definition: &pb.MeasureDefinition{Measure: "frequency_rate", Title: "Lost-time frequency rate", Unit: "per million hours", Denominator: "hours worked", Formula: "f", NumeratorRule: "r", Source: "s"},
			Defined: true, Value: &v, Lower: &lo, Upper: &hi, Level: 0.95, Numerator: 5, Denominator: &d, Sentence: "5 in 450,000 hours."},
		{Definition: &pb.MeasureDefinition{Measure: "incidence_rate", Title: "Incidence rate", Unit: "per 100"}, UndefinedReason: "no heads for 2026-03", Level: 0.95},
	}, Cautions: []string{"These are reports, not events."}}, nil
}

func (f *figures) ComputeChart(_ context.Context, req *pb.ComputeChartRequest) (*pb.Chart, error) {
	v := 1.5
	return &pb.Chart{SequenceNumber: f.at(req.GetAsAt()), Kind: pb.ChartKind_CHART_KIND_TOO_FEW, Sentence: "Too few to say.", Definition: &pb.MeasureDefinition{Title: "Lost-time frequency rate"},
		Points: []*pb.ChartPoint{{Month: "2026-01", Count: 1, Value: &v, Exposure: &v}, {Month: "2026-02", Count: 2}}}, nil
}

func (f *figures) Tabulate(_ context.Context, req *pb.TabulateRequest) (*pb.Table, error) {
	f.asked = append(f.asked, proto.Clone(req).(*pb.TabulateRequest))
	if req.GetColumns() == 0 {
		return &pb.Table{SequenceNumber: f.at(req.GetAsAt()), Rows: []*pb.TableHead{{Key: "x", Title: "near miss", Total: 9}}, Columns: []*pb.TableHead{{Title: "count", Total: 9}}, Counts: []int64{9}, Total: 9}, nil
	}
	return &pb.Table{SequenceNumber: f.at(req.GetAsAt()), Total: 60,
		Rows:    []*pb.TableHead{{Title: "not coded", Total: 20}, {Key: "2", Title: "Being hit", Facet: pb.Facet_FACET_MECHANISM, Total: 40}},
		Columns: []*pb.TableHead{{Title: "first aid", Total: 33}, {Title: "lost time", Total: 27}},
		Counts:  []int64{17, 3, 16, 24}}, nil
}

const secret = "Zanzibar-Quokka"

type house struct{}

func (house) Newest(*pb.ReportFilter, []string, string, int) ([]string, string, int64, error) {
	return []string{"reports/a"}, "", 1, nil
}
func (house) MatchAll(names []string, _ *pb.ReportFilter, _ []string) ([]bool, error) {
	return make([]bool, len(names)), nil
}
func (house) Wait(context.Context, int64) error { return nil }
func (house) Get(name string) (*pb.Workplace, bool) {
	return &pb.Workplace{Name: name}, name == "workplaces/shire"
}
func (house) Root() string            { return "workplaces/shire" }
func (house) Within(a, b string) bool { return a == b }

// TestReachBeforeExistence: an answer that differs for places that exist would
// list them to whoever asks.
func TestReachBeforeExistence(t *testing.T) {
	t.Parallel()
	s, _ := room(&figures{seq: 41})
	ctx := access.With(context.Background(), access.Principal{Name: "principals/x",
		Roles: []pb.Role{pb.Role_ROLE_AUDITOR}, Workplaces: []string{"workplaces/other"}})
	var said []string
	for _, w := range []string{"workplaces/shire", "workplaces/nowhere"} {
		req := &pb.GetSummaryRequest{Period: half, Workplace: w}
		_, err := s.GetSummary(ctx, req)
		require.Equal(t, codes.PermissionDenied, status.Code(err), "%s: %v", w, err)
		said = append(said, err.Error())
		_, err = s.ExportSummary(ctx, &pb.ExportSummaryRequest{Summary: req, Format: pb.FileFormat_FILE_FORMAT_CSV})
		require.Equal(t, codes.PermissionDenied, status.Code(err), "%s: %v", w, err)
		said = append(said, err.Error())
	}
	for _, one := range said {
		require.Equal(t, said[0], one)
	}
}

type log struct{}

// then stands for the past, which is like the present here.
type then struct{}

func (then) Find(_ context.Context, as *pb.AsAt, _ string) (moment.Point, *moment.Log, Finder, error) {
	p := moment.Point{Seq: as.GetSequenceNumber(), Count: as.GetCountTime().AsTime()}
	return p, moment.NewLog(ledgerOf{}, p), house{}, nil
}

// ledgerOf makes a whole ledger of the log.
type ledgerOf struct{ log }

func (ledgerOf) Head(context.Context) (ledger.Head, error) { return ledger.Head{Seq: 1 << 40}, nil }
func (ledgerOf) Watch() (<-chan struct{}, func())          { return nil, func() {} }
func (ledgerOf) List(context.Context, string, string, string, int) ([]ledger.Resource, error) {
	return nil, nil
}

func (log) GetAt(_ context.Context, name string, _ int64) (ledger.Resource, error) {
	var m proto.Message
	switch name {
	case "reports/a":
		m = &pb.Report{Name: name, Narrative: secret, Harms: []*pb.Harm{{HarmId: "h1", Description: secret, Person: "people/" + strings.ToLower(secret)}},
			Answers: map[string]pb.AnswerState{"occur_time": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}}
	case "reports/a/codings/h1":
		m = &pb.Coding{Mechanism: "28", Answers: map[string]pb.AnswerState{"agency": pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY}}
	default:
		return ledger.Resource{}, ledger.ErrNotFound
	}
	body, err := record.Body(m)
	return ledger.Resource{Name: name, Body: body, Revision: 1}, err
}

func (log) Changes(_ context.Context, after int64, _ int) ([]ledger.Change, error) {
	return []ledger.Change{{Seq: after + 1, Hash: [32]byte{0xab}}}, nil
}

func room(f *figures) (*Service, context.Context) {
	s := New(Deps{Measures: f, Finder: house{}, Log: log{}, Tree: house{}, Past: then{}, Edition: "TOOCS 3.1",
		Clock: func() time.Time { return time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC) }})
	return s, access.With(context.Background(), access.Principal{Name: "principals/x", Roles: []pb.Role{pb.Role_ROLE_AUDITOR}})
}

var half = &pb.Period{StartMonth: "2026-01", EndMonth: "2026-07"}

func TestSummary(t *testing.T) {
	t.Parallel()
	s, ctx := room(&figures{seq: 41})
	sum, err := s.GetSummary(ctx, &pb.GetSummaryRequest{Period: half})
	require.NoError(t, err)
	require.EqualValues(t, 41, sum.GetSequenceNumber())
	require.True(t, strings.HasPrefix(sum.GetLogHash(), "ab"))
	require.Len(t, sum.GetTables(), 6)
	require.EqualValues(t, 4, sum.GetTables()[5].GetHeldBack(), "a small cell takes others with it")
	byItem := map[string]*pb.UnknownCount{}
	for _, u := range sum.GetUnknowns() {
		byItem[u.GetItem()] = u
		require.Equal(t, u.GetTotal(), u.GetKnown()+u.GetNotKnown()+u.GetDoesNotApply()+u.GetNotAsked(), "every case is in one state: %s", u.GetItem())
	}
	require.EqualValues(t, 1, byItem["Time of the event"].GetNotKnown())
	require.EqualValues(t, 1, byItem["Mechanism of incident"].GetKnown())
	require.EqualValues(t, 1, byItem["Agency of injury"].GetDoesNotApply())
	require.EqualValues(t, 1, byItem["Bodily location"].GetNotAsked())
}

func TestSummaryIsOfOneMoment(t *testing.T) {
	t.Parallel()
	s, ctx := room(&figures{seq: 41, moves: 5})
	sum, err := s.GetSummary(ctx, &pb.GetSummaryRequest{Period: half})
	require.NoError(t, err)
	require.EqualValues(t, 46, sum.GetSequenceNumber(), "asked again until the log stood still")
	s, ctx = room(&figures{seq: 41, moves: 1000})
	sum, err = s.GetSummary(ctx, &pb.GetSummaryRequest{Period: half})
	require.NoError(t, err)
	require.Greater(t, sum.GetSequenceNumber(), int64(41))
	require.Equal(t, sum.GetSequenceNumber(), sum.GetChart().GetSequenceNumber())
	require.Equal(t, sum.GetSequenceNumber(), sum.GetTables()[5].GetTable().GetSequenceNumber())
}

func TestBadInput(t *testing.T) {
	t.Parallel()
	s, ctx := room(&figures{})
	for name, req := range map[string]*pb.GetSummaryRequest{
		"period upside down": {Period: &pb.Period{StartMonth: "2026-03", EndMonth: "2026-01"}},
		"empty period":       {Period: &pb.Period{StartMonth: "2026-03", EndMonth: "2026-03"}},
		"too long":           {Period: &pb.Period{StartMonth: "1990-01", EndMonth: "2026-01"}},
		"unknown workplace":  {Period: half, Workplace: "workplaces/nowhere"},
	} {
		_, err := s.GetSummary(ctx, req)
		require.Equal(t, codes.InvalidArgument, status.Code(err), name)
		_, err = s.ExportSummary(ctx, &pb.ExportSummaryRequest{Summary: req, Format: pb.FileFormat_FILE_FORMAT_CSV})
		require.Equal(t, codes.InvalidArgument, status.Code(err), name)
	}
}

func TestCSV(t *testing.T) {
	t.Parallel()
	s, ctx := room(&figures{seq: 41})
	out, err := s.ExportSummary(ctx, &pb.ExportSummaryRequest{Summary: &pb.GetSummaryRequest{Period: half}, Format: pb.FileFormat_FILE_FORMAT_CSV})
	require.NoError(t, err)
	require.Equal(t, "summary-2026-01-to-2026-06.csv", out.GetFileName())
	rows, err := csv.NewReader(bytes.NewReader(out.GetContent())).ReadAll()
	require.NoError(t, err, "every row has the same number of cells")
	text := string(out.GetContent())
	require.Contains(t, text, "undefined")
	require.Contains(t, text, "no heads for 2026-03")
	require.Contains(t, text, "held back")
	require.Contains(t, text, "'=Shire", "text is never a formula")
	require.NotContains(t, text, secret)
	require.Greater(t, len(rows), 40)
}

func TestJSON(t *testing.T) {
	t.Parallel()
	var files [2][]byte
	for i := range files {
		s, ctx := room(&figures{seq: 41})
		out, err := s.ExportSummary(ctx, &pb.ExportSummaryRequest{Summary: &pb.GetSummaryRequest{Period: half}, Format: pb.FileFormat_FILE_FORMAT_JSON})
		require.NoError(t, err)
		files[i] = out.GetContent()
	}
	require.Equal(t, files[0], files[1], "the same summary is the same bytes")
	require.True(t, json.Valid(files[0]))
	require.NotContains(t, string(files[0]), secret)
}

func TestPDF(t *testing.T) {
	t.Parallel()
	var files [2][]byte
	for i := range files {
		s, ctx := room(&figures{seq: 41})
		out, err := s.ExportSummary(ctx, &pb.ExportSummaryRequest{Summary: &pb.GetSummaryRequest{Period: half}, Format: pb.FileFormat_FILE_FORMAT_PDF})
		require.NoError(t, err)
		files[i] = out.GetContent()
	}
	require.True(t, bytes.HasPrefix(files[0], []byte("%PDF-")))
	require.Equal(t, files[0], files[1], "the same summary is the same bytes")
	if _, err := exec.LookPath("pdftotext"); errors.Is(err, exec.ErrNotFound) {
		t.Fatal("pdftotext is needed to read the PDF back: apt-get install poppler-utils")
	}
	cmd := exec.Command("pdftotext", "-layout", "-", "-")
	cmd.Stdin = bytes.NewReader(files[0])
	text, err := cmd.Output()
	require.NoError(t, err)
	for _, want := range []string{"Summary of incidents", "5 in 450,000 hours.", "undefined", "no heads for 2026-03", "held", "sequence number 41", "Too few to say."} {
		require.Contains(t, string(text), want)
	}
	require.NotContains(t, string(text), secret)
}

func TestMakeTimeIsTheClock(t *testing.T) {
	t.Parallel()
	s, ctx := room(&figures{seq: 1})
	sum, err := s.GetSummary(ctx, &pb.GetSummaryRequest{Period: half})
	require.NoError(t, err)
	require.True(t, proto.Equal(timestamppb.New(time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC)), sum.GetMakeTime()))
	require.Equal(t, "2026-06", lastMonth(half))
	require.Equal(t, 6, months(half))
	require.Equal(t, "held", cell(guard.HeldBack))
}

// TestHandedOn: a summary tells what may be told to whoever does not read the
// reports, whoever asks for it; who reads them may ask for everything, but not in
// a file.
func TestHandedOn(t *testing.T) {
	t.Parallel()
	f := &figures{seq: 41}
	s, auditor := room(f)
	committee := access.With(context.Background(), access.Principal{Name: "principals/y", Roles: []pb.Role{pb.Role_ROLE_COMMITTEE}})
	of := func(ctx context.Context, smallest int32) *pb.Summary {
		f.asked = nil
		sum, err := s.GetSummary(ctx, &pb.GetSummaryRequest{Period: half, SmallestCell: smallest})
		require.NoError(t, err)
		return sum
	}
	own := of(auditor, 1)
	require.Zero(t, own.GetTables()[0].GetHeldBack(), "for the house's own eyes")
	require.Equal(t, "Nature of injury or disease by outcome, persons hurt", own.GetTables()[3].GetTitle())
	require.Equal(t, pb.Dimension_DIMENSION_OUTCOME, f.asked[1].GetColumns())
	require.Equal(t, "2026-01-01", f.asked[1].GetFilter().GetStartDate())
	want := of(committee, 0)
	for name, got := range map[string]*pb.Summary{"committee, all": of(committee, 1), "auditor": of(auditor, 0)} {
		require.True(t, proto.Equal(want, got), name)
		require.Len(t, got.GetTables(), 6, name)
		for i, table := range got.GetTables()[:5] {
			require.Contains(t, table.GetTitle(), ", persons hurt, July 2024 to June 2025", name)
			require.Len(t, table.GetTable().GetColumns(), 1, name)
			require.Equal(t, "2024-07-01", f.asked[i+1].GetFilter().GetStartDate())
			require.Equal(t, "2025-07-01", f.asked[i+1].GetFilter().GetEndDate())
		}
		require.EqualValues(t, 4, got.GetTables()[5].GetHeldBack(), name)
		require.Equal(t, guard.NobodyHurt(), f.asked[6].GetFilter().GetKinds(), name)
		require.Equal(t, "2026-01-01", f.asked[6].GetFilter().GetStartDate())
	}
	got, err := s.ExportSummary(auditor, &pb.ExportSummaryRequest{Summary: &pb.GetSummaryRequest{Period: half, SmallestCell: 1}, Format: pb.FileFormat_FILE_FORMAT_CSV})
	require.NoError(t, err)
	require.Contains(t, string(got.GetContent()), "Counts from 1 to 4", "a file is handed on: nobody knows to whom")
}

// TestComparedByTheSameYears: a year that has settled in between is none of the
// differences, or every figure of those tables would be.
func TestComparedByTheSameYears(t *testing.T) {
	t.Parallel()
	f := &figures{seq: 41}
	s, auditor := room(f)
	s.d.Clock = func() time.Time { return time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC) }
	was := &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: 40}, CountTime: timestamppb.New(time.Date(2026, 7, 14, 0, 0, 0, 0, time.UTC))}
	_, err := s.CompareSummaries(auditor, &pb.CompareSummariesRequest{Summary: &pb.GetSummaryRequest{Period: half}, From: was})
	require.NoError(t, err)
	n := 0
	for _, req := range f.asked {
		if req.GetCountHarms() {
			require.Equal(t, "2024-07-01", req.GetFilter().GetStartDate())
			n++
		}
	}
	require.Equal(t, 10, n)
}

// TestSettledYears: which years a summary tells persons by.
func TestSettledYears(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ from, end, made, want string }{
		{"2026-01-01", "2026-07-01", "2026-09-30", "July 2024 to June 2025"},
		{"2026-01-01", "2026-07-01", "2026-10-01", "July 2025 to June 2026"},
		{"2025-07-01", "2026-07-01", "2026-09-30", "July 2024 to June 2025"},
		{"2022-07-01", "2025-07-01", "2026-09-30", "July 2022 to June 2025"},
		{"2020-01-01", "2020-04-01", "2026-09-30", "July 2019 to June 2020"},
		{"2019-03-01", "2019-07-01", "2026-09-30", "July 2018 to June 2019"},
	} {
		made, err := time.Parse(time.DateOnly, c.made)
		require.NoError(t, err)
		require.Equal(t, c.want, settledYears(&pb.ReportFilter{StartDate: c.from, EndDate: c.end}, made), "%v", c)
	}
}

// TestHeldBackInFiles: what is held back is said in words, never as a number.
func TestHeldBackInFiles(t *testing.T) {
	t.Parallel()
	held := &pb.MeasureValue{Definition: &pb.MeasureDefinition{Title: "Days"}, HeldBack: true, Numerator: guard.HeldBack, UndefinedReason: "held back: few"}
	require.Equal(t, "held back", measureWords(held))
	require.Equal(t, count(guard.HeldBack), numerator(held))
	sum := &pb.Summary{Measures: []*pb.MeasureValue{held}, Tables: []*pb.SummaryTable{{Title: "Nature", Table: &pb.Table{HeldBackReason: "Held back: by whole years"}}}}
	require.Nil(t, entries(sum)[0].count)
	raw, err := writeCSV(sum)
	require.NoError(t, err)
	require.Contains(t, string(raw), "Held back: by whole years")
	require.NotContains(t, string(raw), ",-1,")
}
