package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"runtime"
	"time"

	"fairlead/services/ledger"
)

// Engine is what an SQL engine does in its own way.
type Engine struct {
	// Begin opens a transaction that writes and, before it returns, keeps
	// every other writer away.
	Begin []string
	// Snapshot is the isolation in which a long read sees one moment.
	Snapshot sql.IsolationLevel
	// Notify, if not empty, is run with the new head's number before a
	// commit that moved it.
	Notify string
	// Fragile says that an error spoils the whole transaction until it is
	// rolled back to a savepoint: each write then opens one before anything.
	Fragile bool
	// Pipe sends calls in one go and returns how many rows the last one
	// touched. It returns ErrRolledBack if the engine answered COMMIT with a
	// rollback. nil sends each by itself.
	Pipe func(ctx context.Context, conn *sql.Conn, calls []Call) (int64, error)
	// Known, if not empty, looks up many request ids in one query: given the
	// actors and the ids, two lists of the same length, it returns actor, id,
	// fingerprint, first_seq, seq and answer of those that are remembered.
	Known string
	// Text turns a statement as it is written here (question marks, BIGINT
	// and BLOB) into the engine's own; nil leaves it.
	Text func(string) string
	// Tell adds to a storage error the kind a caller can act on.
	Tell func(error) error
	// Lost says that an error means that the connection is gone.
	Lost func(error) bool
	// Again says that the transaction failed by no fault of its own, as in a
	// deadlock, and may simply be run again.
	Again func(error) bool
	// Damaged says that an error means that the stored data is broken.
	Damaged func(error) bool
	// Check asks the engine to check its own files; nil for none.
	Check func(ctx context.Context, tx *sql.Tx, problem func(string)) error
	// Wipe removes what the engine still holds of values that an erasure has
	// just overwritten, as far as it can; nil for nothing.
	Wipe func(ctx context.Context, conn *sql.Conn) error
}

// Call is one statement with its arguments.
type Call struct {
	Text string
	Args []any
}

// ErrRolledBack says that an engine was told to commit and rolled back.
var ErrRolledBack = errors.New("the database rolled the transaction back in place of a commit")

// Options adjust a store. The zero value is right for production.
type Options struct {
	// Clock stamps changes; nil means time.Now.
	Clock func() time.Time
	// Log hears of a clock that runs behind, of lost connections and of
	// failed commits; nil is silent. Bodies, keys and answers never reach it.
	Log *slog.Logger
	// Secret keys the fingerprints of requests. Without one they are stored as
	// they come: for tests, and for tools that ask for nothing with an id.
	Secret *ledger.Secret
	// Queue is how many writers may wait before ErrBusy; 0 means 1024.
	Queue int
	// Batch is how many writes share a transaction at most; 0 means 256.
	Batch int
	// Readers is how many reads run at once; 0 means four per processor.
	Readers int
	// Patience is how long a write waits for a database that has gone away; 0
	// means five seconds: long enough for one that restarts, shorter than most
	// callers wait.
	Patience time.Duration
}

// SetDefaults replaces zero values.
func (o *Options) SetDefaults() {
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
	if o.Patience <= 0 {
		o.Patience = 5 * time.Second
	}
	if o.Readers <= 0 {
		o.Readers = 4 * runtime.GOMAXPROCS(0)
	}
}

// Config is what a backend brings. The store closes what is in it, also when
// Open fails.
type Config struct {
	Engine  Engine
	Options Options
	// Readers is the pool that reads.
	Readers *sql.DB
	// Connect makes the connection that writes, anew each time the one
	// before is lost; nil for a store that only reads.
	Connect func(ctx context.Context) (*sql.Conn, error)
	// Poll is how often Wait looks for changes that others have written; 0
	// if there are no others, or never without somebody calling Moved.
	Poll time.Duration
	// Close closes what else the backend has open; nil for nothing.
	Close func() error
}

// plain leaves nil functions of an engine harmless.
func (e *Engine) plain() {
	never := func(error) bool { return false }
	if e.Text == nil {
		e.Text = func(s string) string { return s }
	}
	if e.Tell == nil {
		e.Tell = func(err error) error { return err }
	}
	for _, f := range []*func(error) bool{&e.Lost, &e.Again, &e.Damaged} {
		if *f == nil {
			*f = never
		}
	}
}
