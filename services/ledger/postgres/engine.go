package postgres

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"

	"fairlead/services/ledger/sqlstore"
)

// LockKey is the advisory lock that a writer holds during its transaction,
// MigrateKey the one that a server holds while it brings the schema up to date,
// and OpenKey the one that every server shares while it has the database open:
// "FLDG", "FLDM" and "FLDO". Advisory locks belong to a database, so two ledgers
// on one PostgreSQL server do not meet.
const (
	LockKey    int64 = 0x464c4447
	MigrateKey int64 = 0x464c444d
	OpenKey    int64 = 0x464c444f
)

// Channel is the channel of LISTEN and NOTIFY on which a commit tells the number
// of the new head.
const Channel = "fairlead_ledger"

// Schema is the schema that holds the tables.
const Schema = "fairlead"

// engine says what PostgreSQL does in its own way.
func engine() sqlstore.Engine {
	return sqlstore.Engine{
		Begin: []string{
			"BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE",
			fmt.Sprintf("SELECT pg_advisory_xact_lock(%d)", LockKey),
		},
		Snapshot: sql.LevelRepeatableRead,
		Notify:   "SELECT pg_notify('" + Channel + "', CAST(CAST(? AS BIGINT) AS TEXT))",
		Fragile:  true,
		Pipe:     pipe,
		Known: `SELECT r.actor, r.id, r.fingerprint, r.first_seq, r.seq, r.answer
			FROM unnest(CAST(? AS TEXT[]), CAST(? AS TEXT[])) AS q (actor, id)
			JOIN requests r ON r.actor = q.actor AND r.id = q.id`,
		Text:    text,
		Tell:    tell,
		Lost:    isLost,
		Again:   isAgain,
		Damaged: isDamage,
		Check:   check,
		Wipe:    wipe,
	}
}

// text turns question marks into numbered parameters and names our types as
// PostgreSQL does. No statement has a question mark within quotes.
func text(s string) string {
	var b strings.Builder
	for i, part := range strings.Split(strings.ReplaceAll(s, " AS BLOB)", " AS BYTEA)"), "?") {
		if i > 0 {
			b.WriteString("$" + strconv.Itoa(i))
		}
		b.WriteString(part)
	}
	return b.String()
}

// pipe sends calls over the connection without waiting for one before the next.
// Their statements are prepared on it.
func pipe(ctx context.Context, conn *sql.Conn, calls []sqlstore.Call) (n int64, err error) {
	err = raw(conn, func(c *pgx.Conn) error {
		batch := &pgx.Batch{}
		for _, call := range calls {
			batch.Queue(call.Text, call.Args...)
		}
		results := c.SendBatch(ctx, batch)
		for _, call := range calls {
			tag, err := results.Exec()
			if err != nil {
				_ = results.Close() // says the same again
				return err
			}
			n = tag.RowsAffected()
			if call.Text == "COMMIT" && tag.String() != "COMMIT" {
				// PostgreSQL answers so to the commit of a spoiled
				// transaction, and calls it no error.
				_ = results.Close()
				return sqlstore.ErrRolledBack
			}
		}
		return results.Close()
	})
	return n, err
}

// raw lends the driver's own connection.
func raw(conn *sql.Conn, f func(*pgx.Conn) error) error {
	return conn.Raw(func(c any) error { return f(c.(*stdlib.Conn).Conn()) })
}

// wipe frees the rows that an erasure has just overwritten; the package comment
// says what remains.
func wipe(ctx context.Context, conn *sql.Conn) error {
	_, err := conn.ExecContext(ctx, "VACUUM seals, changes")
	return err
}
