package server_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/demo"
	"fairlead/services/server/servertest"
)

// cell is what a report is counted under.
type cell struct {
	workplace string
	kind      pb.ReportKind
}

// tallying counts what goes through a connection and was answered well, and
// can break off after a number of calls.
type tallying struct {
	grpc.ClientConnInterface
	zone  *time.Location
	after int // calls until it breaks; 0 never

	mu      sync.Mutex
	calls   int
	reports map[string]cell
	months  map[string]string // of reports, by name
	harms   map[string]int64  // by workplace
	codings map[string]bool
	hours   map[string]float64 // by workplace, month and group
}

var errBrokenOff = errors.New("broken off")

// Invoke implements grpc.ClientConnInterface.
func (c *tallying) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	if c.calls++; c.after > 0 && c.calls > c.after {
		return errBrokenOff
	}
	if err := c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch req := args.(type) {
	case *pb.FileReportRequest:
		r := req.GetReport()
		if _, again := c.reports[r.GetName()]; !again {
			c.harms[r.GetWorkplace()] += int64(len(r.GetHarms()))
		}
		c.reports[r.GetName()] = cell{r.GetWorkplace(), r.GetKind()}
		c.months[r.GetName()] = r.GetOccurTime().AsTime().In(c.zone).Format("2006-01")
	case *pb.AssignCodingRequest:
		c.codings[req.GetParent()] = true
		for _, code := range reply.(*pb.AssignCodingResponse).GetCodes() {
			if !code.GetAssignable() {
				return fmt.Errorf("code %s is a heading", code.GetCode())
			}
		}
	case *pb.ImportHoursRequest:
		for _, row := range req.GetRows() {
			h := row.GetHours()
			c.hours[fmt.Sprint(h.GetWorkplace(), h.GetMonth(), h.GetEmploymentGroup())] = h.GetHoursWorked()
		}
	}
	return nil
}

// shire is the demonstration world, made once through a server.
type shire struct {
	*servertest.Server
	t    *testing.T
	now  time.Time
	zone *time.Location
	sent *tallying
	// months are the 36 whole months.
	months *pb.Period
}

// month is a month of the world, counted from 1.
func (s *shire) month(n int) string {
	return time.Date(s.now.Year(), s.now.Month()-demo.Months-1+time.Month(n), 1, 0, 0, 0, 0, s.zone).Format("2006-01")
}

// makeShire makes the world of a day: as a first start does that was broken off
// half-way and started again, or in one go.
func makeShire(t *testing.T, day string, brokenOff bool) *shire {
	t.Helper()
	zone, err := time.LoadLocation(demo.TimeZone)
	require.NoError(t, err)
	now, err := time.ParseInLocation("2006-01-02 15:04", day+" 12:00", zone)
	require.NoError(t, err)
	s := &shire{t: t, now: now, zone: zone}
	s.months = &pb.Period{StartMonth: s.month(1), EndMonth: s.month(demo.Months + 1)}
	d := access.NewDirectory()
	for _, word := range access.RoleWords() {
		role, _ := access.ParseRole(word)
		p := access.Principal{Name: "principals/demo-" + word, Roles: []pb.Role{role}}
		if role == pb.Role_ROLE_SUPERVISOR {
			p.Workplaces = []string{"workplaces/northside"}
		}
		require.NoError(t, d.AddWithToken(p, demo.Token(word)))
	}
	s.sent = &tallying{zone: zone, reports: map[string]cell{}, months: map[string]string{}, harms: map[string]int64{}, codings: map[string]bool{}, hours: map[string]float64{}}
	data := t.TempDir()
	var made atomic.Bool
	run := func(after int) (demo.Counts, error) {
		clock := &demo.Clock{}
		clock.Set(s.now.AddDate(0, -demo.Months-2, 0))
		s.Server = servertest.Start(t, servertest.Options{Data: data, Directory: d, Clock: func() time.Time {
			if made.Load() {
				return s.now
			}
			return clock.Now()
		}})
		s.sent.ClientConnInterface, s.sent.calls, s.sent.after = s.Conn(), 0, after
		n, err := (&demo.Seeder{Conn: s.sent, Clock: clock, Seed: demo.DefaultSeed, Now: s.now}).Run(t.Context())
		made.Store(true)
		return n, err
	}
	if brokenOff {
		_, err = run(2500)
		require.ErrorIs(t, err, errBrokenOff)
		s.Stop()
		made.Store(false)
	}
	count, err := run(0)
	require.NoError(t, err)
	require.Equal(t, demo.People(), count.People)
	require.Len(t, s.sent.reports, count.Reports)
	require.Len(t, s.sent.codings, count.Codings, "no coding was refused")
	require.Len(t, s.sent.hours, count.HoursRows)
	for _, word := range access.RoleWords() {
		s.Tokens[word] = demo.Token(word)
	}
	s.Ready(s.Head())
	t.Logf("%+v, %d changes", count, s.Head())
	return s
}

