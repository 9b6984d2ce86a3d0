package server_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// lived is a world in which things happened over some days.
type lived struct {
	*world
	reports pb.ReportServiceClient
	export  pb.ExportServiceClient
	numbers pb.MeasureServiceClient
	coding  pb.ClassificationServiceClient
	hours   pb.HoursServiceClient
	// all that was filed, by purpose.
	filed map[string]*pb.Report
}

func live(t *testing.T, o servertest.Options) *lived {
	w := newWorld(t, o)
	l := &lived{world: w, reports: pb.NewReportServiceClient(w.Conn()), export: pb.NewExportServiceClient(w.Conn()), numbers: pb.NewMeasureServiceClient(w.Conn()),
		coding: pb.NewClassificationServiceClient(w.Conn()), hours: pb.NewHoursServiceClient(w.Conn()), filed: map[string]*pb.Report{}}
	for m := range 14 {
		l.work(time.Date(2025, time.Month(1+m), 1, 0, 0, 0, 0, time.UTC).Format("2006-01"), 8000+float64(m), false)
	}
	return l
}

func (l *lived) work(month string, hours float64, restate bool) {
	l.t.Helper()
	req := &pb.ImportHoursRequest{RequestId: l.id(), Rows: []*pb.HoursRow{{Line: 2, Hours: &pb.Hours{Workplace: "workplaces/northside-trees", Month: month,
		EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, HoursWorked: hours, HeadCount: proto.Float64(90)}}}}
	if restate {
		req.Restate, req.Reason = true, "the payroll was late"
	}
	_, err := l.hours.ImportHours(l.As("adviser"), req)
	require.NoError(l.t, err)
}

// file files a report of somebody hurt, who is still away when open.
func (l *lived) file(purpose string, daysAgo int, open bool) *pb.Report {
	l.t.Helper()
	r := story("reports/" + l.id())
	when := l.clock.Now().AddDate(0, 0, -daysAgo)
	r.OccurTime = timestamppb.New(when)
	r.Harms[0].OutcomeHistory = nil
	if open {
		r.Harms[0].Absences = []*pb.Absence{{FirstDate: when.AddDate(0, 0, 1).Format(time.DateOnly)}}
	}
	resp, err := l.reports.FileReport(l.As("worker"), &pb.FileReportRequest{Report: r})
	require.NoError(l.t, err)
	l.filed[purpose] = resp.GetReport()
	return resp.GetReport()
}

// fresh reads a report as it stands.
func (l *lived) fresh(purpose string) *pb.Report {
	l.t.Helper()
	r, err := l.reports.GetReport(l.As("adviser"), &pb.GetReportRequest{Name: l.filed[purpose].GetName()})
	require.NoError(l.t, err)
	return r
}

// early is what is known when the pack is handed over.
func (l *lived) early() int64 {
	l.file("amended", 20, false)
	l.file("voided", 30, false)
	l.file("recoded", 40, true)
	l.file("worse", 50, false)
	l.code("recoded", "21")
	l.Ready(l.Head())
	return l.Head()
}

// late is what comes after: everything that moves a figure.
func (l *lived) late() {
	l.t.Helper()
	l.clock.Set(l.clock.Now().AddDate(0, 0, 3))
	l.file("late", 25, true)
	r := l.fresh("amended")
	_, err := l.reports.UpdateReport(l.As("adviser"), &pb.UpdateReportRequest{Reason: "heard it again",
		Report: &pb.Report{Name: r.GetName(), Etag: r.GetEtag(), Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Spot: "elsewhere"}})
	require.NoError(l.t, err)
	r = l.fresh("voided")
	_, err = l.reports.VoidReport(l.As("adviser"), &pb.VoidReportRequest{Name: r.GetName(), Etag: r.GetEtag(), Reason: "told twice"})
	require.NoError(l.t, err)
	r = l.fresh("worse")
	_, err = l.reports.RecordOutcome(l.As("adviser"), &pb.RecordOutcomeRequest{Name: r.GetName(), Etag: r.GetEtag(), HarmId: "h1",
		Change: &pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, EffectiveDate: "2026-02-24", Reason: "seen again"}})
	require.NoError(l.t, err)
	r = l.fresh("worse")
	_, err = l.reports.RecordAbsence(l.As("adviser"), &pb.RecordAbsenceRequest{Name: r.GetName(), Etag: r.GetEtag(), HarmId: "h1",
		Absence: &pb.Absence{FirstDate: "2026-02-24", ReturnDate: "2026-02-27", RosteredDays: proto.Int32(3)}})
	require.NoError(l.t, err)
	l.code("recoded", "28")
	l.work("2026-02", 9500, true)
	places := pb.NewWorkplaceServiceClient(l.Conn())
	at, err := places.GetWorkplace(l.As("administrator"), &pb.GetWorkplaceRequest{Name: "workplaces/northside"})
	require.NoError(l.t, err)
	_, err = places.UpdateWorkplace(l.As("administrator"), &pb.UpdateWorkplaceRequest{Workplace: &pb.Workplace{Name: at.GetName(), Etag: at.GetEtag(),
		Title: "Northside works", TimeZone: "Australia/Perth"}})
	require.NoError(l.t, err)
	l.Ready(l.Head())
}

