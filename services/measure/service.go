package measure

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/cube"
	"fairlead/services/fault"
	"fairlead/services/guard"
	"fairlead/services/harm"
	"fairlead/services/moment"
)

// Facts is what is counted; services/facts implements it.
type Facts interface {
	// Tabulate counts by one or two dimensions.
	Tabulate(q *pb.ReportFilter, workplaces []string, rows, columns pb.Dimension, level int32, harms bool) (*pb.Table, error)
	// Walk visits reports, persons hurt and hours at one sequence number.
	Walk(q *pb.ReportFilter, workplaces []string,
		report func(workplace, dataset string, day harm.Day, kind pb.ReportKind),
		hurt func(workplace, dataset string, day harm.Day, h *pb.Harm),
		hours func(h *pb.Hours)) (seq int64, err error)
	// First returns the earliest day of any report that matches.
	First(q *pb.ReportFilter, workplaces []string) (day harm.Day, ok bool, err error)
	// Cubes answers questions of how often things come together, all at one
	// sequence number.
	Cubes(questions ...cube.Question) ([]*cube.Cube, error)
	// Erased returns how many reports there were whose words are no longer held.
	Erased() int64
	// Wait returns when change seq is in force.
	Wait(ctx context.Context, seq int64) error
}

// Tree is what is asked of the tree of workplaces.
type Tree interface {
	access.Tree
	// Root returns the name of the root; "" while there is none.
	Root() string
	// Get returns a workplace, for its title.
	Get(name string) (*pb.Workplace, bool)
	// Path returns the workplaces from the root down to name.
	Path(name string) []string
	// Below returns the workplace and all below it.
	Below(name string) []string
	// Location returns the time zone of a workplace; of the root for "".
	Location(name string) *time.Location
	// ClosedAt reports whether the workplace, or one above it, was closed.
	ClosedAt(name string, at time.Time) bool
}

// Past hands out what is counted, and the tree, as they stood at a moment.
type Past interface {
	At(ctx context.Context, as *pb.AsAt, field string) (moment.Point, Facts, Tree, error)
}

// Service implements MeasureService.
type Service struct {
	pb.UnimplementedMeasureServiceServer
	facts Facts
	tree  Tree
	past  Past
	clock func() time.Time
	// wall is the clock on the wall, whatever moment is asked about.
	wall func() time.Time
	// smallest is the least count about persons that is told to whoever does
	// not read the reports.
	smallest int64
	// goesBy is the convention that is told to them.
	goesBy convention
}

// New returns the service.
func New(f Facts, t Tree, past Past, clock func() time.Time) *Service {
	by, _ := conventionOf(pb.Convention_CONVENTION_AS_1885_1)
	return &Service{facts: f, tree: t, past: past, clock: clock, wall: clock, smallest: guard.Smallest, goesBy: by}
}

// Smallest sets the least count about persons that is told to whoever does not
// read the reports, before the first question; at least [guard.Floor].
func (s *Service) Smallest(n int) { s.smallest = max(int64(n), guard.Floor) }

// ListMeasures implements MeasureService.
func (s *Service) ListMeasures(_ context.Context, req *pb.ListMeasuresRequest) (*pb.ListMeasuresResponse, error) {
	c, ok := conventionOf(req.GetConvention())
	if !ok {
		return nil, fault.Invalid(unknownConvention)
	}
	resp := &pb.ListMeasuresResponse{}
	for _, r := range c.rules {
		resp.Measures = append(resp.Measures, r.definition(c))
	}
	return resp, nil
}

// ComputeRates implements MeasureService.
func (s *Service) ComputeRates(ctx context.Context, req *pb.ComputeRatesRequest) (*pb.ComputeRatesResponse, error) {
	v, err := s.view(ctx, req)
	if err != nil {
		return nil, err
	}
	q, err := v.readRates(ctx, req)
	if err != nil {
		return nil, err
	}
	resp, err := v.rates(q)
	if err == nil {
		resp.AsAt, resp.Cautions = v.said(resp.GetSequenceNumber()), v.erased(resp.GetCautions())
	}
	return resp, err
}

