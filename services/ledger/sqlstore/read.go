package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"fairlead/services/ledger"
)

// readStmts are prepared on the pool of readers.
type readStmts struct {
	head, get, list, listOfKind, changes, history, getAt, claimed prepared
}

func (s *Store) openReaders(ctx context.Context) error {
	// An idle reader costs a few pages; opening one costs a millisecond.
	s.cfg.Readers.SetMaxOpenConns(s.opts.Readers)
	s.cfg.Readers.SetMaxIdleConns(s.opts.Readers)
	r := &s.read
	var err error
	s.readStmts, err = s.prepare(ctx, s.cfg.Readers, []statement{
		{&r.head, sqlHead}, {&r.get, sqlGet}, {&r.list, sqlList}, {&r.listOfKind, sqlListOfKind},
		{&r.changes, sqlChanges}, {&r.history, sqlHistory}, {&r.getAt, sqlGetAt}, {&r.claimed, sqlClaimed},
	})
	return err
}

// wrap says what was being done and turns the storage's errors into ours.
func (s *Store) wrap(what string, err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		err = ledger.ErrNotFound
	}
	return fmt.Errorf("ledger: %s: %w", what, s.engine.Tell(err))
}

// fail is wrap for reads outside a write, which Close cuts off.
func (s *Store) fail(what string, err error) error {
	if s.closing.Err() != nil {
		err = ledger.ErrClosed
	}
	return s.wrap(what, err)
}

// repeat runs a read again if the connection it ran on turns out to be lost: a
// pool keeps connections that died while nobody used them.
func repeat[T any](ctx context.Context, s *Store, read func() (T, error)) (T, error) {
	for try := 0; ; try++ {
		v, err := read()
		if err == nil || try == retries || ctx.Err() != nil || !s.engine.Lost(err) {
			return v, err
		}
	}
}

// shown returns a name for an error text. What cannot be a name is left out:
// it may be anything somebody typed.
func shown(name string) string {
	if ledger.CheckName(name) != nil {
		return "(not a name)"
	}
	return name
}

// Get implements ledger.Ledger.
func (s *Store) Get(ctx context.Context, name string) (ledger.Resource, error) {
	r, err := repeat(ctx, s, func() (ledger.Resource, error) { return scanResource(s.read.get.QueryRowContext(ctx, name)) })
	if err != nil {
		return ledger.Resource{}, s.fail("get "+shown(name), err)
	}
	return r, nil
}

// List implements ledger.Ledger.
func (s *Store) List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error) {
	list, err := repeat(ctx, s, func() ([]ledger.Resource, error) {
		return listResources(ctx, s.read.list, s.read.listOfKind, kind, prefix, after, limit)
	})
	if err != nil {
		return nil, s.fail("list", err)
	}
	return list, nil
}

func listResources(ctx context.Context, all, ofKind prepared, kind, prefix, after string, limit int) ([]ledger.Resource, error) {
	limit, err := ledger.CheckList(prefix, after, limit)
	if err != nil {
		return nil, err
	}
	from, to := listRange(prefix, after)
	stmt, args := all, []any{from, to, limit}
	if kind != "" {
		stmt, args = ofKind, []any{from, to, kind, limit}
	}
	list, err := collect(ctx, stmt, scanResource, args...)
	if err != nil {
		return nil, err
	}
	last := after
	for _, r := range list {
		if r.Name <= last {
			return nil, fmt.Errorf("%w: run the check", errOrder) // see Changes
		}
		last = r.Name
	}
	return list, nil
}

