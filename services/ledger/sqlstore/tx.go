package sqlstore

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fairlead/services/ledger"
)

// txn is one write's view of the shared transaction. Its statements run without
// the caller's context: to interrupt one would end the transaction for every
// neighbour. The context is looked at before each instead.
type txn struct {
	s       *Store
	w       *writer
	request ledger.Request

	// before is the head this write found, head the one it leaves.
	before, head ledger.Head
	// stamp is the time of all changes of this write, set by the first.
	stamp time.Time
	// saved says that the savepoint is open.
	saved  bool
	answer []byte
	// broken is the first storage error. It spoils the whole write, even if
	// the callback carries on.
	broken error
	over   bool
}

var _ ledger.Tx = (*txn)(nil)

// ready says whether the tx may be used.
func (t *txn) ready(ctx context.Context) error {
	switch {
	case t.over:
		return ledger.ErrTxDone
	case t.broken != nil:
		return t.broken
	}
	return ctx.Err()
}

// spoil wraps an error for the callback and notes it if it is the storage's.
func (t *txn) spoil(what string, err error) error {
	err = t.s.wrap(what, err)
	if !errors.Is(err, ledger.ErrNotFound) && !errors.Is(err, ledger.ErrInvalid) && t.broken == nil {
		t.broken = err
	}
	return err
}

// mark opens the savepoint before the first thing that is written, so that
// reading alone costs nothing.
func (t *txn) mark() error {
	if t.saved {
		return nil
	}
	if err := t.w.later(t.w.save); err != nil {
		return t.spoil("savepoint", err)
	}
	t.saved = true
	return nil
}

// Get implements ledger.Tx.
func (t *txn) Get(ctx context.Context, name string) (ledger.Resource, error) {
	if err := t.ready(ctx); err != nil {
		return ledger.Resource{}, err
	}
	r, err := scanResource(t.w.row(t.w.get, name))
	if err != nil {
		return ledger.Resource{}, t.spoil("get "+shown(name), err)
	}
	return r, nil
}

// List implements ledger.Tx.
func (t *txn) List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error) {
	if err := t.ready(ctx); err != nil {
		return nil, err
	}
	if err := t.w.flush(); err != nil {
		return nil, t.spoil("list", err)
	}
	list, err := listResources(context.Background(), t.w.list, t.w.listOfKind, kind, prefix, after, limit)
	if err != nil {
		return nil, t.spoil("list", err)
	}
	return list, nil
}

// Put implements ledger.Tx.
func (t *txn) Put(ctx context.Context, p ledger.Put) (ledger.Change, error) {
	if err := t.ready(ctx); err != nil {
		return ledger.Change{}, err
	}
	if err := ledger.CheckPut(p); err != nil {
		return ledger.Change{}, err
	}
	if err := t.mark(); err != nil {
		return ledger.Change{}, err
	}
	seq := t.head.Seq + 1
	revision, err := t.place(p, seq)
	if err != nil {
		return ledger.Change{}, err
	}
	c := ledger.Change{
		Seq: seq, Time: t.now(), Actor: t.request.Actor, Verb: p.Verb, Name: p.Name, Kind: p.Kind,
		Revision: revision, Body: given(p.Body), PrevHash: t.head.Hash, RequestID: t.request.ID,
		Salt: ledger.NewSalt(),
	}
	seal, body := inTheOpen, stored(c.Body)
	if p.Seal {
		if seal, body, err = t.seal(c); err != nil {
			return ledger.Change{}, err
		}
	}
	c.BodyHash = ledger.BodyHash(c.Salt, body)
	c.Hash = ledger.HashChange(c)
	if err := t.w.later(t.w.append, c.Seq, c.Time.UnixMicro(), c.Actor, c.Verb, c.Name, c.Kind, c.Revision,
		c.RequestID, c.Hash[:], c.Salt[:], seal, body); err != nil {
		return ledger.Change{}, t.spoil("put "+p.Name, err)
	}
	t.head = ledger.Head{Seq: c.Seq, Hash: c.Hash, Time: c.Time}
	return c, nil
}

// place checks the put against the resource as it is, makes change seq its
// current one, and returns the new revision.
func (t *txn) place(p ledger.Put, seq int64) (int64, error) {
	if p.IfRevision <= 0 {
		// Most writes are of something new: one statement and no look-up.
		added, err := t.w.exec(t.w.add, p.Name, p.Kind, 1, seq)
		if err != nil {
			return 0, t.spoil("put "+p.Name, err)
		}
		if added == 1 {
			return 1, nil
		}
	}
	var kind string
	var current int64
	err := t.w.row(t.w.current, p.Name).Scan(&kind, &current)
	if err != nil {
		return 0, t.spoil(fmt.Sprintf("put %s at revision %d", p.Name, p.IfRevision), err)
	}
	switch {
	case p.IfRevision == ledger.Absent:
		return 0, &ledger.ExistsError{Name: p.Name, Revision: current}
	case p.IfRevision != ledger.Any && p.IfRevision != current:
		return 0, &ledger.StaleError{Name: p.Name, Want: p.IfRevision, Current: current}
	case kind != p.Kind:
		return 0, fmt.Errorf("ledger: put %s: it is a %s and cannot become a %s: %w", p.Name, kind, p.Kind, ledger.ErrInvalid)
	}
	if err := t.w.later(t.w.move, current+1, seq, p.Name); err != nil {
		return 0, t.spoil("put "+p.Name, err)
	}
	return current + 1, nil
}

