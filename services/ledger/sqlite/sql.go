package sqlite

import (
	"errors"
	"fmt"
	"time"

	"fairlead/services/ledger"
)

// The statements, all of them. A resource's body comes by a subquery and not a
// join, so that a resource whose change is missing is an error and not absent.
const (
	sqlHead = `SELECT seq, time, hash FROM changes ORDER BY seq DESC LIMIT 1`

	sqlResource = `SELECT name, kind, revision, seq,
		(SELECT body FROM changes WHERE seq = r.seq) FROM resources r`
	sqlGet        = sqlResource + ` WHERE name = ?`
	sqlList       = sqlResource + ` WHERE name >= ? AND name < ? ORDER BY name LIMIT ?`
	sqlListOfKind = sqlResource + ` WHERE name >= ? AND name < ? AND kind = ? ORDER BY name LIMIT ?`
	sqlCurrent    = `SELECT kind, revision FROM resources WHERE name = ?`
	sqlAddNew     = `INSERT INTO resources (name, kind, revision, seq) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`
	sqlMove       = `UPDATE resources SET revision = ?, seq = ? WHERE name = ?`

	sqlChange = `SELECT seq, time, actor, verb, name, kind, revision, request_id, hash,
		(SELECT hash FROM changes p WHERE p.seq = c.seq - 1), body FROM changes c`
	sqlChanges = sqlChange + ` WHERE seq > ? ORDER BY seq LIMIT ?`
	sqlHistory = sqlChange + ` WHERE name = ? ORDER BY revision`
	sqlGetAt   = `SELECT name, kind, revision, seq, body FROM changes
		WHERE name = ? AND seq <= ? ORDER BY revision DESC LIMIT 1`
	sqlAppend = `INSERT INTO changes (seq, time, actor, verb, name, kind, revision, request_id, hash, body)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`

	sqlRequest  = `SELECT fingerprint, first_seq, seq, answer FROM requests WHERE actor = ? AND id = ?`
	sqlRemember = `INSERT INTO requests (actor, id, fingerprint, first_seq, seq, answer) VALUES (?, ?, ?, ?, ?, ?)`

	sqlClaimed = `SELECT name FROM claims WHERE space = ? AND key = ?`
	sqlClaim   = `INSERT INTO claims (space, key, name) VALUES (?, ?, ?)`
	sqlRelease = `DELETE FROM claims WHERE space = ? AND key = ?`
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

func scanResource(s scanner) (ledger.Resource, error) {
	var r ledger.Resource
	var body *[]byte
	if err := s.Scan(&r.Name, &r.Kind, &r.Revision, &r.Seq, &body); err != nil {
		return ledger.Resource{}, err
	}
	if body == nil {
		return ledger.Resource{}, fmt.Errorf("%s: its change %d is missing: run the check", r.Name, r.Seq)
	}
	r.Body = *body
	return r, nil
}

// errHashLength says that a stored hash cannot be one.
var errHashLength = errors.New("its stored hash is not 32 bytes")

func scanChange(s scanner) (ledger.Change, error) {
	var c ledger.Change
	var micros int64
	var hash, prev []byte
	err := s.Scan(&c.Seq, &micros, &c.Actor, &c.Verb, &c.Name, &c.Kind, &c.Revision, &c.RequestID,
		&hash, &prev, &c.Body)
	if err != nil {
		return ledger.Change{}, err
	}
	c.Time = time.UnixMicro(micros).UTC()
	if len(hash) != len(c.Hash) {
		// The change comes along for the verification, without its hash.
		return c, fmt.Errorf("change %d: %w: run the check", c.Seq, errHashLength)
	}
	copy(c.Hash[:], hash)
	copy(c.PrevHash[:], prev)
	return c, nil
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
