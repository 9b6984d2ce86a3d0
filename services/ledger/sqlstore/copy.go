package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"fairlead/services/ledger"
)

// kind is how a column is held between two engines.
type kind int

const (
	number kind = iota
	word
	octets
	// octetsOrNone may be NULL.
	octetsOrNone
)

// table is one of the tables that are a ledger.
type table struct {
	name, order string
	columns     []struct {
		name string
		kind kind
	}
}

// tables are all of them, with the columns of both backends' newest schema.
var tables = []table{
	{"changes", "seq", cols("seq:n time:n actor:w verb:w name:w kind:w revision:n request_id:w hash:o body:o salt:o seal:n")},
	{"resources", "name", cols("name:w kind:w revision:n seq:n")},
	{"requests", "actor, id", cols("actor:w id:w fingerprint:o first_seq:n seq:n answer:o sum:o")},
	{"claims", "space, key", cols("space:w key:o name:w seq:n sum:o")},
	{"seals", "id", cols("id:n name:w key:?")},
}

func cols(list string) (out []struct {
	name string
	kind kind
}) {
	for _, c := range strings.Fields(list) {
		name, k, _ := strings.Cut(c, ":")
		out = append(out, struct {
			name string
			kind kind
		}{name, map[string]kind{"n": number, "w": word, "o": octets, "?": octetsOrNone}[k]})
	}
	return out
}

// One parcel of rows is sent at a time, and bounds what is held in memory.
const (
	parcelRows  = 256
	parcelBytes = 1 << 20
)

var (
	// errNotEmpty says that a copy would mix two ledgers.
	errNotEmpty = errors.New("it holds a ledger already: choose an empty one")
	// errDiffers says that a copy is not what was copied.
	errDiffers = errors.New("the copy differs from what was copied")
)

// Copy copies a whole ledger as it is at one moment, byte for byte, to the
// engine behind a connection, whose schema is in place and empty: changes with
// their salts, hashes and sealed bodies, resources, remembered requests, claims
// and keys. It checks the copy in full before it commits: either all of it is
// there afterwards and sound, or nothing. The report is that of the check.
//
// What is written to from meanwhile is not in the copy.
func Copy(ctx context.Context, from *Store, engine Engine, to *sql.Conn) (report ledger.Report, err error) {
	engine.plain()
	tx, err := from.cfg.Readers.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: from.engine.Snapshot})
	if err != nil {
		return report, from.fail("copy", err)
	}
	defer tx.Rollback()
	c := &copier{from: tx, engine: engine, to: to}
	for _, text := range engine.Begin {
		if _, err := to.ExecContext(ctx, text); err != nil {
			return report, c.fail("begin", err)
		}
	}
	defer func() {
		if err != nil {
			// Not the caller's context, which may be over; err says more.
			_, _ = to.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
		}
	}()
	for _, t := range tables {
		if err := c.table(ctx, t); err != nil {
			return report, err
		}
	}
	head, err := scanHead(tx.QueryRowContext(ctx, from.engine.Text(sqlHead)))
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return report, from.fail("copy: read head", err)
	}
	if report, err = c.verify(ctx, head); err != nil {
		return report, err
	}
	if err := c.send(ctx, []Call{{Text: "COMMIT"}}); err != nil {
		return report, c.fail("commit", err)
	}
	return report, nil
}

type copier struct {
	from   *sql.Tx
	engine Engine
	to     *sql.Conn
}

func (c *copier) fail(what string, err error) error {
	return fmt.Errorf("ledger: copy: %s: %w", what, c.engine.Tell(err))
}

// table copies one table, in the order of its key.
func (c *copier) table(ctx context.Context, t table) error {
	var there int64
	if err := c.to.QueryRowContext(ctx, "SELECT count(*) FROM (SELECT 1 FROM "+t.name+" LIMIT 1) AS sample").Scan(&there); err != nil {
		return c.fail(t.name, err)
	}
	if there > 0 {
		return fmt.Errorf("ledger: copy: %w", errNotEmpty)
	}
	var names, marks []string
	for _, col := range t.columns {
		names, marks = append(names, col.name), append(marks, "?")
	}
	list := strings.Join(names, ", ")
	insert := c.engine.Text("INSERT INTO " + t.name + " (" + list + ") VALUES (" + strings.Join(marks, ", ") + ")")
	rows, err := c.from.QueryContext(ctx, "SELECT "+list+" FROM "+t.name+" ORDER BY "+t.order)
	if err != nil {
		return fmt.Errorf("ledger: copy: read %s: %w", t.name, err)
	}
	defer rows.Close()
	var parcel []Call
	size := 0
	for rows.Next() {
		args, n, err := t.scan(rows)
		if err != nil {
			return fmt.Errorf("ledger: copy: read %s: %w", t.name, err)
		}
		parcel, size = append(parcel, Call{insert, args}), size+n
		if len(parcel) == parcelRows || size >= parcelBytes {
			if err := c.send(ctx, parcel); err != nil {
				return c.fail(t.name, err)
			}
			parcel, size = parcel[:0], 0
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("ledger: copy: read %s: %w", t.name, err)
	}
	if err := c.send(ctx, parcel); err != nil {
		return c.fail(t.name, err)
	}
	return nil
}

// scan reads a row as arguments of its insertion, and its size.
func (t table) scan(rows *sql.Rows) (args []any, size int, err error) {
	numbers, words, bytes := make([]int64, len(t.columns)), make([]string, len(t.columns)), make([][]byte, len(t.columns))
	to := make([]any, len(t.columns))
	for i, col := range t.columns {
		to[i] = map[kind]any{number: &numbers[i], word: &words[i], octets: &bytes[i], octetsOrNone: &bytes[i]}[col.kind]
	}
	if err := rows.Scan(to...); err != nil {
		return nil, 0, err
	}
	for i, col := range t.columns {
		size += 8 + len(words[i]) + len(bytes[i])
		switch {
		case col.kind == number:
			args = append(args, numbers[i])
		case col.kind == word:
			args = append(args, words[i])
		case col.kind == octets:
			args = append(args, stored(bytes[i]))
		case bytes[i] == nil:
			args = append(args, nil)
		default:
			args = append(args, bytes[i])
		}
	}
	return args, size, nil
}

// send runs statements on the target.
func (c *copier) send(ctx context.Context, calls []Call) error {
	if len(calls) == 0 {
		return nil
	}
	if c.engine.Pipe != nil {
		_, err := c.engine.Pipe(ctx, c.to, calls)
		return err
	}
	stmt, err := c.to.PrepareContext(ctx, calls[0].Text)
	if err != nil {
		return err
	}
	defer stmt.Close()
	for _, call := range calls {
		if _, err := stmt.ExecContext(ctx, call.Args...); err != nil {
			return err
		}
	}
	return nil
}

// verify checks the copy, not yet committed, and compares its end with head.
func (c *copier) verify(ctx context.Context, head ledger.Head) (ledger.Report, error) {
	v := &verifier{tx: c.to, engine: c.engine}
	for _, step := range []func(context.Context) error{v.chain, v.resources, v.requests, v.seals} {
		if err := step(ctx); err != nil {
			return v.report, c.fail("check", err)
		}
	}
	switch {
	case len(v.report.Problems) > 0:
		return v.report, fmt.Errorf("ledger: copy: nothing was copied, because the check found problems (%d, the first: %s): run the check", len(v.report.Problems), v.report.Problems[0].What)
	case v.report.Changes != head.Seq || v.report.HeadHash != head.Hash:
		return v.report, fmt.Errorf("ledger: copy: %w", errDiffers)
	}
	return v.report, nil
}
