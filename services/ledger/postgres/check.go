package postgres

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// tables are ours, in the order in which they are checked.
var tables = []string{"changes", "resources", "requests", "claims", "seals"}

// check asks PostgreSQL to check its indexes: with the extension amcheck where
// somebody has installed it in the database and we may use it, and otherwise by
// counting each table's rows without and with its indexes.
func check(ctx context.Context, tx *sql.Tx, problem func(string)) error {
	var home string
	err := tx.QueryRowContext(ctx, `SELECT n.nspname FROM pg_extension e JOIN pg_namespace n ON n.oid = e.extnamespace
		WHERE e.extname = 'amcheck'`).Scan(&home)
	switch {
	case err == nil:
		done, err := amcheck(ctx, tx, home, problem)
		if done || err != nil {
			return err
		}
	case !errors.Is(err, sql.ErrNoRows):
		return err
	}
	for _, t := range tables {
		if err := count(ctx, tx, t, problem); err != nil {
			return err
		}
	}
	return nil
}

// amcheck checks the structure of every index and that it holds every row of its
// table. It returns false if we may not ask.
func amcheck(ctx context.Context, tx *sql.Tx, home string, problem func(string)) (bool, error) {
	indexes, err := column(ctx, tx, `SELECT i.indexrelid::regclass::text FROM pg_index i
		JOIN pg_class c ON c.oid = i.indexrelid JOIN pg_am a ON a.oid = c.relam
		WHERE a.amname = 'btree' AND c.relnamespace = $1::regnamespace ORDER BY 1`, Schema)
	if err != nil {
		return false, err
	}
	for _, index := range indexes {
		err := within(ctx, tx, func() error {
			_, err := tx.ExecContext(ctx, fmt.Sprintf("SELECT %q.bt_index_check($1::regclass, true)", home), index)
			return err
		})
		switch {
		case code(err) == codeNoPrivilege:
			return false, nil
		case isDamage(err):
			problem(fmt.Sprintf("index %s: %v", index, err))
		case err != nil:
			return false, err
		}
	}
	return true, nil
}

// count compares what a walk of the table finds with what a walk of its primary
// key finds.
func count(ctx context.Context, tx *sql.Tx, table string, problem func(string)) error {
	var byTable, byIndex int64
	for _, way := range []struct {
		seq, index string
		to         *int64
	}{{"on", "off", &byTable}, {"off", "on", &byIndex}} {
		for setting, value := range map[string]string{
			"enable_seqscan": way.seq, "enable_indexscan": way.index, "enable_indexonlyscan": way.index, "enable_bitmapscan": "off",
		} {
			if _, err := tx.ExecContext(ctx, "SET LOCAL "+setting+" = "+value); err != nil {
				return err
			}
		}
		// Two texts: the driver prepares a text once, and the plan stays.
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM "+table+" -- index "+way.index).Scan(way.to); err != nil {
			return err
		}
	}
	for _, setting := range []string{"enable_seqscan", "enable_indexscan", "enable_indexonlyscan", "enable_bitmapscan"} {
		if _, err := tx.ExecContext(ctx, "SET LOCAL "+setting+" = DEFAULT"); err != nil {
			return err
		}
	}
	if byTable != byIndex {
		problem(fmt.Sprintf("table %s has %d rows, its index %d", table, byTable, byIndex))
	}
	return nil
}

// within runs f in a savepoint, so that its error does not spoil the rest.
func within(ctx context.Context, tx *sql.Tx, f func() error) error {
	if _, err := tx.ExecContext(ctx, "SAVEPOINT part"); err != nil {
		return err
	}
	err := f()
	end := "RELEASE SAVEPOINT part"
	if err != nil {
		end = "ROLLBACK TO SAVEPOINT part"
	}
	if _, lost := tx.ExecContext(ctx, end); lost != nil {
		return errors.Join(err, lost)
	}
	return err
}

// querier is a pool, a connection or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// column returns the only column of a query, as text.
func column(ctx context.Context, q querier, query string, args ...any) ([]string, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	return list, rows.Err()
}
