package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlstore"
)

// engine says what SQLite does in its own way.
func engine() sqlstore.Engine {
	return sqlstore.Engine{
		Begin:   []string{"BEGIN IMMEDIATE"},
		Tell:    tell,
		Damaged: isDamage,
		Check:   checkFile,
		Wipe:    foldLog,
	}
}

// checkFile asks SQLite to check its pages and indexes.
func checkFile(ctx context.Context, tx *sql.Tx, problem func(string)) error {
	rows, err := tx.QueryContext(ctx, fmt.Sprintf("PRAGMA integrity_check(%d)", ledger.MaxProblems))
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return err
		}
		if line != "ok" {
			problem(line)
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	return checkTables(ctx, tx, problem)
}

const sqlSchema = `SELECT type || ' ' || name || ': ' || coalesce(sql, '') FROM sqlite_schema
	WHERE name NOT GLOB 'goose_*' AND name NOT GLOB 'sqlite_*' ORDER BY 1`

// checkTables compares how the tables are made with how this program makes
// them: a word changed there changes what a column may hold.
func checkTables(ctx context.Context, tx *sql.Tx, problem func(string)) error {
	want, err := schemaOf(ctx)
	if err != nil {
		return err
	}
	have, err := readSchema(ctx, tx)
	if err != nil {
		return err
	}
	if !slices.Equal(have, want) {
		problem("the tables are not made as this program makes them")
	}
	return nil
}

// schemaOf is the schema that the migrations make.
func schemaOf(ctx context.Context) ([]string, error) {
	db, err := sql.Open(driverName, "file::memory:")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if err := migrate(ctx, db); err != nil {
		return nil, err
	}
	return readSchema(ctx, db)
}

func readSchema(ctx context.Context, from interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
}) ([]string, error) {
	rows, err := from.QueryContext(ctx, sqlSchema)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return nil, err
		}
		out = append(out, line)
	}
	return out, rows.Err()
}

// foldLog folds the write-ahead log into the file and cuts it to nothing, so
// that no earlier page with a value that was overwritten stays behind. The
// file itself keeps none: the writer's connection has secure_delete.
func foldLog(ctx context.Context, conn *sql.Conn) error {
	var busy, inLog, folded int
	err := conn.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &inLog, &folded)
	if err == nil && busy != 0 {
		err = fmt.Errorf("a reader holds the write-ahead log; %d of %d pages folded", folded, inLog)
	}
	return err
}
