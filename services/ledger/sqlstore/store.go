package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"

	"fairlead/services/ledger"
)

// Store is a ledger on an SQL engine.
type Store struct {
	cfg    Config
	engine Engine
	opts   Options

	read      readStmts
	readStmts stmts

	// w is nil in a store that only reads.
	w *writer

	// gate keeps Write and Close apart: closed is set under its write lock,
	// and the queue is fed under its read lock.
	gate   sync.RWMutex
	closed bool
	// closing is not a request's context: it lives as long as the store and
	// ends what waits in Wait.
	closing    context.Context
	endWaiting context.CancelFunc

	// moving makes an advance and its ring one step.
	moving  sync.Mutex
	applied ledger.Cursor
	bell    ledger.Bell
	count   counters
}

// counters are ledger.Stats in the making.
type counters struct {
	writes, commits, aborted, replayed, busy, skipped, failed, clockHeld, largest atomic.Int64
}

var _ ledger.Ledger = (*Store)(nil)

// Open makes a store of what a backend brings. The schema must be in place.
func Open(ctx context.Context, cfg Config) (*Store, error) {
	cfg.Options.SetDefaults()
	cfg.Engine.plain()
	s := &Store{cfg: cfg, engine: cfg.Engine, opts: cfg.Options}
	s.closing, s.endWaiting = context.WithCancel(context.Background())
	if err := s.open(ctx); err != nil {
		s.endWaiting()
		return nil, errors.Join(err, s.closeAll())
	}
	return s, nil
}

func (s *Store) open(ctx context.Context) error {
	if s.cfg.Connect != nil {
		w, err := openWriter(ctx, s)
		if err != nil {
			return err
		}
		s.w = w
		if err := w.rekey(ctx); err != nil {
			return err
		}
	}
	if err := s.openReaders(ctx); err != nil {
		return err
	}
	head, err := s.Head(ctx)
	if err != nil {
		return err
	}
	s.applied.Advance(head.Seq)
	if s.w != nil {
		go s.w.run()
	}
	return nil
}

// Readers returns the pool that reads, for what a backend does beyond the
// ledger's contract, such as backups.
func (s *Store) Readers() *sql.DB { return s.cfg.Readers }

// Conn returns the connection that writes, for tests that disturb it; nil in a
// store that only reads.
func (s *Store) Conn() *sql.Conn {
	if s.w == nil {
		return nil
	}
	return s.w.conn
}

// Moved says that the log has reached seq, and wakes who waits if that is news.
// A store that is told of its own commits by its engine too wakes nobody twice.
func (s *Store) Moved(seq int64) {
	s.moving.Lock()
	defer s.moving.Unlock()
	if seq > s.applied.Seq() {
		s.applied.Advance(seq)
		s.bell.Ring()
	}
}

// Known returns the newest change this store has heard of.
func (s *Store) Known() int64 { return s.applied.Seq() }

// Close finishes the writes that are waiting and closes everything. Later calls
// of Write and Wait return ErrClosed.
func (s *Store) Close() error {
	s.gate.Lock()
	if s.closed {
		s.gate.Unlock()
		return nil
	}
	s.closed = true
	s.endWaiting()
	if s.w != nil {
		close(s.w.queue)
	}
	s.gate.Unlock()
	if s.w != nil {
		<-s.w.done
	}
	return s.closeAll()
}

// closeAll closes what is open, readers first: on SQLite the last connection to
// close folds the write-ahead log into the file, and must be able to write.
func (s *Store) closeAll() error {
	// A connection that is lost is as closed as can be.
	unless := func(err error) error {
		if err != nil && s.engine.Lost(err) {
			return nil
		}
		return err
	}
	errs := []error{unless(s.readStmts.close())}
	if s.cfg.Readers != nil {
		errs = append(errs, unless(s.cfg.Readers.Close()))
	}
	if s.w != nil {
		errs = append(errs, unless(s.w.close()))
	}
	if s.cfg.Close != nil {
		errs = append(errs, s.cfg.Close())
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("ledger: close: %w", err)
	}
	return nil
}

// Watch implements ledger.Ledger.
func (s *Store) Watch() (<-chan struct{}, func()) { return s.bell.Watch() }

// Stats implements ledger.Ledger.
func (s *Store) Stats() ledger.Stats {
	st := ledger.Stats{
		Writes:       s.count.writes.Load(),
		Commits:      s.count.commits.Load(),
		Aborted:      s.count.aborted.Load(),
		Replayed:     s.count.replayed.Load(),
		Busy:         s.count.busy.Load(),
		Skipped:      s.count.skipped.Load(),
		Failed:       s.count.failed.Load(),
		ClockHeld:    s.count.clockHeld.Load(),
		LargestBatch: s.count.largest.Load(),
	}
	s.gate.RLock()
	defer s.gate.RUnlock()
	if s.w != nil && !s.closed {
		st.Waiting, st.QueueSize = int64(len(s.w.queue)), int64(cap(s.w.queue))
	}
	return st
}
