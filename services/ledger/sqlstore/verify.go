package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"fairlead/services/ledger"
)

// Verify implements ledger.Ledger. It looks at one moment of the ledger, in one
// read transaction, while writing goes on; the write-ahead log keeps growing
// meanwhile and shrinks afterwards. Nothing is held in memory but the row at
// hand.
func (s *Store) Verify(ctx context.Context) (ledger.Report, error) {
	tx, err := s.cfg.Readers.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: s.engine.Snapshot})
	if err != nil {
		return ledger.Report{}, s.fail("verify", err)
	}
	defer tx.Rollback()
	v := &verifier{tx: tx, engine: s.engine}
	file := func(ctx context.Context) error { return v.file(ctx, tx) }
	for _, step := range []struct {
		what string
		do   func(context.Context) error
	}{
		{"file", file},
		{"chain", v.chain},
		{"resources", v.resources},
		{"request ids", v.requests},
		{"seals", v.seals},
		{"sums", v.sums},
	} {
		err := step.do(ctx)
		switch {
		case ctx.Err() != nil:
			return ledger.Report{}, fmt.Errorf("ledger: verify %s: %w", step.what, ctx.Err())
		case s.engine.Damaged(err):
			// A broken page is a finding, not a failure of the check.
			v.problem(0, "", fmt.Sprintf("the file is damaged, so the %s could not be checked further (%v)", step.what, err))
		case err != nil:
			return ledger.Report{}, s.fail("verify "+step.what, err)
		}
	}
	return v.report, nil
}

type verifier struct {
	tx interface {
		QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	}
	engine Engine
	report ledger.Report
	// head is the last change of the chain as walked, oldest the last one of
	// format 1.
	head, oldest int64
}

func (v *verifier) problem(seq int64, name, what string) {
	if len(v.report.Problems) == ledger.MaxProblems {
		v.report.Truncated = true
		return
	}
	v.report.Problems = append(v.report.Problems, ledger.Problem{Seq: seq, Name: name, What: what})
}

