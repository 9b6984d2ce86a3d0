package main

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx", for the raw baseline

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/sqlite"
)

// rawEngine is how the baseline's statements read on an engine.
type rawEngine struct {
	// filing and importing make the plain tables.
	filing, importing string
	text              func(string) string
}

// openRaw opens the baseline on the engine that is measured.
func openRaw(file, database string) (*sql.DB, rawEngine, error) {
	if database == "" {
		db, err := sql.Open("sqlite", "file:"+file+"?_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
		return db, rawEngine{
			filing: `CREATE TABLE raw_resource(name TEXT PRIMARY KEY, body BLOB) WITHOUT ROWID;
				CREATE TABLE raw_change(seq INTEGER PRIMARY KEY, name TEXT, body BLOB, hash BLOB);
				CREATE TABLE raw_request(id TEXT PRIMARY KEY, seq INTEGER) WITHOUT ROWID;`,
			importing: `CREATE TABLE raw_row(seq INTEGER PRIMARY KEY, name TEXT UNIQUE, kind TEXT, body BLOB)`,
			text:      func(s string) string { return s },
		}, err
	}
	db, err := sql.Open("pgx", database)
	return db, rawEngine{
		filing: `CREATE TABLE raw_resource(name TEXT COLLATE "C" PRIMARY KEY, body BYTEA);
			CREATE TABLE raw_change(seq BIGSERIAL PRIMARY KEY, name TEXT, body BYTEA, hash BYTEA);
			CREATE TABLE raw_request(id TEXT PRIMARY KEY, seq BIGINT);`,
		importing: `CREATE TABLE raw_row(seq BIGSERIAL PRIMARY KEY, name TEXT COLLATE "C" UNIQUE, kind TEXT, body BYTEA)`,
		text: func(s string) string {
			var out strings.Builder
			n := 0
			for _, r := range s {
				if r == '?' {
					n++
					out.WriteString("$" + strconv.Itoa(n))
					continue
				}
				out.WriteRune(r)
			}
			return out.String()
		},
	}, err
}

// openLedger opens the ledger on the engine that is measured. A database that
// the filing was measured in goes on growing.
func openLedger(ctx context.Context, dir, database string) (ledger.Ledger, error) {
	if database == "" {
		return sqlite.Open(ctx, dir, sqlite.Options{})
	}
	return postgres.Open(ctx, database, postgres.Options{})
}

// empty takes the ledger out of a database between two parts of the run. That
// there was none before the run is made sure of at its start.
func empty(ctx context.Context, database string) error {
	if database == "" {
		return nil
	}
	db, err := sql.Open("pgx", database)
	if err != nil {
		return err
	}
	defer db.Close()
	_, err = db.ExecContext(ctx, "DROP SCHEMA IF EXISTS fairlead CASCADE; DROP SCHEMA IF EXISTS fairlead_files CASCADE; DROP TABLE IF EXISTS raw_resource, raw_change, raw_request, raw_row")
	return err
}

// mustBeEmpty refuses a database that holds anything: the run takes it out.
func mustBeEmpty(ctx context.Context, database string) error {
	if database == "" {
		return nil
	}
	db, err := sql.Open("pgx", database)
	if err != nil {
		return err
	}
	defer db.Close()
	var n int
	err = db.QueryRowContext(ctx, "SELECT count(*) FROM pg_tables WHERE schemaname NOT IN ('pg_catalog', 'information_schema')").Scan(&n)
	if err == nil && n > 0 {
		err = fmt.Errorf("the database holds %d tables; give an empty one, because the run takes out what is there", n)
	}
	return err
}

// memory says how much this process holds, with all projections of the run.
func memory() row {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	out := row{what: "memory at the end of the run", ours: fmt.Sprintf("%d MB of heap in use", m.HeapInuse>>20), target: "heap < 1 GiB"}
	if status, err := os.ReadFile("/proc/self/status"); err == nil {
		for line := range bytes.Lines(status) {
			if rest, ok := bytes.CutPrefix(line, []byte("VmHWM:")); ok {
				out.baseline = "most ever resident " + strings.Join(strings.Fields(string(rest)), " ")
			}
		}
	}
	return out
}
