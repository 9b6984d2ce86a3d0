package sqlstore

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync/atomic"

	"fairlead/services/ledger"
)

// write is one caller's write on its way through the queue.
type write struct {
	ctx     context.Context
	request ledger.Request
	fn      func(context.Context, ledger.Tx) error

	// state is moved from waiting once: by the writer that takes it up, or
	// by a caller whose context ended first.
	state atomic.Int32
	// done is closed when receipt and err are final.
	done chan struct{}

	// The rest is the writer's own until done is closed.
	receipt ledger.Receipt
	err     error
	outcome outcome
}

const (
	waiting int32 = iota
	taken
	abandoned
)

// errGone is the result of a callback that ended the goroutine it ran on.
var errGone = errors.New("ledger: write callback ended its goroutine")

// insideKey marks the context that a callback is given.
type insideKey struct{}

// Write implements ledger.Ledger.
func (s *Store) Write(ctx context.Context, r ledger.Request, fn func(context.Context, ledger.Tx) error) (ledger.Receipt, error) {
	if err := ledger.CheckRequest(r); err != nil {
		return ledger.Receipt{}, err
	}
	if inside, _ := ctx.Value(insideKey{}).(*Store); inside == s {
		return ledger.Receipt{}, fmt.Errorf("ledger: write: %w: use the tx of the outer one", ledger.ErrNested)
	}
	w := &write{ctx: ctx, request: r, fn: fn, done: make(chan struct{})}
	if err := s.enqueue(w); err != nil {
		return ledger.Receipt{}, fmt.Errorf("ledger: write: %w", err)
	}
	select {
	case <-w.done:
	case <-ctx.Done():
		if w.state.CompareAndSwap(waiting, abandoned) {
			s.count.skipped.Add(1)
			return ledger.Receipt{}, fmt.Errorf("ledger: write: gave up before its turn: %w", ctx.Err())
		}
		// It is under way. What happens to it is decided by the disk now,
		// and the caller shall know it.
		<-w.done
	}
	return w.receipt, w.err
}

func (s *Store) enqueue(w *write) error {
	s.gate.RLock()
	defer s.gate.RUnlock()
	switch {
	case s.w == nil:
		return ledger.ErrReadOnly
	case s.closed:
		return ledger.ErrClosed
	}
	select {
	case s.w.queue <- w:
		return nil
	default:
		s.count.busy.Add(1)
		return ledger.ErrBusy
	}
}

// call runs the callback and turns a panic into an error.
func (w *write) call(t *txn) (err error) {
	defer func() {
		t.over = true
		if p := recover(); p != nil {
			err = &ledger.PanicError{Value: p, Stack: debug.Stack()}
		}
	}()
	return w.fn(context.WithValue(w.ctx, insideKey{}, t.s), t)
}
