package postgres

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"fairlead/services/blob"
)

// schema holds the table. It is made when it is missing; what it holds has no
// other form so far.
const schema = `
CREATE SCHEMA IF NOT EXISTS fairlead_files;
CREATE TABLE IF NOT EXISTS fairlead_files.blob (
	sha256   text COLLATE "C" PRIMARY KEY CHECK (sha256 ~ '^[0-9a-f]{64}$'),
	size     bigint NOT NULL CHECK (size >= 0),
	object   oid NOT NULL UNIQUE,
	put_time timestamptz NOT NULL
)`

// making is the number under which servers that start together take turns at
// making the schema: "files" in ASCII.
const making = 0x66696c6573

// diskFull is the SQLSTATE of a server without room (PostgreSQL manual,
// appendix A).
const diskFull = "53100"

// Store is a store in a database. The pool is its caller's, who closes it.
type Store struct {
	pool  *pgxpool.Pool
	clock func() time.Time
}

var _ blob.Store = (*Store)(nil)

// Open returns the store in a database and makes what it needs there. clock
// dates what is put; nil is the real one.
func Open(ctx context.Context, pool *pgxpool.Pool, clock func() time.Time) (*Store, error) {
	if clock == nil {
		clock = time.Now
	}
	s := &Store{pool: pool, clock: clock}
	err := s.tx(ctx, "make the schema", func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "SELECT pg_advisory_xact_lock($1)", int64(making)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, schema)
		return err
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}

// Existing returns the store that is in a database, and makes nothing there: for
// looking at it.
func Existing(pool *pgxpool.Pool) *Store { return &Store{pool: pool, clock: time.Now} }

// tx runs fn in a transaction of its own.
func (s *Store) tx(ctx context.Context, what string, fn func(pgx.Tx) error) error {
	if err := pgx.BeginFunc(ctx, s.pool, fn); err != nil {
		return failed(what, err)
	}
	return nil
}

// Put implements blob.Store.
func (s *Store) Put(ctx context.Context, r io.Reader) (blob.Ref, error) {
	var ref blob.Ref
	err := s.tx(ctx, "put", func(tx pgx.Tx) error {
		objects := tx.LargeObjects()
		oid, err := objects.Create(ctx, 0)
		if err != nil {
			return err
		}
		o, err := objects.Open(ctx, oid, pgx.LargeObjectModeWrite)
		if err != nil {
			return err
		}
		h := sha256.New()
		ref.Size, err = io.CopyBuffer(io.MultiWriter(o, h), struct{ io.Reader }{blob.WithContext(ctx, r)}, make([]byte, 256<<10))
		if err != nil {
			return err
		}
		ref.SHA256 = hex.EncodeToString(h.Sum(nil))
		if err := o.Close(); err != nil {
			return err
		}
		return s.enter(ctx, tx, ref, oid)
	})
	if err != nil {
		return blob.Ref{}, err
	}
	return ref, nil
}

