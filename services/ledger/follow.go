package ledger

import (
	"context"
	"fmt"
	"time"
)

// Source is the part of a Ledger that following needs.
type Source interface {
	Changes(ctx context.Context, after int64, limit int) ([]Change, error)
	Watch() (<-chan struct{}, func())
}

// PollEvery is how long Follow sleeps at most before it looks again, in case a
// wake was lost (another process wrote, a connection dropped).
const PollEvery = 2 * time.Second

// Follow hands the log to a projection: every change with Seq > from, in
// order, in batches of at most batch, and then each new change as it commits.
//
// Delivery is at least once: a projection stores the last Seq it applied
// together with what it covers, starts from there after a crash, and takes a
// change it has seen before without harm. Follow never calls apply with an
// empty batch, nor concurrently.
//
// Follow returns ctx's error when ctx ends, and otherwise the first error of
// reading or of apply, wrapped with the number it happened at; whoever runs it
// logs that and starts it again from the projection's own cursor.
func Follow(ctx context.Context, l Source, from int64, batch int, apply func(context.Context, []Change) error) error {
	if batch <= 0 {
		return invalid("follow: batch must be positive, not %d", batch)
	}
	// Watch before the first read: a commit in between then leaves a wake.
	wake, stop := l.Watch()
	defer stop()
	poll := time.NewTicker(PollEvery)
	defer poll.Stop()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		changes, err := l.Changes(ctx, from, batch)
		if err != nil {
			return fmt.Errorf("ledger: follow after %d: %w", from, err)
		}
		if len(changes) > 0 {
			if got := changes[0].Seq; got != from+1 {
				return fmt.Errorf("ledger: follow after %d: the next change is %d, so the log has a gap: run the check", from, got)
			}
			if err := apply(ctx, changes); err != nil {
				return fmt.Errorf("ledger: apply changes %d to %d: %w", from+1, changes[len(changes)-1].Seq, err)
			}
			from = changes[len(changes)-1].Seq
			continue
		}
		select {
		case <-wake:
		case <-poll.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
