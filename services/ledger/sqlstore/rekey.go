package sqlstore

import (
	"context"
	"errors"
	"fmt"
)

// rekeyAtOnce is how many plain fingerprints are keyed in one transaction.
const rekeyAtOnce = 500

// The fingerprints that lie plainly, 32 bytes long.
const sqlPlain = `SELECT actor, id, fingerprint, first_seq, seq, answer, sum FROM requests WHERE length(fingerprint) = 32 LIMIT ?`

// rekey turns fingerprints that were stored plainly into keyed ones, before the
// store takes writes. It can be cut off anywhere and goes on at the next start. A
// row whose sum does not fit was altered and is left for the check to find.
func (w *writer) rekey(ctx context.Context) error {
	secret := w.s.opts.Secret
	if secret == nil {
		return nil
	}
	update := w.s.engine.Text(`UPDATE requests SET fingerprint = ?, sum = ? WHERE actor = ? AND id = ? AND fingerprint = ?`)
	for total := 0; ; {
		n, left, err := w.rekeySome(ctx, update)
		if total += n; err != nil {
			return fmt.Errorf("ledger: key the fingerprints of requests: %w", w.s.engine.Tell(err))
		}
		if n == 0 || !left {
			if total > 0 {
				w.erased = true // the plain ones linger in free space
				w.wipe(ctx)
				w.s.opts.Log.InfoContext(ctx, "fingerprints of requests keyed", "requests", total)
			}
			return nil
		}
	}
}

// plain is a row with a plain fingerprint.
type plain struct {
	actor, id                string
	fingerprint, answer, sum []byte
	first, seq               int64
}

func (w *writer) rekeySome(ctx context.Context, update string) (done int, left bool, err error) {
	rows, err := w.conn.QueryContext(ctx, w.s.engine.Text(sqlPlain), rekeyAtOnce)
	if err != nil {
		return 0, false, err
	}
	var list []plain
	for rows.Next() {
		var p plain
		if err := rows.Scan(&p.actor, &p.id, &p.fingerprint, &p.first, &p.seq, &p.answer, &p.sum); err != nil {
			return 0, false, errors.Join(err, rows.Close())
		}
		list = append(list, p)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil || len(list) == 0 {
		return 0, false, err
	}
	for _, text := range w.s.engine.Begin {
		if _, err := w.conn.ExecContext(ctx, text); err != nil {
			return 0, false, err
		}
	}
	for _, p := range list {
		if len(p.sum) > 0 && string(p.sum) != string(sumOf(p.actor, p.id, p.fingerprint, p.first, p.seq, p.answer)) {
			continue
		}
		mark := w.s.opts.Secret.Mark(p.actor, p.id, p.fingerprint)
		if _, err := w.conn.ExecContext(ctx, update, mark, sumOf(p.actor, p.id, mark, p.first, p.seq, p.answer), p.actor, p.id, p.fingerprint); err != nil {
			_, _ = w.conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
			return 0, false, err
		}
		done++
	}
	if _, err := w.conn.ExecContext(ctx, "COMMIT"); err != nil {
		return 0, false, err
	}
	return done, len(list) == rekeyAtOnce, nil
}