// ComputeChart implements MeasureService.
func (s *Service) ComputeChart(ctx context.Context, req *pb.ComputeChartRequest) (*pb.Chart, error) {
	v, err := s.view(ctx, req)
	if err != nil {
		return nil, err
	}
	q, err := v.readChart(ctx, req)
	if err != nil {
		return nil, err
	}
	if why := v.heldCases(q); why != "" {
		return v.heldChart(q, why), nil
	}
	c, err := v.chart(q)
	if err != nil {
		return nil, err
	}
	if q.guarded && guard.AsksPersons(q.filter) && s.anyFew(c) {
		return v.heldChart(q, fmt.Sprintf("Held back: there is a month with fewer than %d. Ask without the filter.", s.smallest)), nil
	}
	c.AsAt, c.Cautions = v.said(c.GetSequenceNumber()), v.erased(c.GetCautions())
	if req.GetIncludeSvg() {
		if err := drawInto(c); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// Tabulate implements MeasureService.
func (s *Service) Tabulate(ctx context.Context, req *pb.TabulateRequest) (*pb.Table, error) {
	v, err := s.view(ctx, req)
	if err != nil {
		return nil, err
	}
	workplaces, err := v.readTable(ctx, req)
	if err != nil {
		return nil, err
	}
	return v.tabulate(ctx, req, workplaces)
}

// tabulate counts, with what is held back from the caller.
func (s *view) tabulate(ctx context.Context, req *pb.TabulateRequest, scope []string) (*pb.Table, error) {
	guarded := s.guarded(ctx, scope)
	if why := heldPersons(guarded, req.GetFilter(), nil, req.GetCountHarms(), req.GetRows(), req.GetColumns()); why != "" {
		if why = s.yearQuestion(req, scope); why != "" {
			return &pb.Table{Columns: []*pb.TableHead{{Key: "count", Title: "count"}}, HeldBackReason: why, Method: why}, nil
		}
		return s.yearTable(ctx, req, scope)
	}
	t, err := s.facts.Tabulate(req.GetFilter(), scope, req.GetRows(), req.GetColumns(), req.GetCodeLevel(), req.GetCountHarms())
	if err != nil {
		return nil, err
	}
	if guarded && (guard.AsksPersons(req.GetFilter()) || guard.Tells(req.GetRows()) || guard.Tells(req.GetColumns())) {
		s.guardTable(t)
	}
	t.AsAt = s.said(t.GetSequenceNumber())
	return t, nil
}

// RankCauses implements MeasureService.
func (s *Service) RankCauses(ctx context.Context, req *pb.RankCausesRequest) (*pb.CauseRanking, error) {
	v, err := s.view(ctx, req)
	if err != nil {
		return nil, err
	}
	q, err := v.readRank(ctx, req)
	if err != nil {
		return nil, err
	}
	if why := heldPersons(q.guarded, q.filter, nil, q.harms, q.dims...); why != "" {
		return &pb.CauseRanking{Dimension: q.dims[0], CodeLevel: q.codeLevel, CountHarms: q.harms, Period: q.period.message(), Level: q.level,
			Scope: v.scopeWords(&q.question), Sentence: why, HeldBackReason: why}, nil
	}
	r, err := v.rank(q)
	if err != nil {
		return nil, err
	}
	r.AsAt, r.Cautions = v.said(r.GetSequenceNumber()), v.erased(r.GetCautions())
	if req.GetIncludeSvg() {
		err = drawRanking(r)
	}
	return r, err
}

// CrossCauses implements MeasureService.
func (s *Service) CrossCauses(ctx context.Context, req *pb.CrossCausesRequest) (*pb.CauseCross, error) {
	v, err := s.view(ctx, req)
	if err != nil {
		return nil, err
	}
	q, err := v.readCross(ctx, req)
	if err != nil {
		return nil, err
	}
	if why := heldPersons(q.guarded, q.filter, nil, q.harms, q.dims...); why != "" {
		return &pb.CauseCross{Rows: q.dims[0], Columns: q.dims[1], CodeLevel: q.codeLevel, CountHarms: q.harms, Period: q.period.message(), Level: q.level,
			Scope: v.scopeWords(&q.question), Sentence: why, HeldBackReason: why}, nil
	}
	c, err := v.cross(q)
	if err != nil {
		return nil, err
	}
	c.AsAt, c.Cautions = v.said(c.GetSequenceNumber()), v.erased(c.GetCautions())
	if req.GetIncludeSvg() {
		err = drawCross(c)
	}
	return c, err
}

// FindClusters implements MeasureService.
func (s *Service) FindClusters(ctx context.Context, req *pb.FindClustersRequest) (*pb.CauseClusters, error) {
	v, err := s.view(ctx, req)
	if err != nil {
		return nil, err
	}
	q, err := v.readClusters(ctx, req)
	if err != nil {
		return nil, err
	}
	if why := heldPersons(q.guarded, q.filter, nil, q.harms, q.dims...); why != "" {
		return &pb.CauseClusters{Category: q.dims[1], CodeLevel: q.codeLevel, CountHarms: q.harms, Period: q.period.message(), Basis: q.basis,
			Scope: v.scopeWords(&q.question), Sentence: why, HeldBackReason: why}, nil
	}
	c, err := v.clusters(q)
	if err == nil {
		c.AsAt, c.Cautions = v.said(c.GetSequenceNumber()), v.erased(c.GetCautions())
	}
	return c, err
}

// wait returns when the facts reflect seq.
func (s *Service) wait(ctx context.Context, seq int64) error {
	err := s.facts.Wait(ctx, seq)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, context.DeadlineExceeded):
		return fault.Behind(250 * time.Millisecond)
	}
	return status.FromContextError(err).Err()
}
