package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fairlead/services/ledger/sqlstore"
)

// dataFile is the database's name within the data folder.
const dataFile = "ledger.db"

// Options adjust a store. The zero value is right for production.
type Options = sqlstore.Options

// Store is a ledger in one SQLite file.
type Store struct {
	*sqlstore.Store
	path string
}

// Open opens the ledger in a data folder for reading and writing. It creates
// the folder and an empty ledger if there is none, and brings an older schema
// up to date. It returns ErrLocked if another process has the folder open and
// ErrNewer if a newer program wrote it.
func Open(ctx context.Context, dir string, opts Options) (*Store, error) {
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
	s, err := open(ctx, filepath.Join(dir, dataFile), opts, held)
	if err != nil {
		return nil, errors.Join(err, held.Close())
	}
	return s, nil
}

// open opens the file for writing, in a folder that is held. The store lets go
// of the folder when it is closed; the caller does when there is none.
func open(ctx context.Context, path string, opts Options, held *os.File) (*Store, error) {
	if err := createPrivate(path); err != nil {
		return nil, err
	}
	db, err := sql.Open(driverName, writerDSN(path))
	if err != nil {
		return nil, fmt.Errorf("ledger: open: %w", err)
	}
	db.SetMaxOpenConns(1)
	if err := migrate(ctx, db); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	readers, err := sql.Open(driverName, readerDSN(path))
	if err != nil {
		return nil, errors.Join(fmt.Errorf("ledger: open for reading: %w", err), db.Close())
	}
	inner, err := sqlstore.Open(ctx, sqlstore.Config{
		Engine: engine(), Options: opts, Readers: readers,
		Connect: func(ctx context.Context) (*sql.Conn, error) { return connect(ctx, db) },
		Close: func() error {
			err := db.Close()
			if held != nil {
				err = errors.Join(err, held.Close())
				held = nil
			}
			return err
		},
	})
	if err != nil {
		return nil, err
	}
	return &Store{Store: inner, path: path}, nil
}

func connect(ctx context.Context, db *sql.DB) (*sql.Conn, error) {
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, fmt.Errorf("ledger: open: %w", err)
	}
	if err := checkPragmas(ctx, conn); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return conn, nil
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

// waitPoll is how often a store that only reads looks for a new head.
const waitPoll = 50 * time.Millisecond

// OpenReadOnly opens a ledger that may be in use, or a backup, for reading and
// checking. path is a data folder or a database file. Write returns
// ErrReadOnly, and Watch does not wake: Follow polls instead.
func OpenReadOnly(ctx context.Context, path string, opts Options) (*Store, error) {
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
	s, err := openForReading(ctx, path, readerDSN(path), opts)
	if isCannotOpen(err) && emptyOrAbsent(path+"-wal") {
		// A read-only medium: SQLite cannot make its side files there, and
		// with no log to apply it needs none.
		s, err = openForReading(ctx, path, frozenDSN(path), opts)
	}
	return s, err
}

func openForReading(ctx context.Context, path, dsn string, opts Options) (*Store, error) {
	db, err := sql.Open(driverName, dsn)
	if err != nil {
		return nil, fmt.Errorf("ledger: open for reading: %w", err)
	}
	// The schema of a file not opened for writing is not yet known to be ours;
	// preparing would complain about missing tables.
	if err := checkSchema(ctx, db); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	inner, err := sqlstore.Open(ctx, sqlstore.Config{Engine: engine(), Options: opts, Readers: db, Poll: waitPoll})
	if err != nil {
		return nil, err
	}
	return &Store{Store: inner, path: path}, nil
}

func emptyOrAbsent(path string) bool {
	info, err := os.Stat(path)
	return errors.Is(err, os.ErrNotExist) || err == nil && info.Size() == 0
}