func (l *lived) code(purpose, mechanism string) {
	l.t.Helper()
	name := l.filed[purpose].GetName()
	list, err := l.coding.ListCodings(l.As("adviser"), &pb.ListCodingsRequest{Parent: name})
	require.NoError(l.t, err)
	c := &pb.Coding{HarmId: "h1", Mechanism: mechanism, Nature: "169"}
	if len(list.GetCodings()) > 0 {
		c.Etag = list.GetCodings()[0].GetEtag()
	}
	_, err = l.coding.AssignCoding(l.As("adviser"), &pb.AssignCodingRequest{Parent: name, Coding: c})
	require.NoError(l.t, err)
}

func quarter() *pb.GetSummaryRequest {
	return &pb.GetSummaryRequest{Period: &pb.Period{StartMonth: "2025-10", EndMonth: "2026-03"}, SmallestCell: 1}
}

// pack makes the summary in every form.
func (l *lived) pack(as *pb.AsAt) map[pb.FileFormat]*pb.ExportSummaryResponse {
	l.t.Helper()
	out := map[pb.FileFormat]*pb.ExportSummaryResponse{}
	for _, f := range []pb.FileFormat{pb.FileFormat_FILE_FORMAT_JSON, pb.FileFormat_FILE_FORMAT_CSV, pb.FileFormat_FILE_FORMAT_PDF} {
		q := quarter()
		q.AsAt = as
		r, err := l.export.ExportSummary(l.As("auditor"), &pb.ExportSummaryRequest{Summary: q, Format: f})
		require.NoError(l.t, err)
		out[f] = r
	}
	return out
}

// TestMadeAgain: a pack that was handed over is made again after everything in
// it has changed, and comes out the same, byte for byte.
func TestMadeAgain(t *testing.T) {
	t.Parallel()
	l := live(t, servertest.Options{})
	head := l.early()
	l.clock.Set(now.Add(17 * time.Hour)) // the next day: another day away is counted
	sum, err := l.export.GetSummary(l.As("auditor"), quarter())
	require.NoError(t, err)
	require.Equal(t, head, sum.GetSequenceNumber())
	require.Equal(t, l.clock.Now(), sum.GetAsAt().GetCountTime().AsTime(), "the answer says up to when it counts")
	handed := l.pack(nil)
	byNumber := l.pack(asAt(head))
	noon := l.clock.Now()
	byTime := l.pack(&pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(noon)}})

	l.late()

	for what, c := range map[string]struct {
		as   *pb.AsAt
		want map[pb.FileFormat]*pb.ExportSummaryResponse
	}{
		"what was handed over, by the moment it says": {sum.GetAsAt(), handed},
		"as at the number":                            {asAt(head), byNumber},
		"as at the time":                              {&pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(noon)}}, byTime},
		"as at the time, of what was handed over":     {&pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(noon)}}, handed},
	} {
		got := l.pack(c.as)
		for f, want := range c.want {
			require.Equal(t, want.GetSequenceNumber(), got[f].GetSequenceNumber(), what)
			require.Equal(t, string(want.GetContent()), string(got[f].GetContent()), "%s as %s", what, f)
			require.Equal(t, want.GetSha256(), got[f].GetSha256())
		}
	}
	after := l.pack(nil)
	for f := range handed {
		require.NotEqual(t, handed[f].GetSha256(), after[f].GetSha256(), "what came since shows in the present: %s", f)
	}
	// Only days still going on tell the two moments of one number apart.
	require.NotEqual(t, handed[pb.FileFormat_FILE_FORMAT_CSV].GetSha256(), byNumber[pb.FileFormat_FILE_FORMAT_CSV].GetSha256())
}

