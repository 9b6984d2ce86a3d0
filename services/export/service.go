package export

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/guard"
	"fairlead/services/ledger"
	"fairlead/services/moment"
)

// Measures works figures out; the measure room implements it.
type Measures interface {
	ComputeRates(context.Context, *pb.ComputeRatesRequest) (*pb.ComputeRatesResponse, error)
	ComputeChart(context.Context, *pb.ComputeChartRequest) (*pb.Chart, error)
	Tabulate(context.Context, *pb.TabulateRequest) (*pb.Table, error)
}

// Finder names the reports that a filter picks, newest first; the facts
// projection implements it.
type Finder interface {
	Newest(f *pb.ReportFilter, workplaces []string, after string, limit int) (names []string, next string, total int64, err error)
	// MatchAll says for each of the named reports whether it is there and
	// matches.
	MatchAll(names []string, f *pb.ReportFilter, workplaces []string) ([]bool, error)
	Wait(ctx context.Context, seq int64) error
}

// Past hands out what stood at a moment.
type Past interface {
	Find(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, Finder, error)
}

// Log is what is read of the ledger.
type Log interface {
	GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error)
	Changes(ctx context.Context, after int64, limit int) ([]ledger.Change, error)
}

// Tree is what is asked of the workplace tree.
type Tree interface {
	access.Tree
	Get(name string) (*pb.Workplace, bool)
	Root() string
}

// Deps are what the room is wired to.
type Deps struct {
	Measures Measures
	Finder   Finder
	Log      Log
	Tree     Tree
	Past     Past
	// Draw lays a chart out, as the measure room draws it.
	Draw func(*pb.Chart, figure.Size) (*figure.Figure, error)
	// Edition names the code tables with their credit.
	Edition string
	// Masks cover names in reasons; nil covers nothing.
	Masks Masks
	// Clock gives the time that a summary says it was made at.
	Clock func() time.Time
	// Smallest is the least count that is told where small ones are held back;
	// 0 is [guard.Smallest].
	Smallest int
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// CoverPlain covers texts that belong to no one report.
	CoverPlain(texts ...*string)
}

// Service implements ExportService.
type Service struct {
	pb.UnimplementedExportServiceServer
	d Deps
}

// New returns the service.
func New(d Deps) *Service {
	if d.Smallest == 0 {
		d.Smallest = guard.Smallest
	}
	d.Smallest = max(d.Smallest, guard.Floor)
	return &Service{d: d}
}

// GetSummary implements ExportService.
func (s *Service) GetSummary(ctx context.Context, req *pb.GetSummaryRequest) (*pb.Summary, error) {
	if err := s.check(ctx, req, ""); err != nil {
		return nil, err
	}
	sum, _, err := s.summarise(ctx, req, "as_at", like{})
	return sum, err
}

// ExportSummary implements ExportService.
func (s *Service) ExportSummary(ctx context.Context, req *pb.ExportSummaryRequest) (*pb.ExportSummaryResponse, error) {
	if err := s.check(ctx, req.GetSummary(), "summary."); err != nil {
		return nil, err
	}
	q := req.GetSummary()
	if q.GetSmallestCell() == ownEyes {
		// A file is handed on: nobody knows to whom.
		q = proto.Clone(q).(*pb.GetSummaryRequest)
		q.SmallestCell = 0
	}
	sum, _, err := s.summarise(ctx, q, "summary.as_at", like{})
	if err != nil {
		return nil, err
	}
	out := &pb.ExportSummaryResponse{SequenceNumber: sum.GetSequenceNumber()}
	var ending string
	switch req.GetFormat() {
	case pb.FileFormat_FILE_FORMAT_CSV:
		ending, out.ContentType = "csv", "text/csv; charset=utf-8"
		out.Content, err = writeCSV(sum)
	case pb.FileFormat_FILE_FORMAT_JSON:
		ending, out.ContentType = "json", "application/json"
		out.Content, err = writeJSON(sum)
	case pb.FileFormat_FILE_FORMAT_PDF:
		ending, out.ContentType = "pdf", "application/pdf"
		out.Content, err = s.writePDF(sum)
	default:
		return nil, fault.Invalid(fault.Violation{Field: "format", Description: "choose CSV, JSON or PDF"})
	}
	if err != nil {
		return nil, err
	}
	out.FileName = fmt.Sprintf("summary-%s-to-%s.%s", sum.GetPeriod().GetStartMonth(), lastMonth(sum.GetPeriod()), ending)
	h := sha256.Sum256(out.Content)
	out.Sha256 = hex.EncodeToString(h[:])
	return out, nil
}

// check says what the rules of the contract cannot. Reach is decided first: who
// does not reach a workplace gets the same answer whether it exists or not.
func (s *Service) check(ctx context.Context, req *pb.GetSummaryRequest, path string) error {
	if w := req.GetWorkplace(); w != "" {
		if _, err := access.Narrow(access.From(ctx), s.d.Tree, []string{w}); err != nil {
			return err
		}
	}
	var vs fault.Violations
	p := req.GetPeriod()
	if p.GetEndMonth() <= p.GetStartMonth() {
		vs.Add(path+"period.end_month", "must be after start_month; it is the month after the last one")
	} else if n := months(p); n > 120 {
		vs.Add(path+"period", fmt.Sprintf("spans %d months; a summary covers at most 120", n))
	}
	if w := req.GetWorkplace(); w != "" {
		if _, ok := s.d.Tree.Get(w); !ok {
			vs.Add(path+"workplace", "there is no workplace "+w+"; list them with ListWorkplaces")
		}
	}
	return vs.Err()
}

// months is how many months a period has.
func months(p *pb.Period) int {
	a, err1 := time.Parse("2006-01", p.GetStartMonth())
	b, err2 := time.Parse("2006-01", p.GetEndMonth())
	if err1 != nil || err2 != nil {
		return 0
	}
	return (b.Year()-a.Year())*12 + int(b.Month()) - int(a.Month())
}

// lastMonth is the last month within a period.
func lastMonth(p *pb.Period) string {
	end, err := time.Parse("2006-01", p.GetEndMonth())
	if err != nil {
		return p.GetEndMonth()
	}
	return end.AddDate(0, -1, 0).Format("2006-01")
}
