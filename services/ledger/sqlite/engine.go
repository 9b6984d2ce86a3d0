package sqlite

import (
	"context"
	"database/sql"
	"fmt"

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
	return rows.Err()
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