// TestFiguresMadeAgain asks every kind of figure and list before and after.
func TestFiguresMadeAgain(t *testing.T) {
	t.Parallel()
	l := live(t, servertest.Options{})
	head := l.early()
	asks := map[string]func(*pb.AsAt) (proto.Message, error){
		"rates": func(as *pb.AsAt) (proto.Message, error) {
			return l.numbers.ComputeRates(l.As("committee"), &pb.ComputeRatesRequest{AsAt: as})
		},
		"chart": func(as *pb.AsAt) (proto.Message, error) {
			return l.numbers.ComputeChart(l.As("committee"), &pb.ComputeChartRequest{Measure: "reports", IncludeSvg: true, AsAt: as})
		},
		"table": func(as *pb.AsAt) (proto.Message, error) {
			return l.numbers.Tabulate(l.As("committee"), &pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_KIND, Columns: pb.Dimension_DIMENSION_WORKPLACE, CountHarms: true, AsAt: as})
		},
		"ranking": func(as *pb.AsAt) (proto.Message, error) {
			return l.numbers.RankCauses(l.As("adviser"), &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_MECHANISM, CountHarms: true, AsAt: as})
		},
		"cross": func(as *pb.AsAt) (proto.Message, error) {
			return l.numbers.CrossCauses(l.As("adviser"), &pb.CrossCausesRequest{Rows: pb.Dimension_DIMENSION_MECHANISM, Columns: pb.Dimension_DIMENSION_KIND, AsAt: as})
		},
		"clusters": func(as *pb.AsAt) (proto.Message, error) {
			return l.numbers.FindClusters(l.As("adviser"), &pb.FindClustersRequest{Category: pb.Dimension_DIMENSION_KIND, AsAt: as})
		},
		"reports": func(as *pb.AsAt) (proto.Message, error) {
			return l.reports.ListReports(l.As("adviser"), &pb.ListReportsRequest{AsAt: as})
		},
		"one report": func(as *pb.AsAt) (proto.Message, error) {
			return l.reports.GetReport(l.As("adviser"), &pb.GetReportRequest{Name: l.filed["amended"].GetName(), AsAt: as})
		},
		"history": func(as *pb.AsAt) (proto.Message, error) {
			return l.reports.ListReportHistory(l.As("adviser"), &pb.ListReportHistoryRequest{Name: l.filed["worse"].GetName(), AsAt: as})
		},
		"codings": func(as *pb.AsAt) (proto.Message, error) {
			return l.coding.ListCodings(l.As("adviser"), &pb.ListCodingsRequest{Parent: l.filed["recoded"].GetName(), AsAt: as})
		},
		"hours": func(as *pb.AsAt) (proto.Message, error) {
			return l.hours.ListHours(l.As("adviser"), &pb.ListHoursRequest{AsAt: as})
		},
		"workplaces": func(as *pb.AsAt) (proto.Message, error) {
			return pb.NewWorkplaceServiceClient(l.Conn()).ListWorkplaces(l.As("worker"), &pb.ListWorkplacesRequest{AsAt: as})
		},
		"one workplace": func(as *pb.AsAt) (proto.Message, error) {
			return pb.NewWorkplaceServiceClient(l.Conn()).GetWorkplace(l.As("worker"), &pb.GetWorkplaceRequest{Name: "workplaces/northside", AsAt: as})
		},
	}
	before, present := map[string]proto.Message{}, map[string]proto.Message{}
	for what, ask := range asks {
		var err error
		before[what], err = ask(asAt(head))
		require.NoError(t, err, what)
		present[what], err = ask(nil)
		require.NoError(t, err, what)
		// The present at head is the moment of head, but for the moment's name.
		a, b := proto.Clone(before[what]), proto.Clone(present[what])
		for _, m := range []proto.Message{a, b} {
			if f := m.ProtoReflect().Descriptor().Fields().ByName("as_at"); f != nil {
				m.ProtoReflect().Clear(f)
			}
		}
		require.True(t, proto.Equal(a, b), "%s:\n%v\n%v", what, a, b)
	}
	l.late()
	for what, ask := range asks {
		again, err := ask(asAt(head))
		require.NoError(t, err, what)
		require.True(t, proto.Equal(before[what], again), "%s:\n%v\n%v", what, before[what], again)
		since, err := ask(nil)
		require.NoError(t, err, what)
		require.False(t, proto.Equal(present[what], since), "%s is another one now", what)
		if f := again.ProtoReflect().Descriptor().Fields().ByName("sequence_number"); f != nil {
			require.Equal(t, head, again.ProtoReflect().Get(f).Int(), what)
		}
	}
}