// collect runs a query and scans all its rows.
func collect[T any](ctx context.Context, stmt prepared, scan func(scanner) (T, error), args ...any) ([]T, error) {
	rows, err := stmt.QueryContext(ctx, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, rows.Err()
}

// Claimed implements ledger.Ledger.
func (s *Store) Claimed(ctx context.Context, space, key string) (string, error) {
	name, err := repeat(ctx, s, func() (string, error) { return claimedBy(ctx, s.read.claimed, space, key) })
	if err != nil {
		return "", s.fail("look up claim", err)
	}
	return name, nil
}

func claimedBy(ctx context.Context, stmt prepared, space, key string) (string, error) {
	if err := ledger.CheckClaim(space, key); err != nil {
		return "", err
	}
	var name string
	err := stmt.QueryRowContext(ctx, space, []byte(key)).Scan(&name)
	return name, err
}

// Changes implements ledger.Ledger.
func (s *Store) Changes(ctx context.Context, after int64, limit int) ([]ledger.Change, error) {
	limit, err := ledger.CheckList("", "", limit)
	if err != nil {
		return nil, err
	}
	list, err := repeat(ctx, s, func() ([]ledger.Change, error) {
		return collect(ctx, s.read.changes, scanChange, after, limit)
	})
	if err != nil {
		return nil, s.fail(fmt.Sprintf("changes after %d", after), err)
	}
	// In a damaged file an index may lead anywhere. Who pages by the last number
	// must get on, or would read the same for ever.
	last := after
	for _, c := range list {
		if c.Seq <= last {
			return nil, fmt.Errorf("ledger: changes after %d: %w: %d comes after %d: run the check", after, errOrder, c.Seq, last)
		}
		last = c.Seq
	}
	return list, nil
}

// errOrder says that a damaged file was read out of its order.
var errOrder = errors.New("the file is out of order")

// History implements ledger.Ledger.
func (s *Store) History(ctx context.Context, name string) ([]ledger.Change, error) {
	list, err := repeat(ctx, s, func() ([]ledger.Change, error) { return collect(ctx, s.read.history, scanChange, name) })
	if err == nil && len(list) == 0 {
		err = ledger.ErrNotFound
	}
	if err != nil {
		return nil, s.fail("history of "+shown(name), err)
	}
	return list, nil
}

// GetAt implements ledger.Ledger.
func (s *Store) GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error) {
	what := fmt.Sprintf("get %s as at %d", shown(name), seq)
	head, err := s.Head(ctx)
	if err != nil {
		return ledger.Resource{}, err
	}
	if seq > head.Seq {
		return ledger.Resource{}, fmt.Errorf("ledger: %s: %w: it is at %d", what, ledger.ErrAhead, head.Seq)
	}
	r, err := repeat(ctx, s, func() (ledger.Resource, error) {
		return scanResource(s.read.getAt.QueryRowContext(ctx, name, seq))
	})
	if err != nil {
		return ledger.Resource{}, s.fail(what, err)
	}
	return r, nil
}

// Head implements ledger.Ledger.
func (s *Store) Head(ctx context.Context) (ledger.Head, error) {
	h, err := repeat(ctx, s, func() (ledger.Head, error) { return readHead(ctx, s.read.head) })
	if err != nil {
		return ledger.Head{}, s.fail("read head", err)
	}
	return h, nil
}

func readHead(ctx context.Context, stmt prepared) (ledger.Head, error) {
	h, err := scanHead(stmt.QueryRowContext(ctx))
	if errors.Is(err, sql.ErrNoRows) {
		return ledger.Head{}, nil
	}
	return h, err
}

// Wait implements ledger.Ledger.
func (s *Store) Wait(ctx context.Context, seq int64) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(s.closing, cancel)
	defer stop()
	if s.cfg.Poll > 0 {
		go s.look(ctx, seq)
	}
	if err := s.applied.Wait(ctx, seq); err != nil {
		return s.fail(fmt.Sprintf("wait for %d", seq), err)
	}
	return nil
}

// look looks for changes that others have written until seq is there or ctx
// ends: a wake may be lost, and a store that only reads is given none.
func (s *Store) look(ctx context.Context, seq int64) {
	tick := time.NewTicker(s.cfg.Poll)
	defer tick.Stop()
	for s.applied.Seq() < seq {
		// A failure here is a failure of looking only: Wait goes on until
		// its context ends, and the next look may find the engine back.
		if head, err := readHead(ctx, s.read.head); err == nil && head.Seq > s.applied.Seq() {
			s.Moved(head.Seq)
			continue
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}