// now returns the stamp of this write: the request's time or the clock's, the
// earlier of the two, but never before the change before. See the package
// comment of ledger.
func (t *txn) now() time.Time {
	if !t.stamp.IsZero() {
		return t.stamp
	}
	now := t.s.opts.Clock()
	stamp := now
	if r := t.request.Time; !r.IsZero() && r.Before(now) {
		stamp = r
	}
	last := time.UnixMicro(0)
	if t.before.Seq > 0 {
		last = t.before.Time
	}
	stamp = stamp.Truncate(time.Microsecond).UTC()
	if stamp.Before(last) {
		stamp = last.Add(time.Microsecond).UTC()
	}
	t.w.noteClock(now, last)
	t.stamp = stamp
	return stamp
}

// noteClock counts changes stamped by a clock that stands behind the log, and
// says so once each time it falls behind.
func (w *writer) noteClock(now, last time.Time) {
	behind := now.Truncate(time.Microsecond).Before(last)
	if behind {
		w.s.count.clockHeld.Add(1)
	}
	// A microsecond or two is the step this ledger itself took a moment ago.
	if late := last.Sub(now) > time.Second; late != w.clockBehind {
		w.clockBehind = late
		if late {
			w.s.opts.Log.Warn("clock is behind the newest change; stamps are held", "behind", last.Sub(now).String())
		} else {
			w.s.opts.Log.Info("clock has caught up with the newest change")
		}
	}
}

// Claim implements ledger.Tx.
func (t *txn) Claim(ctx context.Context, space, key, name string) error {
	if err := ledger.CheckName(name); err != nil {
		return err
	}
	holder, err := t.Claimed(ctx, space, key)
	switch {
	case err == nil && holder == name:
		return nil
	case err == nil:
		return &ledger.ClaimedError{Space: space, Name: holder}
	case !errors.Is(err, ledger.ErrNotFound):
		return err
	}
	if err := t.mark(); err != nil {
		return err
	}
	seq := t.before.Seq + 1
	if err := t.w.later(t.w.claim, space, []byte(key), name, seq, sumOf(space, key, name, seq)); err != nil {
		return t.spoil("claim in "+space, err)
	}
	return nil
}

// Claimed implements ledger.Tx.
func (t *txn) Claimed(ctx context.Context, space, key string) (string, error) {
	if err := t.ready(ctx); err != nil {
		return "", err
	}
	if err := t.w.flush(); err != nil {
		return "", t.spoil("look up claim", err)
	}
	name, err := claimedBy(context.Background(), t.w.claimed, space, key)
	if err != nil {
		return "", t.spoil("look up claim", err)
	}
	return name, nil
}

// Release implements ledger.Tx.
func (t *txn) Release(ctx context.Context, space, key string) error {
	if err := t.ready(ctx); err != nil {
		return err
	}
	if err := ledger.CheckClaim(space, key); err != nil {
		return err
	}
	if err := t.mark(); err != nil {
		return err
	}
	if err := t.w.later(t.w.releaseName, space, []byte(key)); err != nil {
		return t.spoil("release in "+space, err)
	}
	return nil
}

// SetAnswer implements ledger.Tx.
func (t *txn) SetAnswer(body []byte) { t.answer = append([]byte(nil), body...) }

// finish remembers the request and closes the savepoint.
func (t *txn) finish() error {
	if len(t.answer) > ledger.MaxBody {
		return fmt.Errorf("ledger: answer has %d bytes, at most %d fit: %w", len(t.answer), ledger.MaxBody, ledger.ErrInvalid)
	}
	if t.request.ID != "" {
		if err := t.mark(); err != nil {
			return err
		}
		r, fingerprint := t.receipt(), t.s.opts.Secret.Stored(t.request)
		if err := t.w.later(t.w.remember, t.request.Actor, t.request.ID, fingerprint,
			r.FirstSeq, r.Seq, stored(r.Answer),
			sumOf(t.request.Actor, t.request.ID, fingerprint, r.FirstSeq, r.Seq, r.Answer)); err != nil {
			return t.spoil("remember request", err)
		}
	}
	return t.leave()
}

// leave closes the savepoint and keeps what was done since.
func (t *txn) leave() error {
	if !t.saved {
		return nil
	}
	if err := t.w.later(t.w.release); err != nil {
		return t.spoil("release savepoint", err)
	}
	return nil
}

// undo takes back what this write did. An error means that the savepoint is
// gone, and so the transaction.
func (t *txn) undo() error {
	if !t.saved {
		return nil
	}
	if _, err := t.w.exec(t.w.undo); err != nil {
		return err
	}
	return t.w.later(t.w.release)
}

func (t *txn) receipt() ledger.Receipt {
	r := ledger.Receipt{Seq: t.head.Seq, Answer: t.answer}
	if t.head.Seq > t.before.Seq {
		r.FirstSeq = t.before.Seq + 1
	}
	return r
}

// given is a body as it will read back: an empty one is nil.
func given(body []byte) []byte {
	if len(body) == 0 {
		return nil
	}
	return body
}

// stored is a body as the driver must be given it: nil would be NULL.
func stored(body []byte) []byte {
	if body == nil {
		return []byte{}
	}
	return body
}
