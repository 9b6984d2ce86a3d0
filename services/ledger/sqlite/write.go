package sqlite

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
	// turn brings the caller its turn (with a tx) or its result. It holds one
	// so that the writer never waits for a caller that is gone.
	turn chan turn
	// back brings the writer what the callback said.
	back chan error

	// The rest is the writer's own.
	receipt ledger.Receipt
	err     error
	outcome outcome
}

const (
	waiting int32 = iota
	taken
	abandoned
)

// turn is what the writer tells the caller: run the callback on tx, or, when
// tx is nil, the result.
type turn struct {
	tx      *txn
	receipt ledger.Receipt
	err     error
}

// errGone is the result of a callback that ended its goroutine.
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
	w := &write{ctx: ctx, request: r, fn: fn, turn: make(chan turn, 1), back: make(chan error, 1)}
	if err := s.enqueue(w); err != nil {
		return ledger.Receipt{}, fmt.Errorf("ledger: write: %w", err)
	}
	done := ctx.Done()
	for {
		select {
		case t := <-w.turn:
			if t.tx == nil {
				return t.receipt, t.err
			}
			w.run(t.tx)
		case <-done:
			if w.state.CompareAndSwap(waiting, abandoned) {
				s.count.skipped.Add(1)
				return ledger.Receipt{}, fmt.Errorf("ledger: write: gave up before its turn: %w", ctx.Err())
			}
			// It is under way. What happens to it is decided by the
			// disk now, and the caller shall know it.
			done = nil
		}
	}
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

// run gives the callback its turn and hands the word back to the writer,
// whatever the callback does: return, panic, or end the goroutine.
func (w *write) run(t *txn) {
	err := errGone
	defer func() {
		if p := recover(); p != nil {
			err = &ledger.PanicError{Value: p, Stack: debug.Stack()}
		}
		w.back <- err
	}()
	err = w.fn(context.WithValue(w.ctx, insideKey{}, t.s), t)
}