// TestPastOfToday: who may see what follows the rules of today.
func TestPastOfToday(t *testing.T) {
	t.Parallel()
	l := live(t, servertest.Options{Supervises: []string{"workplaces/northside"}})
	head := l.early()
	ctx := l.As("supervisor")
	list := func(as *pb.AsAt) []*pb.Report {
		var out []*pb.Report
		for token := ""; ; {
			r, err := l.reports.ListReports(ctx, &pb.ListReportsRequest{AsAt: as, PageSize: 1, PageToken: token})
			require.NoError(t, err)
			out = append(out, r.GetReports()...)
			if token = r.GetNextPageToken(); token == "" {
				require.Len(t, out, int(r.GetTotalSize()))
				return out
			}
		}
	}
	require.Len(t, list(asAt(head)), 4)
	rates := func(as *pb.AsAt) error {
		_, err := l.numbers.ComputeRates(ctx, &pb.ComputeRatesRequest{AsAt: as})
		return err
	}
	require.NoError(t, rates(asAt(head)))

	// A report turns out to be of another depot: its past goes with it.
	r := l.fresh("amended")
	_, err := l.reports.UpdateReport(l.As("adviser"), &pb.UpdateReportRequest{Reason: "it was at the other depot",
		Report: &pb.Report{Name: r.GetName(), Etag: r.GetEtag(), Workplace: "workplaces/quarry-road"}})
	require.NoError(t, err)
	l.Ready(l.Head())
	require.Len(t, list(asAt(head)), 3)
	for _, r := range list(asAt(head)) {
		require.NotEqual(t, l.filed["amended"].GetName(), r.GetName())
	}
	for _, as := range []*pb.AsAt{nil, asAt(head)} {
		_, err = l.reports.GetReport(ctx, &pb.GetReportRequest{Name: r.GetName(), AsAt: as})
		require.Equal(t, codes.NotFound, status.Code(err), "%v", err)
		_, err = l.reports.ListReportHistory(ctx, &pb.ListReportHistoryRequest{Name: r.GetName(), AsAt: as})
		require.Equal(t, codes.NotFound, status.Code(err), "%v", err)
	}
	_, err = l.numbers.ComputeRates(ctx, &pb.ComputeRatesRequest{Workplace: "workplaces/quarry-road", AsAt: asAt(head)})
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	// The crew moves out of the supervisor's depot: its past moves, too.
	places := pb.NewWorkplaceServiceClient(l.Conn())
	crew, err := places.GetWorkplace(l.As("administrator"), &pb.GetWorkplaceRequest{Name: "workplaces/northside-trees"})
	require.NoError(t, err)
	_, err = places.UpdateWorkplace(l.As("administrator"), &pb.UpdateWorkplaceRequest{Workplace: &pb.Workplace{Name: crew.GetName(), Etag: crew.GetEtag(), Parent: "workplaces/quarry-road"}})
	require.NoError(t, err)
	l.Ready(l.Head())
	require.Empty(t, list(asAt(head)))
	err = rates(asAt(head))
	require.Equal(t, codes.PermissionDenied, status.Code(err), "%v", err)
	require.Contains(t, status.Convert(err).Message(), "the tree of workplaces was another one")
	h, err := l.hours.ListHours(ctx, &pb.ListHoursRequest{AsAt: asAt(head)})
	require.NoError(t, err)
	require.Empty(t, h.GetHours())
	require.NoError(t, rates(nil))

	// Fields stay closed, small counts stay held back, methods stay closed.
	as := asAt(head)
	shown, err := l.reports.GetReport(l.As("representative"), &pb.GetReportRequest{Name: l.filed["worse"].GetName(), AsAt: as})
	require.NoError(t, err)
	require.Empty(t, shown.GetHarms()[0].GetDescription())
	_, err = l.coding.ListCodings(l.As("supervisor"), &pb.ListCodingsRequest{Parent: l.filed["worse"].GetName(), AsAt: as})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	rank, err := l.numbers.RankCauses(l.As("committee"), &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_MECHANISM, AsAt: as})
	require.NoError(t, err)
	require.NotEmpty(t, rank.GetHeldBackReason())
	require.Empty(t, rank.GetRows())
}

