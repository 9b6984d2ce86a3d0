package measure

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/cube"
	"fairlead/services/fault"
	"fairlead/services/harm"
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
	// Location returns the time zone of a workplace; of the root for "".
	Location(name string) *time.Location
	// ClosedAt reports whether the workplace, or one above it, was closed.
	ClosedAt(name string, at time.Time) bool
}

// Service implements MeasureService.
type Service struct {
	pb.UnimplementedMeasureServiceServer
	facts Facts
	tree  Tree
	clock func() time.Time
}

// New returns the service.
func New(f Facts, t Tree, clock func() time.Time) *Service {
	return &Service{facts: f, tree: t, clock: clock}
}

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
	q, err := s.readRates(ctx, req)
	if err != nil {
		return nil, err
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	return s.rates(q)
}

// ComputeChart implements MeasureService.
func (s *Service) ComputeChart(ctx context.Context, req *pb.ComputeChartRequest) (*pb.Chart, error) {
	q, err := s.readChart(ctx, req)
	if err != nil {
		return nil, err
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	c, err := s.chart(q)
	if err != nil {
		return nil, err
	}
	if req.GetIncludeSvg() {
		if err := drawInto(c); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// Tabulate implements MeasureService.
func (s *Service) Tabulate(ctx context.Context, req *pb.TabulateRequest) (*pb.Table, error) {
	workplaces, err := s.readTable(ctx, req)
	if err != nil {
		return nil, err
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	return s.facts.Tabulate(req.GetFilter(), workplaces, req.GetRows(), req.GetColumns(), req.GetCodeLevel(), req.GetCountHarms())
}

// RankCauses implements MeasureService.
func (s *Service) RankCauses(ctx context.Context, req *pb.RankCausesRequest) (*pb.CauseRanking, error) {
	q, err := s.readRank(ctx, req)
	if err != nil {
		return nil, err
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	r, err := s.rank(q)
	if err == nil && req.GetIncludeSvg() {
		err = drawRanking(r)
	}
	return r, err
}

// CrossCauses implements MeasureService.
func (s *Service) CrossCauses(ctx context.Context, req *pb.CrossCausesRequest) (*pb.CauseCross, error) {
	q, err := s.readCross(ctx, req)
	if err != nil {
		return nil, err
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	c, err := s.cross(q)
	if err == nil && req.GetIncludeSvg() {
		err = drawCross(c)
	}
	return c, err
}

// FindClusters implements MeasureService.
func (s *Service) FindClusters(ctx context.Context, req *pb.FindClustersRequest) (*pb.CauseClusters, error) {
	q, err := s.readClusters(ctx, req)
	if err != nil {
		return nil, err
	}
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	return s.clusters(q)
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
