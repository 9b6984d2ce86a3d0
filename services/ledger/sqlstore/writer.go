package sqlstore

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"

	"fairlead/services/ledger"
)

// writer owns the one connection that writes. Its methods run on one
// goroutine, the callbacks among them.
type writer struct {
	s     *Store
	queue chan *write
	// done is closed when the queue has been closed and worked off.
	done chan struct{}
	conn *sql.Conn

	begin                       []prepared
	notify                      prepared
	commit, rollback            prepared
	save, release, undo         prepared
	head, hashOf                prepared
	get, list, listOfKind       prepared
	current, add, move, append  prepared
	sealed, seal, destroy       prepared
	openOf, blot                prepared
	askedOf, unmark             prepared
	request, known, remember    prepared
	claimed, claim, releaseName prepared

	stmts stmts

	// pending statements go to the engine together with the next one whose
	// answer is needed; see pipe.go.
	pending []Call
	// careful sends every statement by itself, so that an error belongs to
	// the write that caused it. piped says that one came up while it was not
	// so, and whose it is is not known.
	careful, piped bool
	// asked holds what is remembered of the request ids of the batch.
	asked map[requestKey]remembered

	// batch is what is being worked on, running the write whose callback has
	// the floor: known here so that both survive the goroutine.
	batch   []*write
	running *write

	// found is the number of the head that the batch found.
	found int64
	// erased says that the batch has erased something.
	erased bool
	// clockBehind says that a slow clock has been logged already.
	clockBehind bool
}

// outcome says what became of one write within a batch.
type outcome int

const (
	// pending writes have not run in the present transaction.
	pending outcome = iota
	// good writes are part of it, or were answered from memory.
	good
	replayed
	// refused writes left nothing in it.
	refused
	// settled writes are not to be run again: the transaction fell under
	// them, or they ended the goroutine.
	settled
)

// errLost says that the transaction is gone, and with it all that the batch
// had done so far. SQLite does this by itself on some storage errors.
var errLost = errors.New("transaction was lost")

// retries bounds how often a batch starts again after losing its transaction.
const retries = 3

func openWriter(ctx context.Context, s *Store) (*writer, error) {
	w := &writer{s: s, queue: make(chan *write, s.opts.Queue), done: make(chan struct{})}
	if err := w.connect(ctx); err != nil {
		return nil, errors.Join(err, w.close())
	}
	return w, nil
}

// connect makes the connection and prepares the statements on it.
func (w *writer) connect(ctx context.Context) (err error) {
	defer func() {
		if err != nil {
			_ = w.close() // err says more
		}
	}()
	if w.conn, err = w.s.cfg.Connect(ctx); err != nil {
		w.conn = nil
		return err
	}
	w.begin = make([]prepared, len(w.s.engine.Begin))
	list := []statement{
		{&w.commit, "COMMIT"}, {&w.rollback, "ROLLBACK"},
		{&w.save, "SAVEPOINT one"}, {&w.release, "RELEASE SAVEPOINT one"}, {&w.undo, "ROLLBACK TO SAVEPOINT one"},
		{&w.head, sqlHead}, {&w.hashOf, sqlHashOf},
		{&w.get, sqlGet}, {&w.list, sqlList}, {&w.listOfKind, sqlListOfKind},
		{&w.current, sqlCurrent}, {&w.add, sqlAddNew}, {&w.move, sqlMove}, {&w.append, sqlAppend},
		{&w.sealed, sqlSealed}, {&w.seal, sqlSeal}, {&w.destroy, sqlDestroy}, {&w.openOf, sqlOpenOf}, {&w.blot, sqlBlot},
		{&w.askedOf, sqlAskedOf}, {&w.unmark, sqlUnmark},
		{&w.request, sqlRequest}, {&w.remember, sqlRemember},
		{&w.claimed, sqlClaimed}, {&w.claim, sqlClaim}, {&w.releaseName, sqlRelease},
	}
	for i, text := range w.s.engine.Begin {
		list = append(list, statement{&w.begin[i], text})
	}
	for to, text := range map[*prepared]string{&w.notify: w.s.engine.Notify, &w.known: w.s.engine.Known} {
		if text != "" {
			list = append(list, statement{to, text})
		}
	}
	w.stmts, err = w.s.prepare(ctx, w.conn, list)
	return err
}

