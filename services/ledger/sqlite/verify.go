package sqlite

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
	tx, err := s.readers.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return ledger.Report{}, s.fail("verify", err)
	}
	defer tx.Rollback()
	v := &verifier{tx: tx}
	for _, step := range []struct {
		what string
		do   func(context.Context) error
	}{
		{"file", v.file},
		{"chain", v.chain},
		{"resources", v.resources},
		{"request ids", v.requests},
	} {
		err := step.do(ctx)
		switch {
		case ctx.Err() != nil:
			return ledger.Report{}, fmt.Errorf("ledger: verify %s: %w", step.what, ctx.Err())
		case isDamage(err):
			// A broken page is a finding, not a failure of the check.
			v.problem(0, "", fmt.Sprintf("the file is damaged, so the %s could not be checked further (%v)", step.what, err))
		case err != nil:
			return ledger.Report{}, s.fail("verify "+step.what, err)
		}
	}
	return v.report, nil
}

type verifier struct {
	tx     *sql.Tx
	report ledger.Report
	// head is the last change of the chain as walked.
	head int64
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
	rows, err := v.tx.QueryContext(ctx, query, args...)
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

// file asks SQLite to check its pages and indexes.
func (v *verifier) file(ctx context.Context) error {
	return v.each(ctx, fmt.Sprintf("PRAGMA integrity_check(%d)", ledger.MaxProblems), nil, func(rows *sql.Rows) error {
		var line string
		if err := rows.Scan(&line); err != nil {
			return err
		}
		if line != "ok" {
			v.problem(0, "", "the file is damaged: "+line)
		}
		return nil
	})
}

// chain recomputes every hash in order.
func (v *verifier) chain(ctx context.Context) error {
	// The casts make every row readable, whatever somebody has put there: a
	// field of a wrong type then has a wrong value, and the hash says so.
	const all = `SELECT seq, CAST(time AS INTEGER), CAST(actor AS TEXT), CAST(verb AS TEXT), CAST(name AS TEXT),
		CAST(kind AS TEXT), CAST(revision AS INTEGER), CAST(request_id AS TEXT), CAST(hash AS BLOB), NULL,
		CAST(body AS BLOB) FROM changes ORDER BY seq`
	var prev [32]byte
	var last time.Time
	return v.each(ctx, all, nil, func(rows *sql.Rows) error {
		c, err := scanChange(rows)
		if err != nil && !errors.Is(err, errHashLength) {
			return err
		}
		v.report.Changes++
		if c.Seq != v.head+1 {
			v.problem(c.Seq, c.Name, fmt.Sprintf("the change before is %d: %d missing from the log", v.head, c.Seq-v.head-1))
		}
		c.PrevHash = prev
		if ledger.HashChange(c) != c.Hash {
			v.problem(c.Seq, c.Name, "the hash does not fit: the change, or the one before, was altered after it was written")
		}
		if c.Time.Before(last) {
			v.problem(c.Seq, c.Name, "the time is before that of the change before")
		}
		// Go on from the stored hash, so that one altered change is one
		// problem and not a problem for each after it.
		prev, last, v.head = c.Hash, c.Time, c.Seq
		v.report.HeadHash = c.Hash
		return nil
	})
}

// resources replays the log name by name beside the table of resources, both
// in the order of names.
func (v *verifier) resources(ctx context.Context) error {
	next, stop, err := v.states(ctx)
	if err != nil {
		return err
	}
	defer stop()
	var replayed int64
	var at state // the log's state of the present name
	have, err := next()
	if err != nil {
		return err
	}
	// settle compares the replayed state with the table's.
	settle := func() error {
		for have.name != "" && (at.name == "" || have.name < at.name) {
			v.report.Resources++
			v.problem(have.seq, have.name, "the resource has no change in the log")
			if have, err = next(); err != nil {
				return err
			}
		}
		switch {
		case at.name == "":
		case have.name != at.name:
			v.problem(at.seq, at.name, "the log has this resource, the table of resources does not")
		default:
			v.report.Resources++
			if have != at {
				v.problem(at.seq, at.name, fmt.Sprintf("the resource is %s revision %d of change %d, the log says %s revision %d of change %d",
					have.kind, have.revision, have.seq, at.kind, at.revision, at.seq))
			}
			have, err = next()
		}
		return err
	}
	const log = `SELECT CAST(name AS TEXT), CAST(kind AS TEXT), CAST(revision AS INTEGER), seq FROM changes ORDER BY changes.name, changes.revision`
	err = v.each(ctx, log, nil, func(rows *sql.Rows) error {
		replayed++
		c, err := scanState(rows)
		if err != nil {
			return err
		}
		if c.name != at.name {
			if at.name != "" {
				if err := settle(); err != nil {
					return err
				}
			}
			at = state{name: c.name, kind: c.kind}
		}
		if c.revision != at.revision+1 {
			v.problem(c.seq, c.name, fmt.Sprintf("revision %d follows revision %d", c.revision, at.revision))
		}
		if c.kind != at.kind || c.seq < at.seq {
			v.problem(c.seq, c.name, "kind or order does not fit the revision before")
		}
		at = c
		return nil
	})
	if err != nil {
		return err
	}
	if at.name != "" {
		if err := settle(); err != nil {
			return err
		}
	}
	at = state{}
	if err := settle(); err != nil {
		return err
	}
	if replayed != v.report.Changes {
		v.problem(0, "", fmt.Sprintf("by name the log has %d changes, by number %d", replayed, v.report.Changes))
	}
	return nil
}

// state is one row of the table of resources, or what the log makes of it.
type state struct {
	name, kind    string
	revision, seq int64
}

func scanState(s scanner) (state, error) {
	var st state
	err := s.Scan(&st.name, &st.kind, &st.revision, &st.seq)
	return st, err
}

// states returns a function that gives the table of resources row by row, and
// a zero state after the last.
func (v *verifier) states(ctx context.Context) (next func() (state, error), stop func(), err error) {
	rows, err := v.tx.QueryContext(ctx, `SELECT CAST(name AS TEXT), CAST(kind AS TEXT), CAST(revision AS INTEGER), CAST(seq AS INTEGER) FROM resources ORDER BY resources.name`)
	if err != nil {
		return nil, nil, err
	}
	next = func() (state, error) {
		if !rows.Next() {
			return state{}, rows.Err()
		}
		return scanState(rows)
	}
	return next, func() { rows.Close() }, nil
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
	const loose = `SELECT CAST(q.seq AS INTEGER) FROM requests q WHERE q.seq > ? OR q.first_seq > q.seq OR q.first_seq > 0 AND NOT EXISTS (
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
