package postgres

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"

	"fairlead/services/ledger"
)

//go:embed migrations/*.sql
var migrations embed.FS

func newProvider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("ledger: read migrations: %w", err)
	}
	p, err := goose.NewProvider(goose.DialectPostgres, db, files, goose.WithDisableGlobalRegistry(true))
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

// migrate brings the schema up to date. It refuses tables that are not ours or
// come from a newer program, before it touches anything. Servers that start at
// once wait for each other: the lock is one of the session, taken before the
// first look, and so covers the making of the schema as well, which the lock of
// the migration library would not.
func migrate(ctx context.Context, cfg *pgx.ConnConfig) (err error) {
	db := stdlib.OpenDB(*cfg)
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return fmt.Errorf("ledger: open: %w", tell(err))
	}
	// Closing the session lets go of the lock.
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, "SELECT pg_advisory_lock($1)", MigrateKey); err != nil {
		return fmt.Errorf("ledger: wait for another server's migration: %w", tell(err))
	}
	p, err := newProvider(db)
	if err != nil {
		return err
	}
	have, err := schemaVersion(ctx, conn)
	if err != nil {
		return err
	}
	if err := checkVersion(have, latest(p)); err != nil {
		return err
	}
	if have == latest(p) {
		return nil
	}
	// Only where it is missing: somebody may have made it for us, and not given
	// us the right to make schemas.
	if there, err := column(ctx, conn, "SELECT nspname FROM pg_namespace WHERE nspname = $1", Schema); err != nil {
		return fmt.Errorf("ledger: read schema: %w", tell(err))
	} else if len(there) == 0 {
		if _, err := conn.ExecContext(ctx, "CREATE SCHEMA "+Schema); err != nil {
			return fmt.Errorf("ledger: make the schema %s: %w", Schema, tell(err))
		}
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("ledger: migrate from schema %d to %d: %w", have, latest(p), tell(err))
	}
	return nil
}

// Version returns the version of the schema of a database, 0 where it holds no
// ledger, and the newest that this program knows.
func Version(ctx context.Context, address string) (have, know int64, err error) {
	cfg, err := parse(address)
	if err != nil {
		return 0, 0, err
	}
	db := stdlib.OpenDB(*forReading(cfg))
	defer func() { err = errors.Join(err, db.Close()) }()
	p, err := newProvider(db)
	if err != nil {
		return 0, 0, err
	}
	have, err = schemaVersion(ctx, db)
	return have, latest(p), err
}

// Migrate brings the schema of a database up to date, as Open does. Servers of
// this version may be running.
func Migrate(ctx context.Context, address string) error {
	cfg, err := parse(address)
	if err != nil {
		return err
	}
	return migrate(ctx, cfg)
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
	switch {
	case have == 0:
		return errors.New("ledger: the database holds no ledger: is it the right one?")
	case have < latest(p):
		return fmt.Errorf("ledger: the data has schema %d, this program reads %d: run the server or its migrate command once", have, latest(p))
	}
	return nil
}

func checkVersion(have, know int64) error {
	if have > know {
		return fmt.Errorf("ledger: %w: the data has schema %d, this program knows up to %d: install the newer program again, or restore a backup made before it", ledger.ErrNewer, have, know)
	}
	return nil
}

// schemaVersion returns the version of our tables, 0 where there are none.
func schemaVersion(ctx context.Context, q querier) (int64, error) {
	list, err := column(ctx, q, `SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		WHERE n.nspname = $1 AND c.relkind IN ('r', 'p', 'v', 'm', 'f') ORDER BY 1`, Schema)
	if err != nil {
		return 0, fmt.Errorf("ledger: read schema: %w", tell(err))
	}
	const versions = "goose_db_version"
	others := slices.DeleteFunc(slices.Clone(list), func(name string) bool { return name == versions || slices.Contains(tables, name) })
	switch {
	case len(list) == 0:
		return 0, nil
	case len(others) > 0 || !slices.Contains(list, versions) || len(list) > 1 && !slices.Contains(list, "changes"):
		return 0, fmt.Errorf("ledger: the schema %s of the database holds something else (%s): name a database without such a schema", Schema, strings.Join(list, ", "))
	}
	v, err := column(ctx, q, "SELECT CAST(coalesce(max(version_id), 0) AS TEXT) FROM "+Schema+"."+versions+" WHERE is_applied")
	if err != nil {
		return 0, fmt.Errorf("ledger: read schema version: %w", tell(err))
	}
	var have int64
	if _, err := fmt.Sscan(v[0], &have); err != nil {
		return 0, fmt.Errorf("ledger: read schema version: %w", err)
	}
	return have, nil
}
