package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"fairlead/services/ledger"
)

// The statements, all of them, as SQLite reads them; Engine.Text makes them
// another engine's. A resource's change is joined from the left, so that a
// resource whose change is missing is an error and not absent.
const (
	sqlHead = `SELECT seq, time, hash FROM changes ORDER BY seq DESC LIMIT 1`

	sqlResource = `SELECT r.name, r.kind, r.revision, r.seq, c.seal, s.key, c.body FROM resources r
		LEFT JOIN changes c ON c.seq = r.seq LEFT JOIN seals s ON s.id = c.seal`
	sqlGet        = sqlResource + ` WHERE r.name = ?`
	sqlList       = sqlResource + ` WHERE r.name >= ? AND r.name < ? ORDER BY r.name LIMIT ?`
	sqlListOfKind = sqlResource + ` WHERE r.name >= ? AND r.name < ? AND r.kind = ? ORDER BY r.name LIMIT ?`
	sqlCurrent    = `SELECT kind, revision FROM resources WHERE name = ?`
	sqlAddNew     = `INSERT INTO resources (name, kind, revision, seq) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`
	sqlMove       = `UPDATE resources SET revision = ?, seq = ? WHERE name = ?`

	sqlChange = `SELECT c.seq, c.time, c.actor, c.verb, c.name, c.kind, c.revision, c.request_id, c.hash,
		(SELECT hash FROM changes p WHERE p.seq = c.seq - 1), c.salt, c.seal, s.key, c.body
		FROM changes c LEFT JOIN seals s ON s.id = c.seal`
	sqlChanges = sqlChange + ` WHERE c.seq > ? ORDER BY c.seq LIMIT ?`
	sqlHistory = sqlChange + ` WHERE c.name = ? ORDER BY c.revision`
	sqlGetAt   = `SELECT c.name, c.kind, c.revision, c.seq, c.seal, s.key, c.body FROM changes c
		LEFT JOIN seals s ON s.id = c.seal WHERE c.name = ? AND c.seq <= ? ORDER BY c.revision DESC LIMIT 1`
	sqlAppend = `INSERT INTO changes (seq, time, actor, verb, name, kind, revision, request_id, hash, salt, seal, body)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	sqlHashOf = `SELECT hash FROM changes WHERE seq = ?`

	sqlSealed  = `SELECT id, key FROM seals WHERE name = ? AND key IS NOT NULL`
	sqlSeal    = `INSERT INTO seals (id, name, key) VALUES (?, ?, ?)`
	sqlDestroy = `UPDATE seals SET key = NULL WHERE name = ? AND key IS NOT NULL`
	sqlOpenOf  = `SELECT seq, salt, body FROM changes WHERE name = ? AND seal = 0`
	sqlBlot    = `UPDATE changes SET body = ?, seal = -1, salt = ? WHERE seq = ?`
	sqlAskedOf = `SELECT q.actor, q.id, q.first_seq, q.seq, q.answer FROM changes c
		JOIN requests q ON q.actor = c.actor AND q.id = c.request_id WHERE c.name = ? AND c.request_id <> '' AND length(q.fingerprint) > 0`
	sqlUnmark = `UPDATE requests SET fingerprint = ?, sum = ? WHERE actor = ? AND id = ?`

	sqlRequest  = `SELECT fingerprint, first_seq, seq, answer FROM requests WHERE actor = ? AND id = ?`
	sqlRemember = `INSERT INTO requests (actor, id, fingerprint, first_seq, seq, answer, sum) VALUES (?, ?, ?, ?, ?, ?, ?)`

	sqlClaimed = `SELECT name FROM claims WHERE space = ? AND key = ?`
	sqlClaim   = `INSERT INTO claims (space, key, name, seq, sum) VALUES (?, ?, ?, ?, ?)`
	sqlRelease = `DELETE FROM claims WHERE space = ? AND key = ?`
)

// Reads returns the statements that read, as SQLite reads them, so that a
// backend's test can look at how its engine plans them.
func Reads() map[string]string {
	return map[string]string{
		"head": sqlHead, "get": sqlGet, "list": sqlList, "list of kind": sqlListOfKind, "current": sqlCurrent,
		"changes": sqlChanges, "history": sqlHistory, "get at": sqlGetAt, "sealed": sqlSealed, "open of": sqlOpenOf, "asked of": sqlAskedOf,
		"request": sqlRequest, "claimed": sqlClaimed,
	}
}

// Values of changes.seal that are not the number of a key.
const (
	inTheOpen int64 = 0
	erased    int64 = -1
)

// listRange turns prefix and after into a half-open range of names. Names hold
// bytes from '!' to '~' only, so "\x01" sorts before and "\x7f" after any of
// them: one range, which the index walks without looking at anything outside.
func listRange(prefix, after string) (from, to string) {
	from, to = prefix, prefix+"\x7f"
	if after != "" && after+"\x01" > from {
		from = after + "\x01"
	}
	return from, to
}

// scanner is a *sql.Row or *sql.Rows.
type scanner interface{ Scan(dest ...any) error }

// opened returns a stored body as readers see it.
func opened(name string, seal int64, key, stored []byte) (body []byte, gone bool, err error) {
	switch {
	case seal == inTheOpen:
		return given(stored), false, nil
	case seal == erased || key == nil:
		return nil, true, nil
	}
	body, err = ledger.OpenBody(key, name, stored)
	return given(body), false, err
}

func scanResource(s scanner) (ledger.Resource, error) {
	var r ledger.Resource
	var seal *int64
	var key, stored []byte
	if err := s.Scan(&r.Name, &r.Kind, &r.Revision, &r.Seq, &seal, &key, &stored); err != nil {
		return ledger.Resource{}, err
	}
	if seal == nil {
		return ledger.Resource{}, fmt.Errorf("%s: its change %d is missing: run the check", r.Name, r.Seq)
	}
	var err error
	if r.Body, r.Erased, err = opened(r.Name, *seal, key, stored); err != nil {
		return ledger.Resource{}, fmt.Errorf("%s: %w", r.Name, err)
	}
	return r, nil
}

var (
	// errHashLength says that a stored hash cannot be one.
	errHashLength = errors.New("its stored hash is not 32 bytes")
	// errSaltLength says that a stored salt cannot be one.
	errSaltLength = errors.New("its stored salt is not 32 bytes")
)

// entry is a row of the log: the change, and how its body is stored.
type entry struct {
	ledger.Change
	seal        int64
	key, stored []byte
}

// scanEntry reads a row without opening its body. On errHashLength and
// errSaltLength the rest of the entry is there, for the verification.
func scanEntry(s scanner) (entry, error) {
	var e entry
	var micros int64
	var hash, prev, salt []byte
	err := s.Scan(&e.Seq, &micros, &e.Actor, &e.Verb, &e.Name, &e.Kind, &e.Revision, &e.RequestID,
		&hash, &prev, &salt, &e.seal, &e.key, &e.stored)
	if err != nil {
		return entry{}, err
	}
	e.Time = time.UnixMicro(micros).UTC()
	copy(e.Hash[:], hash)
	copy(e.PrevHash[:], prev)
	copy(e.Salt[:], salt)
	e.BodyHash = e.hashOfBody()
	switch {
	case len(hash) != len(e.Hash):
		return e, fmt.Errorf("change %d: %w: run the check", e.Seq, errHashLength)
	case len(salt) != 0 && len(salt) != len(e.Salt):
		return e, fmt.Errorf("change %d: %w: run the check", e.Seq, errSaltLength)
	}
	return e, nil
}

// hashOfBody is what the chain holds of the body: where the body is gone, it
// stands in its place.
func (e entry) hashOfBody() (h [32]byte) {
	if e.seal == erased {
		copy(h[:], e.stored)
		return h
	}
	return ledger.BodyHash(e.Salt, e.stored)
}

func scanChange(s scanner) (ledger.Change, error) {
	e, err := scanEntry(s)
	if err != nil {
		return ledger.Change{}, err
	}
	if e.Body, e.Erased, err = opened(e.Name, e.seal, e.key, e.stored); err != nil {
		return ledger.Change{}, fmt.Errorf("change %d: %w", e.Seq, err)
	}
	return e.Change, nil
}

func scanHead(s scanner) (ledger.Head, error) {
	var h ledger.Head
	var micros int64
	var hash []byte
	if err := s.Scan(&h.Seq, &micros, &hash); err != nil {
		return ledger.Head{}, err
	}
	h.Time = time.UnixMicro(micros).UTC()
	copy(h.Hash[:], hash)
	return h, nil
}

// prepared is a statement on its connection, or its pool, with its text.
type prepared struct {
	*sql.Stmt
	text string
}

// statement says where a prepared text goes.
type statement struct {
	to   *prepared
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

func (s *Store) prepare(ctx context.Context, on interface {
	PrepareContext(context.Context, string) (*sql.Stmt, error)
}, list []statement) (stmts, error) {
	var done stmts
	for _, st := range list {
		text := s.engine.Text(st.text)
		stmt, err := on.PrepareContext(ctx, text)
		if err != nil {
			return done, fmt.Errorf("ledger: prepare statements: %w", err)
		}
		done = append(done, stmt)
		*st.to = prepared{stmt, text}
	}
	return done, nil
}
