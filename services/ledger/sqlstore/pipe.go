package sqlstore

import (
	"context"
	"database/sql"
	"errors"

	"fairlead/services/ledger"
)

// Over a network each statement costs a trip there and back. Statements whose
// answer decides nothing (a savepoint, an entry of the log, a remembered
// request) are therefore kept and sent together with the next one whose answer
// does, where the engine can do that. If one of them fails, it is not known
// whose it was: the batch then runs again with every statement by itself.

// later sends a statement with the next one whose answer is needed.
func (w *writer) later(p prepared, args ...any) error {
	if w.s.engine.Pipe == nil || w.careful {
		_, err := w.exec(p, args...)
		return err
	}
	w.pending = append(w.pending, Call{p.text, args})
	return nil
}

// exec sends what is pending and a statement, and returns how many rows the
// statement touched.
func (w *writer) exec(p prepared, args ...any) (int64, error) {
	if w.s.engine.Pipe == nil {
		result, err := p.Exec(args...)
		if err != nil {
			return 0, err
		}
		return result.RowsAffected()
	}
	w.pending = append(w.pending, Call{p.text, args})
	return w.send()
}

// flush sends what is pending.
func (w *writer) flush() error {
	if len(w.pending) == 0 {
		return nil
	}
	_, err := w.send()
	return err
}

func (w *writer) send() (int64, error) {
	calls := w.pending
	w.pending = w.pending[:0]
	n, err := w.s.engine.Pipe(context.Background(), w.conn, calls)
	if err != nil && !w.careful {
		w.piped = true
	}
	clear(calls)
	return n, err
}

// row asks for one row, after what is pending.
func (w *writer) row(p prepared, args ...any) scanner {
	if err := w.flush(); err != nil {
		return failedRow{err}
	}
	return p.QueryRow(args...)
}

// failedRow is a row that could not be asked for.
type failedRow struct{ err error }

// Scan implements scanner.
func (r failedRow) Scan(...any) error { return r.err }

// requestKey identifies a request; remembered is what it was answered with.
type requestKey struct{ actor, id string }

type remembered struct {
	fingerprint, answer []byte
	firstSeq, seq       int64
	// known says that there is such a request; its fingerprint may be gone.
	known bool
	// again says that an earlier write of this batch carries the same id, so
	// that only the table knows by now.
	again bool
}

// ask looks up the request ids of the whole batch in one query, where the
// engine can.
func (w *writer) ask() error {
	w.asked = nil
	if w.s.engine.Known == "" {
		return nil
	}
	asked := map[requestKey]remembered{}
	var actors, ids []string
	for _, one := range w.batch {
		if one.outcome == settled || one.request.ID == "" {
			continue
		}
		k := requestKey{one.request.Actor, one.request.ID}
		if _, twice := asked[k]; twice {
			asked[k] = remembered{again: true}
			continue
		}
		asked[k] = remembered{}
		actors, ids = append(actors, k.actor), append(ids, k.id)
	}
	if len(ids) == 0 {
		return nil
	}
	rows, err := w.known.Query(actors, ids)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var k requestKey
		var m remembered
		if err := rows.Scan(&k.actor, &k.id, &m.fingerprint, &m.firstSeq, &m.seq, &m.answer); err != nil {
			return err
		}
		if m.known = true; !asked[k].again {
			asked[k] = m
		}
	}
	w.asked = asked
	return rows.Err()
}

// recall returns what is remembered of a request.
func (w *writer) recall(r ledger.Request) (m remembered, known bool, err error) {
	if m, asked := w.asked[requestKey{r.Actor, r.ID}]; asked && !m.again {
		return m, m.known, nil
	}
	err = w.row(w.request, r.Actor, r.ID).Scan(&m.fingerprint, &m.firstSeq, &m.seq, &m.answer)
	if errors.Is(err, sql.ErrNoRows) {
		return m, false, nil
	}
	return m, err == nil, err
}