// TestBadMoment: every method that takes a moment refuses a bad one, naming the
// field and the number of the newest change.
func TestBadMoment(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	w.report("read")
	asked := 0
	for _, m := range contract(t) {
		base := good[m.short](w)
		for _, path := range momentsOf(base.ProtoReflect().Descriptor()) {
			if m.short == "ExportService.CompareSummaries" && path == "summary.as_at" {
				continue // must be empty there
			}
			asked++
			for field, as := range map[string]*pb.AsAt{
				path + ".sequence_number": asAt(1 << 40),
				path + ".time":            {Moment: &pb.AsAt_Time{Time: timestamppb.New(now.AddDate(0, 0, 1))}},
				path + ".count_time":      {Moment: &pb.AsAt_SequenceNumber{SequenceNumber: 1}, CountTime: timestamppb.New(now.AddDate(0, 0, 1))},
			} {
				req := proto.Clone(base)
				put(req, path, as)
				_, err := send(w.As(m.role), w.Conn(), m, wire(t, req))
				r := refused(t, err)
				require.Equal(t, codes.InvalidArgument, r.code, "%s %s: %v", m.short, field, err)
				require.True(t, r.names(field), "%s: %s: %s", m.short, field, r)
				if as.GetSequenceNumber() > 1 {
					require.Contains(t, r.String(), fmt.Sprint("newest change is ", w.Head()), m.short)
				}
			}
		}
	}
	require.Equal(t, 17, asked, "how many moments the contract takes")
}

// momentsOf returns the paths of the moments that a request takes.
func momentsOf(m protoreflect.MessageDescriptor) (out []string) {
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		if f.Message() == nil || f.IsList() || f.IsMap() {
			continue
		}
		switch f.Message().Name() {
		case "AsAt":
			out = append(out, string(f.Name()))
		case "GetSummaryRequest":
			for _, below := range momentsOf(f.Message()) {
				out = append(out, string(f.Name())+"."+below)
			}
		}
	}
	return out
}

func put(req proto.Message, path string, as *pb.AsAt) {
	m := req.ProtoReflect()
	if path == "summary.as_at" {
		m, path = m.Mutable(m.Descriptor().Fields().ByName("summary")).Message(), "as_at"
	}
	m.Set(m.Descriptor().Fields().ByName(protoreflect.Name(path)), protoreflect.ValueOfMessage(as.ProtoReflect()))
}

// TestManyAskForOneMoment: the answers are one and the same, while the present
// goes on being written.
func TestManyAskForOneMoment(t *testing.T) {
	t.Parallel()
	l := live(t, servertest.Options{})
	head := l.early()
	var wait sync.WaitGroup
	answers := make([]*pb.ComputeRatesResponse, 24)
	for i := range answers {
		wait.Go(func() {
			r, err := l.numbers.ComputeRates(l.As("committee"), &pb.ComputeRatesRequest{AsAt: asAt(head - int64(i%2))})
			if err != nil {
				t.Error(err)
			}
			answers[i] = r
		})
	}
	for i := range 5 {
		l.file(fmt.Sprint("meanwhile ", i), 20+i, false)
	}
	wait.Wait()
	for i, r := range answers {
		require.True(t, proto.Equal(answers[i%2], r))
		require.Equal(t, head-int64(i%2), r.GetSequenceNumber())
	}
}

// TestEmptyPast: before the first change there is nothing, and that is an answer.
func TestEmptyPast(t *testing.T) {
	t.Parallel()
	l := live(t, servertest.Options{})
	l.early()
	before := &pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(now.AddDate(0, 0, -1))}}
	for _, as := range []*pb.AsAt{before, asAt(0)} {
		r, err := l.numbers.ComputeRates(l.As("committee"), &pb.ComputeRatesRequest{AsAt: as})
		require.NoError(t, err)
		require.Zero(t, r.GetSequenceNumber())
		require.Equal(t, "no workplaces yet", r.GetScope())
		for _, v := range r.GetValues() {
			require.Zero(t, v.GetNumerator())
		}
		list, err := l.reports.ListReports(l.As("adviser"), &pb.ListReportsRequest{AsAt: as})
		require.NoError(t, err)
		require.Zero(t, list.GetTotalSize())
		sum, err := l.export.GetSummary(l.As("auditor"), &pb.GetSummaryRequest{Period: &pb.Period{StartMonth: "2025-10", EndMonth: "2026-01"}, AsAt: as})
		require.NoError(t, err)
		require.Zero(t, sum.GetKinds().GetTotal())
	}
	_, err := l.numbers.ComputeRates(l.As("committee"), &pb.ComputeRatesRequest{Workplace: "workplaces/northside", AsAt: before})
	require.Equal(t, codes.NotFound, status.Code(err), "it was not there yet")
	_, err = l.reports.GetReport(l.As("adviser"), &pb.GetReportRequest{Name: l.filed["worse"].GetName(), AsAt: before})
	require.Equal(t, codes.NotFound, status.Code(err))
}