// enter names an object, in place of one that has the same bytes: that may be
// spoilt, this is not.
func (s *Store) enter(ctx context.Context, tx pgx.Tx, ref blob.Ref, oid uint32) error {
	// Somebody may remove the row between the two steps: then it is new again.
	for {
		tag, err := tx.Exec(ctx, `INSERT INTO fairlead_files.blob (sha256, size, object, put_time) VALUES ($1, $2, $3, $4) ON CONFLICT (sha256) DO NOTHING`,
			ref.SHA256, ref.Size, oid, s.clock())
		if err != nil || tag.RowsAffected() == 1 {
			return err
		}
		var old uint32
		err = tx.QueryRow(ctx, `SELECT object FROM fairlead_files.blob WHERE sha256 = $1 FOR UPDATE`, ref.SHA256).Scan(&old)
		if errors.Is(err, pgx.ErrNoRows) {
			continue
		}
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE fairlead_files.blob SET object = $2, size = $3, put_time = $4 WHERE sha256 = $1`, ref.SHA256, oid, ref.Size, s.clock()); err != nil {
			return err
		}
		objects := tx.LargeObjects()
		return objects.Unlink(ctx, old)
	}
}

// reader is an object in the transaction that reads it.
type reader struct {
	*pgx.LargeObject
	tx pgx.Tx
}

// Close ends the transaction, which gives its connection back.
func (r *reader) Close() error {
	// The caller's context may be over; the connection is needed again.
	ctx, stop := context.WithTimeout(context.Background(), 5*time.Second)
	defer stop()
	return r.tx.Rollback(ctx)
}

// Open implements blob.Store. It takes a connection until the reader is closed.
func (s *Store) Open(ctx context.Context, hash string) (_ io.ReadSeekCloser, size int64, err error) {
	if !blob.ValidHash(hash) {
		return nil, 0, blob.ErrHash
	}
	// One moment for the row and the object.
	tx, err := s.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return nil, 0, failed("open "+hash, err)
	}
	r := &reader{tx: tx}
	defer func() {
		if err != nil {
			err = failed("open "+hash, err)
			_ = r.Close() // the transaction has failed already
		}
	}()
	var oid uint32
	if err := tx.QueryRow(ctx, `SELECT object FROM fairlead_files.blob WHERE sha256 = $1`, hash).Scan(&oid); err != nil {
		return nil, 0, err
	}
	objects := tx.LargeObjects()
	if r.LargeObject, err = objects.Open(ctx, oid, pgx.LargeObjectModeRead); err != nil {
		return nil, 0, err
	}
	// How many there are, and not how many there were: that is for a check to
	// compare.
	if size, err = r.Seek(0, io.SeekEnd); err != nil {
		return nil, 0, err
	}
	if _, err = r.Seek(0, io.SeekStart); err != nil {
		return nil, 0, err
	}
	return r, size, nil
}

// Remove implements blob.Store.
func (s *Store) Remove(ctx context.Context, hash string) error {
	if !blob.ValidHash(hash) {
		return blob.ErrHash
	}
	return s.tx(ctx, "remove "+hash, func(tx pgx.Tx) error {
		var oid uint32
		err := tx.QueryRow(ctx, `DELETE FROM fairlead_files.blob WHERE sha256 = $1 RETURNING object`, hash).Scan(&oid)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		objects := tx.LargeObjects()
		return objects.Unlink(ctx, oid)
	})
}

// page is how many rows a walk reads at once.
const page = 500

// Walk implements blob.Store. No connection is held while fn runs, so that it
// may remove what it is given.
func (s *Store) Walk(ctx context.Context, fn func(blob.Entry) error) error {
	for after := ""; ; {
		rows, err := s.pool.Query(ctx, `SELECT sha256, size, put_time FROM fairlead_files.blob WHERE sha256 > $1 ORDER BY sha256 LIMIT $2`, after, page)
		if err != nil {
			return failed("list", err)
		}
		list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (e blob.Entry, err error) {
			err = row.Scan(&e.SHA256, &e.Size, &e.Time)
			return e, err
		})
		if err != nil {
			return failed("list", err)
		}
		for _, e := range list {
			if err := fn(e); err != nil {
				return err
			}
			after = e.SHA256
		}
		if len(list) < page {
			return nil
		}
	}
}

// Tidy implements blob.Store. A Put that was cut off leaves nothing: its
// transaction never was.
func (s *Store) Tidy(context.Context, time.Time) (int, error) { return 0, nil }

func failed(what string, err error) error {
	var e *pgconn.PgError
	switch {
	case errors.As(err, &e) && e.Code == diskFull:
		return fmt.Errorf("blob/postgres: %s: %w", what, blob.ErrFull)
	case errors.Is(err, pgx.ErrNoRows):
		return fmt.Errorf("blob/postgres: %s: %w", what, blob.ErrNotFound)
	case lost(err):
		return fmt.Errorf("blob/postgres: %s: %w: %w", what, blob.ErrAway, err)
	}
	return fmt.Errorf("blob/postgres: %s: %w", what, err)
}

// lost says that the connection is gone or was never there: classes 08 and 57P
// of SQLSTATE are those of connections and of servers that stop.
func lost(err error) bool {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	var e *pgconn.PgError
	if errors.As(err, &e) {
		return strings.HasPrefix(e.Code, "08") || strings.HasPrefix(e.Code, "57P")
	}
	var network net.Error
	var connecting *pgconn.ConnectError
	return errors.As(err, &network) || errors.As(err, &connecting) || pgconn.SafeToRetry(err)
}
