package sqlstore

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"

	"fairlead/services/ledger"
)

// sumSize is how much of the hash a row keeps: 128 bits leave nothing to
// chance, and the row is not meant to withstand whoever can write both.
const sumSize = 16

// sumOf is the hash that a row of requests or claims carries: SHA-256, cut, over
// its fields, each with its length before it.
func sumOf(fields ...any) []byte {
	h := sha256.New()
	for _, field := range fields {
		var b []byte
		switch f := field.(type) {
		case string:
			b = []byte(f)
		case []byte:
			b = f
		case int64:
			b = binary.BigEndian.AppendUint64(nil, uint64(f))
		}
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(b))))
		h.Write(b)
	}
	return h.Sum(nil)[:sumSize]
}

// sums checks the hashes of remembered requests and of claims. Rows that came
// with changes of format 1 have none.
func (v *verifier) sums(ctx context.Context) error {
	const requests = `SELECT CAST(actor AS TEXT), CAST(id AS TEXT), CAST(fingerprint AS BLOB), CAST(first_seq AS BIGINT),
		CAST(seq AS BIGINT), CAST(answer AS BLOB), CAST(sum AS BLOB) FROM requests`
	err := v.each(ctx, requests, nil, func(rows *sql.Rows) error {
		var actor, id string
		var fingerprint, answer, sum []byte
		var first, seq *int64
		if err := rows.Scan(&actor, &id, &fingerprint, &first, &seq, &answer, &sum); err != nil {
			return err
		}
		at := v.row(seq)
		if first == nil || seq == nil || !v.fits(at, sum, sumOf(actor, id, fingerprint, *first, at, answer)) {
			v.problem(at, "", "what is remembered of a request that ended with this change was altered")
		}
		return nil
	})
	if err != nil {
		return err
	}
	const claims = `SELECT CAST(space AS TEXT), CAST(key AS BLOB), CAST(name AS TEXT), CAST(seq AS BIGINT), CAST(sum AS BLOB) FROM claims`
	return v.each(ctx, claims, nil, func(rows *sql.Rows) error {
		var space, name string
		var key, sum []byte
		var seq *int64
		if err := rows.Scan(&space, &key, &name, &seq, &sum); err != nil {
			return err
		}
		at := v.row(seq)
		if seq == nil || !v.fits(at, sum, sumOf(space, key, name, at)) {
			// The name may be what was altered, into anything.
			if ledger.CheckName(name) != nil {
				name = ""
			}
			v.problem(at, name, "a key that this name holds was altered")
		}
		return nil
	})
}

func (v *verifier) row(seq *int64) int64 {
	if seq == nil {
		return 0
	}
	return *seq
}

func (v *verifier) fits(seq int64, have, want []byte) bool {
	return bytes.Equal(have, want) || len(have) == 0 && seq <= v.oldest
}
