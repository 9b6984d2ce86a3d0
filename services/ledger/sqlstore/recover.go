package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"fairlead/services/ledger"
)

// The writer tries for Options.Patience to get a connection back before it
// answers those who wait. Once it has tried in vain, later batches wait a moment
// only, so that people are told at once while the database stays away.
const (
	recoverAgain = time.Second
	recoverPause = 100 * time.Millisecond
)

// recover makes a new connection after the one before was lost and says whether
// the last commit took place although its answer never came. An error means
// that there is no connection, and is told to everybody in the batch.
func (w *writer) recover(head ledger.Head, committing bool) (landed bool, err error) {
	patience := w.s.opts.Patience
	if w.conn == nil {
		patience = min(patience, recoverAgain)
	}
	// Not a request's context: the batch belongs to many callers. Close waits
	// for it, as it does for a commit.
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for {
		w.discard()
		if err = w.connect(ctx); err == nil {
			if !committing {
				return false, nil
			}
			if landed, err = w.landed(head); err == nil {
				return landed, nil
			}
			w.discard()
		}
		select {
		case <-time.After(recoverPause):
		case <-ctx.Done():
			// err is of the last try to connect.
			if committing {
				return false, fmt.Errorf("%w: %v", ledger.ErrUnknown, err)
			}
			return false, fmt.Errorf("%w: %w", ledger.ErrAway, err)
		}
	}
}

// landed says whether the log holds the change that head names. A batch that
// made none (claims, a request that had nothing to do) counts as not landed: to
// run it again does no more than was done. It looks inside
// a transaction of its own, which begins only when the lost one has ended: one
// that is still committing keeps other writers away.
func (w *writer) landed(head ledger.Head) (bool, error) {
	if head.Seq == w.found {
		return false, nil
	}
	for _, stmt := range w.begin {
		if _, err := stmt.Exec(); err != nil {
			return false, err
		}
	}
	var hash []byte
	err := w.hashOf.QueryRow(head.Seq).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	_, undone := w.rollback.Exec()
	return string(hash) == string(head.Hash[:]), errors.Join(err, undone)
}
