package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"fairlead/services/ledger"
)

// Cut takes a private copy of a ledger back to the moment before its next
// change after seq: later changes, and what came with them, are taken out of
// the file, and the state of every name is made again from what remains. It is
// for a copy that nobody serves or follows, such as a backup being restored,
// and is refused while the folder is open elsewhere.
//
// A write is one or more changes. A cut never leaves half of one whose request
// has an id: where seq lies inside, the cut is made before it. Cut returns the
// number of the last change that is left, which may therefore be smaller.
//
// What was erased later than seq stays erased. A key that was released later
// than seq does not come back to the name that held it.
func Cut(ctx context.Context, dir string, seq int64) (int64, error) {
	what := fmt.Sprintf("cut after change %d", seq)
	if err := setUp(); err != nil {
		return 0, err
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return 0, fmt.Errorf("ledger: %s: %w", what, err)
	}
	if _, err := os.Stat(filepath.Join(dir, dataFile)); err != nil {
		return 0, fmt.Errorf("ledger: %s: %w", what, err)
	}
	held, err := lock(dir)
	if err != nil {
		return 0, err
	}
	defer held.Close()
	db, err := sql.Open(driverName, writerDSN(filepath.Join(dir, dataFile)))
	if err != nil {
		return 0, fmt.Errorf("ledger: %s: %w", what, err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if err := checkSchema(ctx, db); err != nil {
		return 0, err
	}
	at, err := cut(ctx, db, seq)
	if err == nil {
		// What was cut is not to be found in free pages either.
		_, err = db.ExecContext(ctx, "VACUUM")
	}
	if err != nil {
		return 0, fmt.Errorf("ledger: %s: %w", what, tell(err))
	}
	return at, db.Close()
}

func cut(ctx context.Context, db *sql.DB, seq int64) (int64, error) {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	var head int64
	if err := tx.QueryRowContext(ctx, "SELECT coalesce(max(seq), 0) FROM changes").Scan(&head); err != nil {
		return 0, err
	}
	switch {
	case seq < 0:
		return 0, fmt.Errorf("the number must not be negative: %w", ledger.ErrInvalid)
	case seq > head:
		return 0, fmt.Errorf("the last change is %d: %w", head, ledger.ErrAhead)
	}
	// Changes of one write are consecutive, so at most one write spans seq.
	var start int64
	err = tx.QueryRowContext(ctx, "SELECT first_seq FROM requests WHERE first_seq > 0 AND first_seq <= ? AND seq > ? LIMIT 1", seq, seq).Scan(&start)
	if err == nil {
		seq = start - 1
	} else if !errors.Is(err, sql.ErrNoRows) {
		return 0, err
	}
	for _, text := range []string{
		"DELETE FROM changes WHERE seq > ?1",
		"DELETE FROM requests WHERE seq > ?1",
		"DELETE FROM claims WHERE seq > ?1",
		"DELETE FROM seals WHERE id > ?1",
		"DELETE FROM resources WHERE ?1 >= 0",
		// Of max and a bare column SQLite takes the row that has the maximum.
		"INSERT INTO resources (name, kind, revision, seq) SELECT name, kind, max(revision), seq FROM changes WHERE seq <= ?1 GROUP BY name",
		// A claim of the first schema does not say which change it came with;
		// it came with its name.
		"DELETE FROM claims WHERE ?1 >= 0 AND seq = 0 AND name NOT IN (SELECT name FROM resources)",
	} {
		if _, err := tx.ExecContext(ctx, text, seq); err != nil {
			return 0, err
		}
	}
	return seq, tx.Commit()
}
