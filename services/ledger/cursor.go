package ledger

import (
	"context"
	"sync"
)

// Cursor is how far a projection has applied the log. Whoever has just written
// waits on it for the number in the receipt and then reads their own write. A
// zero Cursor stands at 0 and is ready for use; it must not be copied.
type Cursor struct {
	mu  sync.Mutex
	seq int64
	// moved is closed and replaced at each advance; nil while nobody waits.
	moved chan struct{}
}

// Seq returns the last change applied.
func (c *Cursor) Seq() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.seq
}

// Advance says that all changes up to seq are applied. A smaller number than
// before changes nothing: at-least-once delivery repeats itself.
func (c *Cursor) Advance(seq int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if seq <= c.seq {
		return
	}
	c.seq = seq
	if c.moved != nil {
		close(c.moved)
		c.moved = nil
	}
}

// Wait returns when seq has been applied, or with ctx's error.
func (c *Cursor) Wait(ctx context.Context, seq int64) error {
	for {
		c.mu.Lock()
		if c.seq >= seq {
			c.mu.Unlock()
			return nil
		}
		if c.moved == nil {
			c.moved = make(chan struct{})
		}
		moved := c.moved
		c.mu.Unlock()
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
