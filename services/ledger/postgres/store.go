package postgres

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5/stdlib"

	"fairlead/services/ledger/sqlstore"
)

// Options adjust a store. The zero value is right for production.
type Options = sqlstore.Options

// Store is a ledger in one PostgreSQL database. Any number of stores, in any
// number of processes, may have the same database open.
type Store struct {
	*sqlstore.Store
}

// Open opens the ledger in a database for reading and writing. It makes an empty
// ledger if there is none, and brings an older schema up to date. It returns
// ErrNewer if a newer program wrote it, and ErrAway if the database does not
// answer. The address is a URL; its password appears in no error.
func Open(ctx context.Context, address string, opts Options) (*Store, error) {
	cfg, err := parse(address)
	if err != nil {
		return nil, err
	}
	opts.SetDefaults()
	if err := migrate(ctx, cfg); err != nil {
		return nil, err
	}
	writer := stdlib.OpenDB(*forWriting(cfg))
	// A connection that is given back is closed: one session, one writer.
	writer.SetMaxIdleConns(-1)
	news := &listener{cfg: cfg, log: opts.Log}
	inner, err := sqlstore.Open(ctx, sqlstore.Config{
		Engine: engine(), Options: opts, Readers: stdlib.OpenDB(*forReading(cfg)),
		Connect: func(ctx context.Context) (*sql.Conn, error) { return connect(ctx, writer) },
		Close:   func() error { news.close(); return writer.Close() },
	})
	if err != nil {
		return nil, fmt.Errorf("ledger: open: %w", tell(err))
	}
	news.start(inner)
	return &Store{Store: inner}, nil
}

// connect makes a connection that writes.
func connect(ctx context.Context, db *sql.DB) (*sql.Conn, error) {
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	err = checkSettings(ctx, conn)
	if err == nil {
		// It goes with the session. Nobody but Hold wants it for itself.
		_, err = conn.ExecContext(ctx, "SELECT pg_advisory_lock_shared($1)", OpenKey)
	}
	if err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return conn, nil
}

// MayLose is a setting that a PostgreSQL server for tests is started with (-c
// fairlead.may_lose_writes=on). It says that nothing in it need survive a power
// cut, so that the store does not insist on it.
const MayLose = "fairlead.may_lose_writes"

// checkSettings reads back what durability rests on.
func checkSettings(ctx context.Context, conn *sql.Conn) error {
	for _, s := range []struct{ name, bad string }{
		{"fsync", "off"}, {"full_page_writes", "off"}, {"synchronous_commit", "off"},
	} {
		var got string
		var may sql.NullString
		if err := conn.QueryRowContext(ctx, "SELECT current_setting($1), current_setting($2, true)", s.name, MayLose).Scan(&got, &may); err != nil {
			return fmt.Errorf("ledger: read setting %s: %w", s.name, err)
		}
		if got == s.bad && may.String != "on" {
			return fmt.Errorf("ledger: the database has %s=%s: refusing to run, a write might not survive a power cut", s.name, got)
		}
	}
	var replica bool
	if err := conn.QueryRowContext(ctx, "SELECT pg_is_in_recovery()").Scan(&replica); err != nil {
		return fmt.Errorf("ledger: ask whether the database is a replica: %w", err)
	}
	if replica {
		return errors.New("ledger: the database is a replica that only reads: name its primary, or all hosts with target_session_attrs=read-write")
	}
	return nil
}

// waitPoll is how often a store that only reads looks for a new head.
const waitPoll = 100 * time.Millisecond

// OpenReadOnly opens a ledger that may be in use for reading and checking. Write
// returns ErrReadOnly, and Watch does not wake: Follow polls instead.
func OpenReadOnly(ctx context.Context, address string, opts Options) (*Store, error) {
	cfg, err := parse(address)
	if err != nil {
		return nil, err
	}
	db := stdlib.OpenDB(*forReading(cfg))
	if err := checkSchema(ctx, db); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	inner, err := sqlstore.Open(ctx, sqlstore.Config{Engine: engine(), Options: opts, Readers: db, Poll: waitPoll})
	if err != nil {
		return nil, fmt.Errorf("ledger: open for reading: %w", tell(err))
	}
	return &Store{Store: inner}, nil
}
