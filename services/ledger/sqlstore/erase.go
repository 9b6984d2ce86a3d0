package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"fairlead/services/ledger"
)

// seal returns the number of the key of the change's name and its body sealed
// under it. A name without a key, new or erased, gets one.
func (t *txn) seal(c ledger.Change) (id int64, body []byte, err error) {
	var key []byte
	err = t.w.row(t.w.sealed, c.Name).Scan(&id, &key)
	if errors.Is(err, sql.ErrNoRows) {
		id, key = c.Seq, ledger.NewKey()
		err = t.w.later(t.w.seal, id, c.Name, key)
	}
	if err != nil {
		return 0, nil, t.spoil("put "+c.Name, err)
	}
	if body, err = ledger.SealBody(key, c.Name, c.Body); err != nil {
		return 0, nil, t.spoil("put "+c.Name, err)
	}
	return id, body, nil
}

// Erase implements ledger.Tx.
func (t *txn) Erase(ctx context.Context, name string) error {
	if err := t.ready(ctx); err != nil {
		return err
	}
	what := "erase " + shown(name)
	var kind string
	var revision int64
	if err := t.w.row(t.w.current, name).Scan(&kind, &revision); err != nil {
		return t.spoil(what, err)
	}
	if err := t.mark(); err != nil {
		return err
	}
	if _, err := t.w.exec(t.w.destroy, name); err != nil {
		return t.spoil(what, err)
	}
	rows, err := collect(context.Background(), t.w.openOf, scanOpen, name)
	if err != nil {
		return t.spoil(what, err)
	}
	for _, row := range rows {
		h := ledger.BodyHash(row.Salt, row.stored)
		if err := t.w.later(t.w.blot, h[:], row.Salt.Forgotten(), row.Seq); err != nil {
			return t.spoil(what, err)
		}
	}
	if err := t.unmark(name); err != nil {
		return t.spoil(what, err)
	}
	t.w.erased = true
	return nil
}

// unmark takes out the fingerprints of the requests that made the name what it
// was: whoever has everything else, the secret too, could try what was erased
// until one fits. Replays are told by their ids after that.
func (t *txn) unmark(name string) error {
	asked, err := collect(context.Background(), t.w.askedOf, scanAsked, name)
	if err != nil {
		return err
	}
	for _, a := range asked {
		gone := []byte{}
		if err := t.w.later(t.w.unmark, gone, sumOf(a.actor, a.id, gone, a.first, a.seq, a.answer), a.actor, a.id); err != nil {
			return err
		}
	}
	return nil
}

func scanAsked(s scanner) (a plain, err error) {
	err = s.Scan(&a.actor, &a.id, &a.first, &a.seq, &a.answer)
	return a, err
}

// scanOpen reads what is needed to put a hash in the place of a body.
func scanOpen(s scanner) (e entry, err error) {
	var salt []byte
	err = s.Scan(&e.Seq, &salt, &e.stored)
	copy(e.Salt[:], salt)
	return e, err
}

// wipe asks the engine, after an erasure has been committed, to let go of what
// was overwritten. That it could not is worth a word in the log and no more:
// the values are unreachable, and the engine reuses their space in time.
func (w *writer) wipe(ctx context.Context) {
	if !w.erased {
		return
	}
	w.erased = false
	if w.s.engine.Wipe == nil {
		return
	}
	if err := w.s.engine.Wipe(ctx, w.conn); err != nil {
		w.s.opts.Log.Warn("erased values may linger in free space until it is used again", "error", fmt.Sprint(err))
	}
}