// chart asks for a chart of a crew.
func (s *shire) chart(measure, crew string) *pb.Chart {
	s.t.Helper()
	c, err := pb.NewMeasureServiceClient(s.Conn()).ComputeChart(s.As("adviser"), &pb.ComputeChartRequest{Measure: measure, Workplace: "workplaces/" + crew, Period: s.months})
	require.NoError(s.t, err, reasons(err))
	return c
}

// table asks for a table.
func (s *shire) table(req *pb.TabulateRequest) *pb.Table {
	s.t.Helper()
	table, err := pb.NewMeasureServiceClient(s.Conn()).Tabulate(s.As("adviser"), req)
	require.NoError(s.t, err, reasons(err))
	return table
}

// rate is events per 100,000 hours over the 36 months.
func (s *shire) rate(measure, crew string) float64 {
	s.t.Helper()
	var count int64
	for _, p := range s.chart(measure, crew).GetPoints() {
		count += p.GetCount()
	}
	hours := 0.0
	for key, worked := range s.sent.hours {
		if strings.HasPrefix(key, "workplaces/"+crew) {
			hours += worked
		}
	}
	return float64(count) / hours * 100_000
}

// TestShire holds the demonstration to what services/demo says of it.
func TestShire(t *testing.T) {
	t.Parallel()
	s := makeShire(t, "2026-07-14", true)
	t.Run("counts are those that were sent", s.counts)
	t.Run("planted truths show", s.truths)
	t.Run("causes", s.causes)
	t.Run("what visitors try", s.tour)
}

// TestShire_anotherDay: the tale does not hang on the day it is told. All the
// months of a year are held to it in services/demo, by count.
func TestShire_anotherDay(t *testing.T) {
	t.Parallel()
	s := makeShire(t, "2027-02-10", false)
	t.Run("planted truths show", s.truths)
	t.Run("causes", s.causes)
}