// each calls f for every row of a query.
func (v *verifier) each(ctx context.Context, query string, args []any, f func(*sql.Rows) error) error {
	rows, err := v.tx.QueryContext(ctx, v.engine.Text(query), args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// file asks the engine to check its pages and indexes.
func (v *verifier) file(ctx context.Context, tx *sql.Tx) error {
	if v.engine.Check == nil {
		return nil
	}
	return v.engine.Check(ctx, tx, func(what string) { v.problem(0, "", "the file is damaged: "+what) })
}

// chain recomputes every hash in order.
func (v *verifier) chain(ctx context.Context) error {
	// The casts make every row readable, whatever somebody has put there: a
	// field of a wrong type then has a wrong value, and the hash says so.
	const all = `SELECT c.seq, CAST(c.time AS BIGINT), CAST(c.actor AS TEXT), CAST(c.verb AS TEXT), CAST(c.name AS TEXT),
		CAST(c.kind AS TEXT), CAST(c.revision AS BIGINT), CAST(c.request_id AS TEXT), CAST(c.hash AS BLOB), NULL,
		CAST(c.salt AS BLOB), CAST(c.seal AS BIGINT), CAST(s.key AS BLOB), CAST(c.body AS BLOB)
		FROM changes c LEFT JOIN seals s ON s.id = c.seal ORDER BY c.seq`
	var prev [32]byte
	var last time.Time
	format := 1
	return v.each(ctx, all, nil, func(rows *sql.Rows) error {
		e, err := scanEntry(rows)
		if err != nil && !errors.Is(err, errHashLength) && !errors.Is(err, errSaltLength) {
			return err
		}
		v.report.Changes++
		if e.Seq != v.head+1 {
			v.problem(e.Seq, e.Name, fmt.Sprintf("the change before is %d: %d missing from the log", v.head, e.Seq-v.head-1))
		}
		e.PrevHash = prev
		switch {
		case ledger.HashChange(e.Change) != e.Hash:
			v.problem(e.Seq, e.Name, "the hash does not fit: the change, or the one before, was altered after it was written")
		case e.Salt.Format() < format:
			v.problem(e.Seq, e.Name, "the hash is of an older format than that of the change before")
		default:
			v.body(e)
		}
		if format = max(format, e.Salt.Format()); format == 1 {
			v.oldest = e.Seq
		}
		if e.Time.Before(last) {
			v.problem(e.Seq, e.Name, "the time is before that of the change before")
		}
		// Go on from the stored hash, so that one altered change is one
		// problem and not a problem for each after it.
		prev, last, v.head = e.Hash, e.Time, e.Seq
		v.report.HeadHash = e.Hash
		return nil
	})
}

// body checks that a sealed body opens. The chain has shown that it is the one
// that was written, so what does not fit is its key.
func (v *verifier) body(e entry) {
	_, gone, err := opened(e.Name, e.seal, e.key, e.stored)
	switch {
	case err != nil:
		v.problem(e.Seq, e.Name, "the sealed body does not open: its key was altered")
	case gone:
		v.report.Erased++
	}
}

// seals checks that every key is that of a change, and every sealed body has
// an entry among the keys, if only that of a destroyed one.
func (v *verifier) seals(ctx context.Context) error {
	const stray = `SELECT CAST(s.id AS BIGINT), CAST(s.name AS TEXT) FROM seals s WHERE NOT EXISTS (
		SELECT 1 FROM changes c WHERE c.seq = s.id AND c.name = s.name AND c.seal = s.id) LIMIT ?`
	const keyless = `SELECT c.seq, CAST(c.name AS TEXT) FROM changes c WHERE c.seal <> 0 AND c.seal <> -1 AND NOT EXISTS (
		SELECT 1 FROM seals s WHERE s.id = c.seal AND s.name = c.name) LIMIT ?`
	for query, what := range map[string]string{
		stray:   "a sealing key belongs to this change, which was not sealed with it",
		keyless: "the sealing key is missing, not destroyed",
	} {
		err := v.each(ctx, query, []any{ledger.MaxProblems + 1}, func(rows *sql.Rows) error {
			var seq int64
			var name string
			if err := rows.Scan(&seq, &name); err != nil {
				return err
			}
			v.problem(seq, name, what)
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// resources replays the log name by name and compares the outcome with the
// table of resources.
func (v *verifier) resources(ctx context.Context) error {
	const log = `SELECT CAST(c.name AS TEXT), CAST(c.kind AS TEXT), CAST(c.revision AS BIGINT), c.seq,
		CAST(r.kind AS TEXT), CAST(r.revision AS BIGINT), CAST(r.seq AS BIGINT)
		FROM changes c LEFT JOIN resources r ON r.name = c.name ORDER BY c.name, c.revision`
	var replayed int64
	var at state // the log's state of the present name
	var have held
	settle := func() {
		switch {
		case at.name == "":
		case have.kind == nil:
			v.problem(at.seq, at.name, "the log has this resource, the table of resources does not")
		default:
			v.report.Resources++
			if have.revision == nil || have.seq == nil {
				v.problem(at.seq, at.name, "the resource has no revision or no change")
				return
			}
			if *have.kind != at.kind || *have.revision != at.revision || *have.seq != at.seq {
				v.problem(at.seq, at.name, fmt.Sprintf("the resource is %s revision %d of change %d, the log says %s revision %d of change %d",
					*have.kind, *have.revision, *have.seq, at.kind, at.revision, at.seq))
			}
		}
	}
	err := v.each(ctx, log, nil, func(rows *sql.Rows) error {
		replayed++
		var c state
		var now held
		if err := rows.Scan(&c.name, &c.kind, &c.revision, &c.seq, &now.kind, &now.revision, &now.seq); err != nil {
			return err
		}
		if c.name != at.name {
			settle()
			at = state{name: c.name, kind: c.kind}
		}
		if c.revision != at.revision+1 {
			v.problem(c.seq, c.name, fmt.Sprintf("revision %d follows revision %d", c.revision, at.revision))
		}
		if c.kind != at.kind || c.seq < at.seq {
			v.problem(c.seq, c.name, "kind or order does not fit the revision before")
		}
		at, have = c, now
		return nil
	})
	if err != nil {
		return err
	}
	settle()
	if replayed != v.report.Changes {
		v.problem(0, "", fmt.Sprintf("by name the log has %d changes, by number %d", replayed, v.report.Changes))
	}
	return v.baseless(ctx)
}

// state is what the log makes of one name, held what the table of resources
// holds of it, if anything.
type (
	state struct {
		name, kind    string
		revision, seq int64
	}
	held struct {
		kind          *string
		revision, seq *int64
	}
)

// baseless looks for resources that no change made.
func (v *verifier) baseless(ctx context.Context) error {
	const query = `SELECT CAST(r.seq AS BIGINT), CAST(r.name AS TEXT) FROM resources r
		WHERE NOT EXISTS (SELECT 1 FROM changes c WHERE c.name = r.name) ORDER BY r.name`
	return v.each(ctx, query, nil, func(rows *sql.Rows) error {
		var seq int64
		var name string
		if err := rows.Scan(&seq, &name); err != nil {
			return err
		}
		v.report.Resources++
		v.problem(seq, name, "the resource has no change in the log")
		return nil
	})
}

// requests checks that remembered request ids and the log agree, which also
// shows a log whose end was cut off.
func (v *verifier) requests(ctx context.Context) error {
	const forgotten = `SELECT c.seq, CAST(c.name AS TEXT) FROM changes c WHERE c.request_id <> '' AND NOT EXISTS (
		SELECT 1 FROM requests q WHERE q.actor = c.actor AND q.id = c.request_id AND c.seq BETWEEN q.first_seq AND q.seq)
		LIMIT ?`
	err := v.each(ctx, forgotten, []any{ledger.MaxProblems + 1}, func(rows *sql.Rows) error {
		var seq int64
		var name string
		if err := rows.Scan(&seq, &name); err != nil {
			return err
		}
		v.problem(seq, name, "its request id is not remembered: a replay would be done again")
		return nil
	})
	if err != nil {
		return err
	}
	const loose = `SELECT CAST(q.seq AS BIGINT) FROM requests q WHERE q.seq > ? OR q.first_seq > q.seq OR q.first_seq > 0 AND NOT EXISTS (
		SELECT 1 FROM changes c WHERE c.seq = q.seq AND c.actor = q.actor AND c.request_id = q.id)
		LIMIT ?`
	return v.each(ctx, loose, []any{v.head, ledger.MaxProblems + 1}, func(rows *sql.Rows) error {
		var seq int64
		if err := rows.Scan(&seq); err != nil {
			return err
		}
		v.problem(seq, "", "a remembered request id points to this change, which is missing or another's")
		return nil
	})
}