// discard closes a connection that is lost, or in a state not known, so that no
// pool keeps it.
func (w *writer) discard() {
	if w.conn != nil {
		_ = w.conn.Raw(func(any) error { return driver.ErrBadConn })
	}
	_ = w.close() // it is broken; that it cannot be closed well is no news
}

// close closes the connection and what was prepared on it.
func (w *writer) close() error {
	errs := []error{w.stmts.close()}
	w.stmts = nil
	if w.conn != nil {
		errs = append(errs, w.conn.Close())
		w.conn = nil
	}
	return errors.Join(errs...)
}

// run takes batches from the queue until it is closed and empty.
func (w *writer) run() {
	finished := false
	defer func() {
		switch {
		case finished:
			close(w.done)
		case w.running != nil:
			// A callback has ended this goroutine, as a test's FailNow does.
			// That one write is lost; the others go on without it.
			w.running.err, w.running.outcome = errGone, settled
			w.running = nil
			go w.run()
		}
	}()
	if len(w.batch) > 0 {
		if w.conn != nil {
			_, _ = w.rollback.Exec()
		}
		w.pending = nil
		w.again()
		w.do()
	}
	for first := range w.queue {
		w.gather(first)
		w.do()
	}
	finished = true
}

// gather makes a batch of what is waiting, and waits for nothing: while this
// batch syncs, the next one gathers.
func (w *writer) gather(first *write) {
	w.batch = w.batch[:0]
	for next, open := first, true; open; {
		if next.state.CompareAndSwap(waiting, taken) {
			w.batch = append(w.batch, next)
		}
		if len(w.batch) == w.s.opts.Batch {
			return
		}
		select {
		case next, open = <-w.queue:
		default:
			return
		}
	}
}

// again makes the batch run once more, but for what is settled.
func (w *writer) again() {
	for _, one := range w.batch {
		if one.outcome != settled {
			one.receipt, one.err, one.outcome = ledger.Receipt{}, nil, pending
		}
	}
}

// do runs the batch and answers everyone in it.
func (w *writer) do() {
	if len(w.batch) == 0 {
		return
	}
	head, err := w.transact()
	if err != nil {
		// Everyone, those refused as well: what they saw while they ran may
		// have been a neighbour's write that now never was.
		w.s.opts.Log.Error("ledger commit failed", "writes", len(w.batch), "error", err)
		for _, one := range w.batch {
			if one.outcome != settled {
				one.receipt, one.err, one.outcome = ledger.Receipt{}, err, settled
			}
		}
	}
	w.tally()
	w.s.Moved(head)
	for _, one := range w.batch {
		close(one.done)
	}
	clear(w.batch)
	w.batch = w.batch[:0]
}

// transact runs the batch in a transaction and commits it, and returns the new
// head's number. If the transaction is lost on the way, the batch runs again,
// but for a write that lost it by itself, which is settled.
func (w *writer) transact() (int64, error) {
	w.careful = false
	for try := 0; ; try++ {
		head, committing, err := w.attempt()
		if err == nil {
			w.wipe(context.Background())
			return head.Seq, nil
		}
		// Harmless if the engine has rolled back already.
		if w.conn != nil {
			_, _ = w.rollback.Exec()
		}
		w.erased = false
		piped := w.piped
		gone := w.conn == nil || w.s.engine.Lost(err)
		if gone {
			w.s.opts.Log.Warn("connection to the database lost; making a new one", "committing", committing)
			landed, again := w.recover(head, committing)
			switch {
			case again != nil:
				return 0, fmt.Errorf("ledger: write: %w", again)
			case landed:
				return head.Seq, nil
			}
		}
		switch {
		case gone || w.s.engine.Again(err) || errors.Is(err, errLost) || errors.Is(err, ErrRolledBack):
			if try == retries {
				return 0, fmt.Errorf("ledger: write: %w", w.s.engine.Tell(err))
			}
		case piped:
			// Some statement failed on its own account. Find out whose.
			w.careful = true
		default:
			return 0, fmt.Errorf("ledger: write: %w", w.s.engine.Tell(err))
		}
		w.again()
	}
}

