package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5/stdlib"

	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/ledger/sqlstore"
)

// Backup writes a complete, checked copy of the ledger to a new file while
// servers go on working, and returns the head it holds. The file is in the
// format of the SQLite backend's Backup, so that one kind of backup serves both.
// The copy holds everything the ledger does: keep it as safe.
func (s *Store) Backup(ctx context.Context, dest string) (ledger.Head, error) {
	if _, err := sqlite.CopyToFile(ctx, s.Store, dest); err != nil {
		return ledger.Head{}, err
	}
	copied, err := sqlite.OpenReadOnly(ctx, dest, sqlite.Options{Readers: 1})
	if err != nil {
		return ledger.Head{}, err
	}
	defer copied.Close()
	return copied.Head(ctx)
}

// CopyInto puts a ledger of any backend into a database that holds none, and
// checks it. Either all of it is there afterwards, or nothing.
func CopyInto(ctx context.Context, from *sqlstore.Store, address string) (report ledger.Report, err error) {
	held, err := Hold(ctx, address)
	if err != nil {
		return report, err
	}
	defer held.Close()
	cfg, err := parse(address)
	if err != nil {
		return report, err
	}
	db := stdlib.OpenDB(*forWriting(cfg))
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return report, fmt.Errorf("ledger: copy: %w", tell(err))
	}
	defer conn.Close()
	if err := checkSettings(ctx, conn); err != nil {
		return report, err
	}
	// A long read on the other side may keep this one waiting.
	if _, err := conn.ExecContext(ctx, "SET idle_in_transaction_session_timeout = 0"); err != nil {
		return report, fmt.Errorf("ledger: copy: %w", tell(err))
	}
	return sqlstore.Copy(ctx, from, engine(), conn)
}

// Restore puts a backup of either backend into a database that holds no ledger
// yet. It checks the backup in full first and refuses one with problems, which
// the report lists.
func Restore(ctx context.Context, backup, address string) (ledger.Report, error) {
	from, err := sqlite.OpenReadOnly(ctx, backup, sqlite.Options{})
	if err != nil {
		return ledger.Report{}, fmt.Errorf("ledger: restore %s: %w", backup, err)
	}
	defer from.Close()
	report, err := from.Verify(ctx)
	if err != nil {
		return report, fmt.Errorf("ledger: restore %s: %w", backup, err)
	}
	if n := len(report.Problems); n > 0 {
		return report, fmt.Errorf("ledger: restore %s: the check found problems in it: %d, the first: %s", backup, n, report.Problems[0].What)
	}
	return CopyInto(ctx, from.Store, address)
}

// Hold brings the schema up to date and proves that no server has the database
// open for writing, and keeps it so until it is closed. It returns ErrLocked if
// one has.
func Hold(ctx context.Context, address string) (io.Closer, error) {
	cfg, err := parse(address)
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, cfg); err != nil {
		return nil, err
	}
	db := stdlib.OpenDB(*cfg)
	db.SetMaxOpenConns(1)
	// The session that has the lock must stay.
	db.SetMaxIdleConns(1)
	var alone bool
	if err := db.QueryRowContext(ctx, "SELECT pg_try_advisory_lock($1)", OpenKey).Scan(&alone); err != nil {
		return nil, errors.Join(fmt.Errorf("ledger: hold: %w", tell(err)), db.Close())
	}
	if !alone {
		return nil, errors.Join(fmt.Errorf("ledger: %w: stop every server that uses it first", errInUse), db.Close())
	}
	return db, nil
}

// errInUse is ErrLocked in the words of a database.
var errInUse = inUse{}

type inUse struct{}

// Error implements error.
func (inUse) Error() string { return "the database is in use by a server" }

// Is reports that this is an ErrLocked.
func (inUse) Is(target error) bool { return target == ledger.ErrLocked }
