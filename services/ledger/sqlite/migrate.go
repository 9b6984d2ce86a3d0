package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/pressly/goose/v3"

	"fairlead/services/ledger"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID is "FLDG" and marks our files; see migrations/0001_ledger.sql.
const applicationID = 0x464c4447

func newProvider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("ledger: read migrations: %w", err)
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return nil, fmt.Errorf("ledger: read migrations: %w", err)
	}
	return p, nil
}

// latest is the newest schema this program knows.
func latest(p *goose.Provider) int64 {
	var v int64
	for _, s := range p.ListSources() {
		v = max(v, s.Version)
	}
	return v
}

// migrate brings the schema up to date. It refuses a file that is not ours or
// comes from a newer program, before it touches anything.
func migrate(ctx context.Context, db *sql.DB) error {
	p, err := newProvider(db)
	if err != nil {
		return err
	}
	have, err := schemaVersion(ctx, db)
	if err != nil {
		return err
	}
	if err := checkVersion(have, latest(p)); err != nil {
		return err
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("ledger: migrate from schema %d to %d: %w", have, latest(p), tell(err))
	}
	return nil
}

// checkSchema is for those who only read: the schema must be exactly ours.
func checkSchema(ctx context.Context, db *sql.DB) error {
	p, err := newProvider(db)
	if err != nil {
		return err
	}
	have, err := schemaVersion(ctx, db)
	if err != nil {
		return err
	}
	if err := checkVersion(have, latest(p)); err != nil {
		return err
	}
	if have < latest(p) {
		return fmt.Errorf("ledger: %w: it has schema %d, this program reads %d: run the server or its migrate command once", ledger.ErrOlder, have, latest(p))
	}
	return nil
}

func checkVersion(have, know int64) error {
	if have > know {
		return fmt.Errorf("ledger: %w: the data has schema %d, this program knows up to %d: install the newer program again, or restore a backup made before it", ledger.ErrNewer, have, know)
	}
	return nil
}

// schemaVersion returns the schema of the file, 0 for an empty one.
func schemaVersion(ctx context.Context, db *sql.DB) (int64, error) {
	var id, tables int64
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return 0, fmt.Errorf("ledger: read the file's mark: %w", err)
	}
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name NOT GLOB 'goose_*' AND name NOT GLOB 'sqlite_*'").Scan(&tables); err != nil {
		return 0, fmt.Errorf("ledger: read schema: %w", err)
	}
	if tables == 0 && id == 0 {
		return 0, nil
	}
	if id != applicationID {
		return 0, fmt.Errorf("ledger: the file is an SQLite database of something else (mark %#x): point the data folder elsewhere", id)
	}
	var v int64
	if err := db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&v); err != nil {
		return 0, fmt.Errorf("ledger: read schema version: %w", err)
	}
	return v, nil
}

// Schema returns the schema that the ledger of a data folder, or a ledger file,
// has, and the newest that this program knows. It changes nothing.
func Schema(ctx context.Context, path string) (have, know int64, err error) {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, dataFile)
	}
	if path, err = filepath.Abs(path); err != nil {
		return 0, 0, fmt.Errorf("ledger: read schema: %w", err)
	}
	if _, err := os.Stat(path); err != nil {
		return 0, 0, fmt.Errorf("ledger: read schema: %w", err)
	}
	db, err := sql.Open(driverName, readerDSN(path))
	if err != nil {
		return 0, 0, fmt.Errorf("ledger: read schema: %w", err)
	}
	defer db.Close()
	p, err := newProvider(db)
	if err != nil {
		return 0, 0, err
	}
	have, err = schemaVersion(ctx, db)
	return have, latest(p), err
}
