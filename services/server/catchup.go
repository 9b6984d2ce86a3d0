package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
)

// catchUp brings the projections up to the head of the log, in their order,
// because later ones ask earlier ones. Those that have got there follow on until
// all have: another server on the same log writes meanwhile, and facts and
// search wait for the tree to be as far as they are.
func catchUp(ctx context.Context, projections []projection, log *slog.Logger) error {
	ctx, stop := context.WithCancelCause(ctx)
	var following sync.WaitGroup
	defer following.Wait()
	defer stop(nil)
	for _, p := range projections {
		if err := p.CatchUp(ctx); err != nil {
			if ctx.Err() != nil {
				err = errors.Join(err, context.Cause(ctx))
			}
			return fmt.Errorf("server: bring %s up to date: %w", p.name, err)
		}
		log.DebugContext(ctx, "projection is up to date", slog.String("projection", p.name), slog.Int64("seq", p.Seq()))
		following.Go(func() {
			if err := p.Run(ctx); ctx.Err() == nil {
				stop(err)
			}
		})
	}
	return nil
}
