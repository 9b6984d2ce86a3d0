package intake

import (
	"context"
	"crypto/rand"
	"io"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/moment"
	"fairlead/services/paging"
)

// Tree answers where workplaces stand; see services/workplace.
type Tree interface {
	// Root returns the name of the organisation at the top.
	Root() string
	// Has reports whether there is such a workplace.
	Has(name string) bool
	// Within reports whether workplace is ancestor or stands below it.
	Within(workplace, ancestor string) bool
	// Path returns the way from the root to the workplace.
	Path(name string) []string
	// Location returns the time zone in which the days of a workplace run.
	Location(name string) *time.Location
	// ClosedAt reports whether a workplace was closed at a time.
	ClosedAt(name string, at time.Time) bool
	// Nearest returns names that look like one that is not there.
	Nearest(name string, limit int) []string
	// Wait returns when the tree reflects a sequence number.
	Wait(ctx context.Context, seq int64) error
}

// Finder finds reports in the order of their events; see services/facts.
type Finder interface {
	// Newest returns names of matching reports, newest event first, the
	// position to go on from, and how many match in all.
	Newest(f *pb.ReportFilter, workplaces []string, after string, limit int) (names []string, next string, total int64, err error)
	// Wait returns when the finder reflects a sequence number.
	Wait(ctx context.Context, seq int64) error
	// Seq returns the sequence number that the finder reflects.
	Seq() int64
	// MatchAll says for each of the named reports whether it is there and
	// matches.
	MatchAll(names []string, f *pb.ReportFilter, workplaces []string) ([]bool, error)
}

// Past hands out what stood at a moment.
type Past interface {
	// Log returns the ledger as it stood.
	Log(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, error)
	// Find returns the ledger and a finder as they stood.
	Find(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, Finder, error)
}

// CodeChecker checks the codes of a coding, puts them into their canonical form
// and sets the edition; see services/classify. Violations name fields of the
// coding, such as "mechanism".
type CodeChecker interface {
	Check(ctx context.Context, c *pb.Coding) []fault.Violation
}

// Rules applies the rules that the contract puts on single fields and says what
// is wrong in plain words. Requests were checked before they came here; records
// of an import and what an amendment leads to are checked with it.
type Rules func(m proto.Message) fault.Violations

// Keepers close the names of those who told in confidence to a named few; see
// services/keepers.
type Keepers interface {
	// Close returns who told, closed; as it is when there is no keeper.
	Close(ctx context.Context, t *pb.Teller) (*pb.Teller, error)
	// IsKeeper reports whether a name is closed to a principal among others.
	IsKeeper(t *pb.Teller, principal string) bool
	// Open opens a name with the passphrase of the caller.
	Open(ctx context.Context, t *pb.Teller, passphrase string) (*pb.Teller, error)
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// Cover returns a report as those beyond its circle may read it. It leaves
	// the report as it is.
	Cover(ctx context.Context, r *pb.Report) (*pb.Report, error)
	// CoverBeside covers texts that are said beside a report.
	CoverBeside(ctx context.Context, report string, texts ...*string) error
}

// Deps is what the room stands on. All are required but Codes, Keepers and
// Masks: without them, everybody reads the stories as they were told, imported records with codings are refused, and names told in
// confidence lie under the ledger's own seal only.
type Deps struct {
	Ledger  ledger.Ledger
	Past    Past
	Tree    Tree
	Finder  Finder
	Codes   CodeChecker
	Keepers Keepers
	Masks   Masks
	Rules   Rules
	Tokens  *paging.Tokens
	Clock   func() time.Time
	// NewID makes a UUID that sorts by time (version 7).
	NewID func() string
	// RandomID makes a UUID that says nothing (version 4), for reports that
	// must not tell when they were made.
	RandomID func() string
	// Random is what receipt codes are drawn from; nil is crypto/rand.
	Random io.Reader
}

// Service implements ReportService.
type Service struct {
	pb.UnimplementedReportServiceServer
	Deps
}