func (s *shire) counts(t *testing.T) {
	want, months, coded := map[cell]int64{}, map[string]int64{}, int64(len(s.sent.codings))
	for name, c := range s.sent.reports {
		want[c]++
		months[s.sent.months[name]]++
	}
	table := s.table(&pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_WORKPLACE, Columns: pb.Dimension_DIMENSION_KIND})
	require.Equal(t, int64(len(s.sent.reports)), table.GetTotal())
	got := map[cell]int64{}
	for i, row := range table.GetRows() {
		for j, column := range table.GetColumns() {
			if n := table.GetCounts()[i*len(table.GetColumns())+j]; n > 0 {
				got[cell{row.GetKey(), pb.ReportKind(pb.ReportKind_value[column.GetKey()])}] = n
			}
		}
	}
	require.Equal(t, want, got)

	table = s.table(&pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_MONTH})
	inMonths := map[string]int64{}
	for _, row := range table.GetRows() {
		inMonths[row.GetKey()] = row.GetTotal()
	}
	require.Equal(t, months, inMonths)

	table = s.table(&pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_WORKPLACE, CountHarms: true})
	for _, row := range table.GetRows() {
		require.Equal(t, s.sent.harms[row.GetKey()], row.GetTotal(), row.GetKey())
	}
	table = s.table(&pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_MECHANISM})
	require.Equal(t, coded, table.GetTotal()-table.GetRowsUnknown(), "every coding that was sent is counted once")

	client, sum, token := pb.NewHoursServiceClient(s.Conn()), 0.0, ""
	for {
		page, err := client.ListHours(s.As("adviser"), &pb.ListHoursRequest{PageSize: 100, PageToken: token})
		require.NoError(t, err)
		for _, h := range page.GetHours() {
			require.Equal(t, s.sent.hours[fmt.Sprint(h.GetWorkplace(), h.GetMonth(), h.GetEmploymentGroup())], h.GetHoursWorked())
			sum++
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	require.Len(t, s.sent.hours, int(sum))
}

func (s *shire) truths(t *testing.T) {
	mowing := s.chart("harms", "northside-mowing").GetSignals()
	require.NotEmpty(t, mowing, "the mowing crew's improvement shows")
	for _, sig := range mowing {
		require.False(t, sig.GetAbove(), "%v", sig)
		require.GreaterOrEqual(t, sig.GetStartMonth(), s.month(25))
	}
	waste := s.chart("harms", "transfer-waste").GetSignals()
	require.NotEmpty(t, waste, "the waste crew's worsening shows")
	for _, sig := range waste {
		require.True(t, sig.GetAbove(), "%v", sig)
		require.GreaterOrEqual(t, sig.GetEndMonth(), s.month(25))
	}

	table := s.table(&pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_MONTH, CountHarms: true, Filter: &pb.ReportFilter{
		Workplaces: []string{"workplaces/quarry-road-roads"}, Outcomes: []pb.OutcomeClass{pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME}, StartDate: s.month(31) + "-01", EndDate: s.month(32) + "-01"}})
	require.GreaterOrEqual(t, table.GetTotal(), int64(3), "the roads crew has its bad month")
	for _, measure := range []string{"frequency_rate", "harms"} {
		c := s.chart(measure, "quarry-road-roads")
		require.Empty(t, c.GetSignals(), "and it is luck: %s", c.GetSentence())
	}

	for _, measure := range []string{"near_miss_rate", "hazard_rate"} {
		require.Less(t, s.rate(measure, "quarry-road-drainage"), s.rate(measure, "quarry-road-roads")/5, "drainage hardly reports")
	}
	require.InDelta(t, 1, s.rate("harms", "quarry-road-drainage")/s.rate("harms", "quarry-road-roads"), 0.4, "and is hurt like others")

	nursery := s.chart("near_miss_rate", "lakeside-nursery")
	require.NotEmpty(t, nursery.GetSignals(), "the nursery's near-miss reports rise")
	for _, sig := range nursery.GetSignals() {
		require.True(t, sig.GetAbove())
		require.GreaterOrEqual(t, sig.GetEndMonth(), s.month(27))
	}
	require.False(t, nursery.GetDefinition().GetRiseIsWorse(), "and that is never a warning")
	require.Empty(t, s.chart("harms", "lakeside-nursery").GetSignals(), "injuries stay as they were")
}

// tour is what the first page and the README invite to.
func (s *shire) tour(t *testing.T) {
	found, err := pb.NewSearchServiceClient(s.Conn()).SearchReports(s.As("adviser"), &pb.SearchReportsRequest{Words: "reversed without a spotter", IncludeCounts: true})
	require.NoError(t, err)
	require.Greater(t, found.GetTotalSize(), int64(3))
	rates, err := pb.NewMeasureServiceClient(s.Conn()).ComputeRates(s.As("committee"), &pb.ComputeRatesRequest{})
	require.NoError(t, err)
	require.True(t, rates.GetValues()[0].GetDefined(), "%s", rates.GetValues()[0].GetUndefinedReason())
	for format, head := range map[pb.FileFormat]string{pb.FileFormat_FILE_FORMAT_CSV: "", pb.FileFormat_FILE_FORMAT_JSON: "{", pb.FileFormat_FILE_FORMAT_PDF: "%PDF-"} {
		out, err := pb.NewExportServiceClient(s.Conn()).ExportSummary(s.As("auditor"), &pb.ExportSummaryRequest{Format: format, Summary: &pb.GetSummaryRequest{Period: s.months}})
		require.NoError(t, err, reasons(err))
		require.True(t, strings.HasPrefix(string(out.GetContent()), head))
		require.NotContains(t, string(out.GetContent()), "Exampleton", "no name is in a summary")
	}
}
