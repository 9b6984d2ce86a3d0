package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"fairlead/services/ledger"
)

// dataFile is the database's name within the data folder.
const dataFile = "ledger.db"

// Options adjust a store. The zero value is right for production.
type Options struct {
	// Clock stamps changes; nil means time.Now.
	Clock func() time.Time
	// Log hears of a clock that runs behind and of failed commits; nil is
	// silent. Bodies, keys and answers never reach it.
	Log *slog.Logger
	// Queue is how many writers may wait before ErrBusy; 0 means 1024.
	Queue int
	// Batch is how many writes share a transaction at most; 0 means 256.
	Batch int
	// Readers is how many reads run at once; 0 means four per processor.
	Readers int
}

func (o *Options) setDefaults() {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Queue <= 0 {
		o.Queue = 1024
	}
	if o.Batch <= 0 {
		o.Batch = 256
	}
	if o.Readers <= 0 {
		o.Readers = 4 * runtime.GOMAXPROCS(0)
	}
}

// Store is a ledger in one SQLite file.
type Store struct {
	opts Options
	path string

	readers   *sql.DB
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

	applied ledger.Cursor
	bell    ledger.Bell
	count   counters
}

// counters are ledger.Stats in the making.
type counters struct {
	writes, commits, aborted, replayed, busy, skipped, failed, clockHeld, largest atomic.Int64
}

var _ ledger.Ledger = (*Store)(nil)

// Open opens the ledger in a data folder for reading and writing. It creates
// the folder and an empty ledger if there is none, and brings an older schema
// up to date. It returns ErrLocked if another process has the folder open and
// ErrNewer if a newer program wrote it.
func Open(ctx context.Context, dir string, opts Options) (*Store, error) {
	opts.setDefaults()
	if err := setUp(); err != nil {
		return nil, err
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("ledger: open: %w", err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("ledger: make data folder: %w", err)
	}
	held, err := lock(dir)
	if err != nil {
		return nil, err
	}
	s := newStore(opts, filepath.Join(dir, dataFile))
	if err := s.open(ctx, held); err != nil {
		s.closeFiles()
		held.Close()
		return nil, err
	}
	return s, nil
}

func newStore(opts Options, path string) *Store {
	s := &Store{opts: opts, path: path}
	s.closing, s.endWaiting = context.WithCancel(context.Background())
	return s
}

func (s *Store) open(ctx context.Context, held *os.File) error {
	if err := createPrivate(s.path); err != nil {
		return err
	}
	w, err := openWriter(ctx, s)
	if err != nil {
		return err
	}
	s.w = w
	if err := s.openReaders(ctx, readerDSN(s.path)); err != nil {
		return err
	}
	head, err := s.Head(ctx)
	if err != nil {
		return err
	}
	s.applied.Advance(head.Seq)
	w.held = held
	go w.run()
	return nil
}

// createPrivate makes sure that the file exists and that only its owner can
// read it; SQLite gives the files it puts beside it the same rights.
func createPrivate(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("ledger: create: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("ledger: create: %w", err)
	}
	if err := syncDir(filepath.Dir(path)); err != nil {
		return fmt.Errorf("ledger: create: %w", err)
	}
	return nil
}

// OpenReadOnly opens a ledger that may be in use, or a backup, for reading and
// checking. path is a data folder or a database file. Write returns
// ErrReadOnly, and Watch does not wake: Follow polls instead.
func OpenReadOnly(ctx context.Context, path string, opts Options) (*Store, error) {
	opts.setDefaults()
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("ledger: open: %w", err)
	}
	info, err := os.Stat(path)
	if err == nil && info.IsDir() {
		path = filepath.Join(path, dataFile)
		info, err = os.Stat(path)
	}
	if err != nil {
		return nil, fmt.Errorf("ledger: open for reading: %w", err)
	}
	if info.Size() == 0 {
		return nil, fmt.Errorf("ledger: open for reading: %s is empty", path)
	}
	s := newStore(opts, path)
	err = s.openReaders(ctx, readerDSN(path))
	if isCannotOpen(err) && emptyOrAbsent(path+"-wal") {
		// A read-only medium: SQLite cannot make its side files there, and
		// with no log to apply it needs none.
		s.closeFiles()
		err = s.openReaders(ctx, frozenDSN(path))
	}
	if err != nil {
		s.closeFiles()
		return nil, err
	}
	return s, nil
}

func emptyOrAbsent(path string) bool {
	info, err := os.Stat(path)
	return errors.Is(err, os.ErrNotExist) || err == nil && info.Size() == 0
}

// Close finishes the writes that are waiting and closes the files. Later calls
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
	return s.closeFiles()
}

// closeFiles closes what is open, readers first: the last connection to close
// folds the write-ahead log into the file, and must be able to write.
func (s *Store) closeFiles() error {
	var errs []error
	if s.readers != nil {
		errs = append(errs, s.readStmts.close(), s.readers.Close())
	}
	if s.w != nil {
		errs = append(errs, s.w.close())
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