// New returns the service.
func New(d Deps) *Service {
	if d.Random == nil {
		d.Random = rand.Reader
	}
	return &Service{Deps: d}
}

// FileReport implements ReportService.
func (s *Service) FileReport(ctx context.Context, req *pb.FileReportRequest) (*pb.FileReportResponse, error) {
	f, err := s.prepare(ctx, req)
	if err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		return s.preview(ctx, f)
	}
	return s.file(ctx, req, f)
}

// GetReport implements ReportService.
func (s *Service) GetReport(ctx context.Context, req *pb.GetReportRequest) (*pb.Report, error) {
	if err := wait(ctx, s.Ledger, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	name, err := s.resolve(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	r, err := s.read(ctx, name)
	if err != nil {
		return nil, err
	}
	past, err := moment.Listed(req.GetAsAt(), "as_at")
	if err != nil {
		return nil, err
	}
	if past {
		_, log, err := s.Past.Log(ctx, req.GetAsAt(), "as_at")
		if err != nil {
			return nil, err
		}
		if r, err = then(ctx, log, name); err != nil {
			return nil, err
		}
	}
	return s.show(ctx, r)
}

// ListReports implements ReportService.
func (s *Service) ListReports(ctx context.Context, req *pb.ListReportsRequest) (*pb.ListReportsResponse, error) {
	if err := wait(ctx, s.Finder, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	past, err := moment.Listed(req.GetAsAt(), "as_at")
	if err != nil {
		return nil, err
	}
	if past {
		return s.listThen(ctx, req)
	}
	return s.list(ctx, req)
}

// UpdateReport implements ReportService.
func (s *Service) UpdateReport(ctx context.Context, req *pb.UpdateReportRequest) (*pb.WriteReportResponse, error) {
	if err := updatable(req).Err(); err != nil {
		return nil, err
	}
	if err := s.knows(ctx, req.GetReport().GetWorkplace()); err != nil {
		return nil, err
	}
	return s.change(ctx, s.amendment(req))
}

// VoidReport implements ReportService.
func (s *Service) VoidReport(ctx context.Context, req *pb.VoidReportRequest) (*pb.WriteReportResponse, error) {
	return s.change(ctx, voiding(req))
}

// AddHarm implements ReportService.
func (s *Service) AddHarm(ctx context.Context, req *pb.AddHarmRequest) (*pb.WriteReportResponse, error) {
	return s.change(ctx, s.addition(req))
}

// RecordOutcome implements ReportService.
func (s *Service) RecordOutcome(ctx context.Context, req *pb.RecordOutcomeRequest) (*pb.WriteReportResponse, error) {
	return s.change(ctx, s.newOutcome(req))
}

// RecordAbsence implements ReportService.
func (s *Service) RecordAbsence(ctx context.Context, req *pb.RecordAbsenceRequest) (*pb.WriteReportResponse, error) {
	return s.change(ctx, s.newAbsence(req))
}

// ListReportHistory implements ReportService.
func (s *Service) ListReportHistory(ctx context.Context, req *pb.ListReportHistoryRequest) (*pb.ListReportHistoryResponse, error) {
	r, err := s.read(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	past, err := moment.Listed(req.GetAsAt(), "as_at")
	if err != nil {
		return nil, err
	}
	if !past {
		return s.history(ctx, r)
	}
	p, _, err := s.Past.Log(ctx, req.GetAsAt(), "as_at")
	if err != nil {
		return nil, err
	}
	out, err := s.history(ctx, r)
	if err == nil {
		out.Entries = slices.DeleteFunc(out.Entries, func(e *pb.HistoryEntry) bool { return e.GetSequenceNumber() > p.Seq })
	}
	return out, err
}

// GetTeller implements ReportService.
func (s *Service) GetTeller(ctx context.Context, req *pb.GetTellerRequest) (*pb.Teller, error) {
	return s.openTeller(ctx, req)
}

// ImportReports implements ReportService.
func (s *Service) ImportReports(ctx context.Context, req *pb.ImportReportsRequest) (*pb.ImportReportsResponse, error) {
	return s.importBatch(ctx, req)
}
