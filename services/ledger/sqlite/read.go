package sqlite

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
	head, get, list, listOfKind, changes, history, getAt, claimed *sql.Stmt
}

func (s *Store) openReaders(ctx context.Context, dsn string) error {
	db, err := sql.Open(driverName, dsn)
	if err != nil {
		return fmt.Errorf("ledger: open for reading: %w", err)
	}
	s.readers = db
	db.SetMaxOpenConns(s.opts.Readers)
	// An idle reader costs a few pages; opening one costs a millisecond.
	db.SetMaxIdleConns(s.opts.Readers)
	if s.w == nil {
		// The schema of a file not opened for writing is not yet known to
		// be ours; preparing would complain about missing tables.
		if err := checkSchema(ctx, db); err != nil {
			return err
		}
	}
	r := &s.read
	s.readStmts, err = prepare(ctx, db, []statement{
		{&r.head, sqlHead}, {&r.get, sqlGet}, {&r.list, sqlList}, {&r.listOfKind, sqlListOfKind},
		{&r.changes, sqlChanges}, {&r.history, sqlHistory}, {&r.getAt, sqlGetAt}, {&r.claimed, sqlClaimed},
	})
	return err
}

// statement says where a prepared text goes.
type statement struct {
	to   **sql.Stmt
	text string
}

// stmts are to be closed before their connection: SQLite keeps a connection
// with open statements alive, and with it the write-ahead log.
type stmts []*sql.Stmt

func (l stmts) close() error {
	var errs []error
	for _, s := range l {
		errs = append(errs, s.Close())
	}
	return errors.Join(errs...)
}

func prepare(ctx context.Context, on interface {
	PrepareContext(context.Context, string) (*sql.Stmt, error)
}, list []statement) (stmts, error) {
	var done stmts
	for _, s := range list {
		stmt, err := on.PrepareContext(ctx, s.text)
		if err != nil {
			return done, fmt.Errorf("ledger: prepare statements: %w", err)
		}
		done = append(done, stmt)
		*s.to = stmt
	}
	return done, nil
}

// wrap says what was being done and turns the storage's errors into ours.
func wrap(what string, err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		err = ledger.ErrNotFound
	}
	return fmt.Errorf("ledger: %s: %w", what, tell(err))
}

// fail is wrap for reads outside a write, which Close cuts off.
func (s *Store) fail(what string, err error) error {
	if s.closing.Err() != nil {
		err = ledger.ErrClosed
	}
	return wrap(what, err)
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
	r, err := scanResource(s.read.get.QueryRowContext(ctx, name))
	if err != nil {
		return ledger.Resource{}, s.fail("get "+shown(name), err)
	}
	return r, nil
}

// List implements ledger.Ledger.
func (s *Store) List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error) {
	list, err := listResources(ctx, s.read.list, s.read.listOfKind, kind, prefix, after, limit)
	if err != nil {
		return nil, s.fail("list", err)
	}
	return list, nil
}

func listResources(ctx context.Context, all, ofKind *sql.Stmt, kind, prefix, after string, limit int) ([]ledger.Resource, error) {
	limit, err := ledger.CheckList(prefix, after, limit)
	if err != nil {
		return nil, err
	}
	from, to := listRange(prefix, after)
	stmt, args := all, []any{from, to, limit}
	if kind != "" {
		stmt, args = ofKind, []any{from, to, kind, limit}
	}
	return collect(ctx, stmt, scanResource, args...)
}

// collect runs a query and scans all its rows.
func collect[T any](ctx context.Context, stmt *sql.Stmt, scan func(scanner) (T, error), args ...any) ([]T, error) {
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
	name, err := claimedBy(ctx, s.read.claimed, space, key)
	if err != nil {
		return "", s.fail("look up claim", err)
	}
	return name, nil
}

func claimedBy(ctx context.Context, stmt *sql.Stmt, space, key string) (string, error) {
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
	list, err := collect(ctx, s.read.changes, scanChange, after, limit)
	if err != nil {
		return nil, s.fail(fmt.Sprintf("changes after %d", after), err)
	}
	return list, nil
}

// History implements ledger.Ledger.
func (s *Store) History(ctx context.Context, name string) ([]ledger.Change, error) {
	list, err := collect(ctx, s.read.history, scanChange, name)
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
	r, err := scanResource(s.read.getAt.QueryRowContext(ctx, name, seq))
	if err != nil {
		return ledger.Resource{}, s.fail(what, err)
	}
	return r, nil
}

// Head implements ledger.Ledger.
func (s *Store) Head(ctx context.Context) (ledger.Head, error) {
	h, err := readHead(ctx, s.read.head)
	if err != nil {
		return ledger.Head{}, s.fail("read head", err)
	}
	return h, nil
}

func readHead(ctx context.Context, stmt *sql.Stmt) (ledger.Head, error) {
	h, err := scanHead(stmt.QueryRowContext(ctx))
	if errors.Is(err, sql.ErrNoRows) {
		return ledger.Head{}, nil
	}
	return h, err
}

// waitPoll is how often a store that only reads looks for a new head.
const waitPoll = 50 * time.Millisecond

// Wait implements ledger.Ledger.
func (s *Store) Wait(ctx context.Context, seq int64) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(s.closing, cancel)
	defer stop()
	if err := s.wait(ctx, seq); err != nil {
		return s.fail(fmt.Sprintf("wait for %d", seq), err)
	}
	return nil
}

func (s *Store) wait(ctx context.Context, seq int64) error {
	if s.w != nil {
		return s.applied.Wait(ctx, seq)
	}
	tick := time.NewTicker(waitPoll)
	defer tick.Stop()
	for {
		head, err := readHead(ctx, s.read.head)
		if err != nil || head.Seq >= seq {
			return err
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
