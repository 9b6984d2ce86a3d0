package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"

	"fairlead/services/ledger"
)

// writer owns the one connection that writes. Its methods run on one
// goroutine, the callbacks among them.
type writer struct {
	s     *Store
	queue chan *write
	// done is closed when the queue has been closed and worked off.
	done chan struct{}
	held *os.File // the data folder's lock
	db   *sql.DB
	conn *sql.Conn

	begin, commit, rollback     *sql.Stmt
	save, release, undo         *sql.Stmt
	head                        *sql.Stmt
	get, list, listOfKind       *sql.Stmt
	current, add, move, append  *sql.Stmt
	request, remember           *sql.Stmt
	claimed, claim, releaseName *sql.Stmt

	stmts stmts

	// batch is what is being worked on, running the write whose callback has
	// the floor: known here so that both survive the goroutine.
	batch   []*write
	running *write

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

func openWriter(ctx context.Context, s *Store) (_ *writer, err error) {
	w := &writer{s: s, queue: make(chan *write, s.opts.Queue), done: make(chan struct{})}
	if w.db, err = sql.Open(driverName, writerDSN(s.path)); err != nil {
		return nil, fmt.Errorf("ledger: open: %w", err)
	}
	defer func() {
		if err != nil {
			w.close()
		}
	}()
	w.db.SetMaxOpenConns(1)
	if err := migrate(ctx, w.db); err != nil {
		return nil, err
	}
	if w.conn, err = w.db.Conn(ctx); err != nil {
		return nil, fmt.Errorf("ledger: open: %w", err)
	}
	if err := checkPragmas(ctx, w.conn); err != nil {
		return nil, err
	}
	w.stmts, err = prepare(ctx, w.conn, []statement{
		{&w.begin, "BEGIN IMMEDIATE"}, {&w.commit, "COMMIT"}, {&w.rollback, "ROLLBACK"},
		{&w.save, "SAVEPOINT one"}, {&w.release, "RELEASE one"}, {&w.undo, "ROLLBACK TO one"},
		{&w.head, sqlHead},
		{&w.get, sqlGet}, {&w.list, sqlList}, {&w.listOfKind, sqlListOfKind},
		{&w.current, sqlCurrent}, {&w.add, sqlAddNew}, {&w.move, sqlMove}, {&w.append, sqlAppend},
		{&w.request, sqlRequest}, {&w.remember, sqlRemember},
		{&w.claimed, sqlClaimed}, {&w.claim, sqlClaim}, {&w.releaseName, sqlRelease},
	})
	if err != nil {
		return nil, err
	}
	return w, nil
}

func (w *writer) close() error {
	errs := []error{w.stmts.close()}
	if w.conn != nil {
		errs = append(errs, w.conn.Close())
	}
	errs = append(errs, w.db.Close())
	if w.held != nil {
		errs = append(errs, w.held.Close())
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
		_, _ = w.rollback.Exec()
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
	if head > w.s.applied.Seq() {
		w.s.applied.Advance(head)
		w.s.bell.Ring()
	}
	for _, one := range w.batch {
		close(one.done)
	}
	clear(w.batch)
	w.batch = w.batch[:0]
}

// transact runs the batch in a transaction and commits it, and returns the new
// head's number. If the transaction is lost on the way, the write that lost it
// is settled and the others run again.
func (w *writer) transact() (int64, error) {
	for try := 0; ; try++ {
		head, err := w.attempt()
		if err == nil {
			return head, nil
		}
		// Harmless if SQLite has rolled back already.
		_, _ = w.rollback.Exec()
		if !errors.Is(err, errLost) || try == retries {
			return 0, fmt.Errorf("ledger: write: %w", tell(err))
		}
		w.again()
	}
}

func (w *writer) attempt() (int64, error) {
	if _, err := w.begin.Exec(); err != nil {
		return 0, fmt.Errorf("begin: %w", err)
	}
	// The head is read anew each time: the database is the truth, and this
	// goroutine remembers nothing that a failed commit could make wrong.
	head, err := readHead(context.Background(), w.head)
	if err != nil {
		return 0, fmt.Errorf("read head: %w", err)
	}
	for _, one := range w.batch {
		if one.outcome == settled {
			continue
		}
		if err := w.one(one, &head); err != nil {
			return 0, err
		}
	}
	if _, err := w.commit.Exec(); err != nil {
		return 0, fmt.Errorf("commit: %w", err)
	}
	return head.Seq, nil
}

// one runs a single write within the open transaction and moves head. It
// returns an error only when the transaction itself is lost.
func (w *writer) one(one *write, head *ledger.Head) error {
	if one.request.ID != "" {
		known, err := w.answered(one)
		if err != nil {
			one.err, one.outcome = wrap("look up request", err), refused
			return nil
		}
		if known {
			return nil
		}
	}
	t := &txn{s: w.s, w: w, request: one.request, before: *head, head: *head}
	w.running = one
	err := one.call(t)
	w.running = nil
	if err == nil && t.broken != nil {
		// The callback swallowed a storage error; its puts may be partial.
		err = t.broken
	}
	if err == nil {
		err = t.finish()
	}
	if err != nil {
		one.receipt, one.err, one.outcome = ledger.Receipt{}, err, refused
		if lost := t.undo(); lost != nil {
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
	var fingerprint, answer []byte
	var r ledger.Receipt
	err := w.request.QueryRow(one.request.Actor, one.request.ID).Scan(&fingerprint, &r.FirstSeq, &r.Seq, &answer)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if string(fingerprint) != string(one.request.Fingerprint[:]) {
		one.err = fmt.Errorf("ledger: write: %w", ledger.ErrRequestReused)
		one.outcome = refused
		return true, nil
	}
	r.Answer, r.Replayed = answer, true
	one.receipt, one.outcome = r, replayed
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
