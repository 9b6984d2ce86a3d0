package retention_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server/servertest"
)

// Words and names that must be gone once they are erased. They are in no other
// text, so that a file that holds one holds what was erased.
const (
	person  = "people/p-0190a1"
	name    = "Marigold Exampleson"
	contact = "channel forty-two"
	secret  = "tarpaulinesque"
	older   = "wheelbarrowish"
)

var begin = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

// world is a real server with a log that can be read.
type world struct {
	*servertest.Server
	t     *testing.T
	clock *servertest.Clock
	log   *logged

	reports pb.ReportServiceClient
	places  pb.WorkplaceServiceClient
	keep    pb.RetentionServiceClient
	numbers pb.MeasureServiceClient
	search  pb.SearchServiceClient
	codes   pb.ClassificationServiceClient
	files   pb.AttachmentServiceClient
}

// logged is a log in memory.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) holds(word string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return bytes.Contains(l.b.Bytes(), []byte(word))
}

func newWorld(t *testing.T) *world {
	w := start(t, t.TempDir(), servertest.NewClock(begin))
	w.Shire()
	w.person(person, name)
	return w
}

// start starts a server on a folder.
func start(t *testing.T, dir string, clock *servertest.Clock) *world {
	t.Helper()
	w := &world{t: t, clock: clock, log: &logged{}}
	w.Server = servertest.Start(t, servertest.Options{Data: dir, Clock: clock.Now,
		Log: slog.New(slog.NewTextHandler(w.log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	c := w.Conn()
	w.reports, w.places, w.keep = pb.NewReportServiceClient(c), pb.NewWorkplaceServiceClient(c), pb.NewRetentionServiceClient(c)
	w.numbers, w.search, w.codes = pb.NewMeasureServiceClient(c), pb.NewSearchServiceClient(c), pb.NewClassificationServiceClient(c)
	w.files = pb.NewAttachmentServiceClient(c)
	return w
}

func (w *world) adviser() context.Context { return w.As("adviser") }

func (w *world) person(id, display string) {
	w.t.Helper()
	_, err := w.places.CreatePerson(w.As("administrator"), &pb.CreatePersonRequest{Person: &pb.Person{Name: id, DisplayName: display,
		Workplace: "workplaces/northside-trees", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, Occupation: "climber"}})
	require.NoError(w.t, err)
}

// file files a report of somebody hurt, told openly by a teller; days is how
// many days before now it happened.
func (w *world) file(days int, narrative, hurt string, teller *pb.Teller) *pb.Report {
	w.t.Helper()
	r := &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/northside-trees",
		Narrative: narrative, Spot: "old mill lane", OccurTime: timestamppb.New(w.clock.Now().AddDate(0, 0, -days)),
		TellerMode: pb.TellerMode_TELLER_MODE_CONFIDENTIAL, TellerRole: pb.TellerRole_TELLER_ROLE_WORKER,
		Harms: []*pb.Harm{{HarmId: "h1", Person: hurt, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, AgeBand: pb.AgeBand_AGE_BAND_25_TO_34,
			Description: "bruised " + narrative, OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME}},
			Absences: []*pb.Absence{{FirstDate: w.clock.Now().AddDate(0, 0, 1-days).Format(time.DateOnly), ReturnDate: w.clock.Now().AddDate(0, 0, 4-days).Format(time.DateOnly), RosteredDays: proto.Int32(3)}}}},
	}
	resp, err := w.reports.FileReport(w.As("worker"), &pb.FileReportRequest{Report: r, Teller: teller, RequestId: uuid.NewString()})
	require.NoError(w.t, err)
	return resp.GetReport()
}

// now reads a report as it stands.
func (w *world) now(name string) *pb.Report {
	w.t.Helper()
	r, err := w.reports.GetReport(w.adviser(), &pb.GetReportRequest{Name: name})
	require.NoError(w.t, err)
	return r
}

func (w *world) amend(name, narrative string) {
	w.t.Helper()
	_, err := w.reports.UpdateReport(w.adviser(), &pb.UpdateReportRequest{Report: &pb.Report{Name: name, Etag: w.now(name).GetEtag(), Narrative: narrative}, Reason: "heard again"})
	require.NoError(w.t, err)
}

func (w *world) code(name string) {
	w.t.Helper()
	_, err := w.codes.AssignCoding(w.adviser(), &pb.AssignCodingRequest{Parent: name, Coding: &pb.Coding{HarmId: "h1", Mechanism: "21", Nature: "169",
		Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON, Note: "said " + secret}})
	require.NoError(w.t, err)
}

// figures are rates, a chart and tables, as now or as at a change, without the
// number of the change that they are of.
func (w *world) figures(as *pb.AsAt) string {
	w.t.Helper()
	w.Ready(w.Head())
	ctx := w.adviser()
	out := ""
	show := func(m proto.Message, err error) {
		require.NoError(w.t, err)
		r := m.ProtoReflect()
		for _, f := range []string{"sequence_number", "as_at"} {
			if fd := r.Descriptor().Fields().ByName(protoName(f)); fd != nil {
				r.Clear(fd)
			}
		}
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		require.NoError(w.t, err)
		out += fmt.Sprintf("%x\n", b)
	}
	count := timestamppb.New(begin)
	if as == nil {
		as = &pb.AsAt{CountTime: count}
	} else {
		as.CountTime = count
	}
	period := &pb.Period{StartMonth: "2024-01", EndMonth: "2026-03"}
	rates, err := w.numbers.ComputeRates(ctx, &pb.ComputeRatesRequest{Period: period, AsAt: as})
	show(rates, err)
	for _, d := range []pb.Dimension{pb.Dimension_DIMENSION_MONTH, pb.Dimension_DIMENSION_OUTCOME, pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_EMPLOYMENT_GROUP} {
		if as.GetMoment() == nil {
			table, err := w.numbers.Tabulate(ctx, &pb.TabulateRequest{Rows: d, CountHarms: true})
			show(table, err)
			continue
		}
		table, err := w.numbers.Tabulate(ctx, &pb.TabulateRequest{Rows: d, CountHarms: true, AsAt: &pb.AsAt{Moment: as.GetMoment()}})
		show(table, err)
	}
	return out
}

func (w *world) finds(words string) int64 {
	w.t.Helper()
	w.Ready(w.Head())
	resp, err := w.search.SearchReports(w.adviser(), &pb.SearchReportsRequest{Words: words})
	require.NoError(w.t, err)
	return resp.GetTotalSize()
}

// agree puts a class into force.
func (w *world) agree(c *pb.RetentionClass) {
	w.t.Helper()
	if c.GetSource() != "" {
		_, err := w.keep.SetRetentionClass(w.adviser(), &pb.SetRetentionClassRequest{RetentionClass: c, Reason: "decided"})
		require.NoError(w.t, err)
	}
	for _, role := range []string{"administrator", "adviser"} {
		list, err := w.keep.ListRetentionClasses(w.adviser(), &pb.ListRetentionClassesRequest{})
		require.NoError(w.t, err)
		for _, have := range list.GetClasses() {
			if have.GetName() == c.GetName() {
				_, err := w.keep.AgreeRetentionClass(w.As(role), &pb.AgreeRetentionClassRequest{Name: c.GetName(), Etag: have.GetEtag(), Reason: "checked"})
				require.NoError(w.t, err)
			}
		}
	}
}

// nowhere wants words to be in no file of the data folder.
func (w *world) nowhere(words ...string) {
	w.t.Helper()
	for _, word := range words {
		require.Eventually(w.t, func() bool { return where(w.t, w.Data, word) == "" }, 10*time.Second, 50*time.Millisecond,
			"%s lies in %s", word, where(w.t, w.Data, word))
		require.False(w.t, w.log.holds(word), "the log holds %s", word)
	}
}

func where(t *testing.T, dir, word string) string {
	t.Helper()
	at := ""
	require.NoError(t, filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return nil
		}
		b, err := os.ReadFile(path)
		if err == nil && bytes.Contains(b, []byte(word)) {
			at = path
		}
		return nil
	}))
	return at
}

// sound stops the server and wants the chain to verify.
func (w *world) sound() {
	w.t.Helper()
	w.Stop()
	l, err := sqlite.Open(context.Background(), w.Data, sqlite.Options{})
	require.NoError(w.t, err)
	report, err := l.Verify(context.Background())
	require.NoError(w.t, err)
	require.Empty(w.t, report.Problems)
	require.Positive(w.t, report.Erased)
	require.NoError(w.t, l.Close())
}

func refused(t *testing.T, err error, code codes.Code, words string) {
	t.Helper()
	require.Error(t, err)
	require.Equal(t, code, status.Code(err), "%v", err)
	require.Contains(t, err.Error(), words)
}