// attempt runs the batch once. committing says that the error came when the
// engine had been told to commit; head is then what the commit would have made
// the head.
func (w *writer) attempt() (head ledger.Head, committing bool, err error) {
	if w.conn == nil {
		return head, false, ledger.ErrAway // since the last batch
	}
	w.pending, w.piped = nil, false
	for _, stmt := range w.begin {
		if err := w.later(stmt); err != nil {
			return head, false, fmt.Errorf("begin: %w", err)
		}
	}
	if err := w.flush(); err != nil {
		return head, false, fmt.Errorf("begin: %w", err)
	}
	if err := w.ask(); err != nil {
		return head, false, fmt.Errorf("look up requests: %w", err)
	}
	// The head is read anew each time: the database is the truth, and this
	// goroutine remembers nothing that a failed commit could make wrong.
	if head, err = readHead(context.Background(), w.head); err != nil {
		return head, false, fmt.Errorf("read head: %w", err)
	}
	w.found = head.Seq
	for _, one := range w.batch {
		if one.outcome == settled {
			continue
		}
		if err := w.one(one, &head); err != nil {
			return head, false, err
		}
	}
	if w.notify.Stmt != nil && head.Seq > w.found {
		if err := w.later(w.notify, head.Seq); err != nil {
			return head, false, fmt.Errorf("notify: %w", err)
		}
	}
	if _, err := w.exec(w.commit); err != nil {
		return head, true, fmt.Errorf("commit: %w", err)
	}
	return head, false, nil
}

// one runs a single write within the open transaction and moves head. It
// returns an error only when the transaction itself is lost.
func (w *writer) one(one *write, head *ledger.Head) error {
	t := &txn{s: w.s, w: w, request: one.request, before: *head, head: *head}
	if w.s.engine.Fragile {
		if err := t.mark(); err != nil {
			return err
		}
	}
	known, err := w.answered(one)
	switch {
	case err != nil:
		err = t.spoil("look up request", err)
	case known:
		return t.leave()
	default:
		w.running = one
		err = one.call(t)
		w.running = nil
	}
	if err == nil && t.broken != nil {
		// The callback swallowed a storage error; its puts may be partial.
		err = t.broken
	}
	if err == nil {
		err = t.finish()
	}
	if err != nil {
		if t.broken != nil && (w.piped || w.s.engine.Lost(t.broken) || w.s.engine.Again(t.broken)) {
			// No fault of this write, or not known to be: the batch runs
			// again with it.
			return t.broken
		}
		one.receipt, one.err, one.outcome = ledger.Receipt{}, err, refused
		if lost := t.undo(); lost != nil {
			if w.piped || w.s.engine.Lost(lost) || w.s.engine.Again(lost) {
				return lost
			}
			one.outcome = settled
			return fmt.Errorf("%w: %w", errLost, lost)
		}
		return nil
	}
	*head = t.head
	one.receipt, one.err, one.outcome = t.receipt(), nil, good
	return nil
}

// answered looks the request id up and, if it was used before, settles the
// write from memory.
func (w *writer) answered(one *write) (bool, error) {
	if one.request.ID == "" {
		return false, nil
	}
	m, known, err := w.recall(one.request)
	if err != nil || !known {
		return false, err
	}
	if !w.s.opts.Secret.Same(m.fingerprint, one.request) {
		one.err = fmt.Errorf("ledger: write: %w", ledger.ErrRequestReused)
		one.outcome = refused
		return true, nil
	}
	one.receipt = ledger.Receipt{FirstSeq: m.firstSeq, Seq: m.seq, Answer: given(m.answer), Replayed: true}
	one.outcome = replayed
	return true, nil
}

// tally counts a finished batch.
func (w *writer) tally() {
	c := &w.s.count
	wrote := false
	for _, one := range w.batch {
		switch one.outcome {
		case good:
			c.writes.Add(1)
			wrote = wrote || one.receipt.FirstSeq > 0
		case replayed:
			c.replayed.Add(1)
		case refused:
			c.aborted.Add(1)
		default:
			c.failed.Add(1)
		}
	}
	if wrote {
		c.commits.Add(1)
	}
	if n := int64(len(w.batch)); n > c.largest.Load() {
		c.largest.Store(n)
	}
}
