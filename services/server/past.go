package server

import (
	"context"
	"sync/atomic"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/export"
	"fairlead/services/facts"
	"fairlead/services/hours"
	"fairlead/services/intake"
	"fairlead/services/ledger"
	"fairlead/services/measure"
	"fairlead/services/moment"
	"fairlead/services/workplace"
)

// world is the tree and the facts as they stood at one moment.
type world struct {
	tree  *workplace.Tree
	facts *facts.Facts
}

// past hands the rooms what stood at a moment. Each room has its own view of it
// below, because each declares the little that it needs.
type past struct {
	ledger ledger.Ledger
	clock  func() time.Time
	worlds *moment.Keeper[world]
	// now are the facts of the present, which see erasures first; seen is how
	// many of them the kept worlds know.
	now  *facts.Facts
	seen atomic.Int64
}

// newPast returns the past of a ledger. The code tables are those of today.
func newPast(l ledger.Ledger, now *facts.Facts, codes facts.CodeTree, clock func() time.Time) *past {
	return &past{ledger: l, clock: clock, now: now, worlds: moment.NewKeeper(l, moment.Usual,
		func(ctx context.Context, log *moment.Log) (world, error) {
			w := world{tree: workplace.NewTree(log, clock)}
			// In this order: the facts ask the tree.
			if err := w.tree.CatchUp(ctx); err != nil {
				return world{}, err
			}
			w.facts = facts.New(log, w.tree, codes)
			return w, w.facts.CatchUp(ctx)
		})}
}

// Log returns the ledger as it stood.
func (p *past) Log(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, error) {
	at, err := moment.Resolve(ctx, p.ledger, p.clock(), as, field)
	if err != nil {
		return moment.Point{}, nil, err
	}
	return at, moment.NewLog(p.ledger, at), nil
}

func (p *past) at(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, world, error) {
	at, log, err := p.Log(ctx, as, field)
	if err != nil {
		return moment.Point{}, nil, world{}, err
	}
	// What was erased must not come back out of memory.
	if n := p.now.Erasures(); p.seen.Swap(n) != n {
		p.worlds.Forget()
	}
	w, err := p.worlds.At(ctx, at)
	return at, log, w, err
}

// pastOfFigures is the past as the measure room needs it.
type pastOfFigures struct{ *past }

func (p pastOfFigures) At(ctx context.Context, as *pb.AsAt, field string) (moment.Point, measure.Facts, measure.Tree, error) {
	at, _, w, err := p.at(ctx, as, field)
	return at, w.facts, w.tree, err
}

// pastOfReports is the past as the intake room needs it.
type pastOfReports struct{ *past }

func (p pastOfReports) Find(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, intake.Finder, error) {
	at, log, w, err := p.at(ctx, as, field)
	return at, log, w.facts, err
}

// pastOfHours is the past as the hours room needs it.
type pastOfHours struct{ *past }

func (p pastOfHours) At(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, hours.Tree, error) {
	at, log, w, err := p.at(ctx, as, field)
	return at, log, w.tree, err
}

// pastOfSummaries is the past as the export room needs it.
type pastOfSummaries struct{ *past }

func (p pastOfSummaries) Find(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, export.Finder, error) {
	at, log, w, err := p.at(ctx, as, field)
	return at, log, w.facts, err
}
