package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fairlead/services/ledger"
)

// TestCut_isTheLedgerThatStopped makes random writes, keeps a copy at some
// moment, writes on, cuts the end, and wants the tables of the copy.
func TestCut_isTheLedgerThatStopped(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "")
		require.NoError(rt, err)
		s, err := Open(t.Context(), filepath.Join(dir, "all"), Options{})
		require.NoError(rt, err)
		names := rapid.SampledFrom([]string{"reports/1", "reports/2", "people/1", "people/2", "hours/1"})
		serial := 0
		write := func(rt *rapid.T) (erased string) {
			serial++
			r := ledger.Request{Actor: "people/ann"}
			if rapid.Bool().Draw(rt, "with an id") {
				r.ID = fmt.Sprint(serial)
			}
			many, erase := rapid.IntRange(0, 3).Draw(rt, "puts"), rapid.IntRange(0, 5).Draw(rt, "erase") == 0
			at, sealed, claims := names.Draw(rt, "name"), rapid.Bool().Draw(rt, "sealed"), rapid.Bool().Draw(rt, "claims")
			_, err := s.Write(t.Context(), r, func(ctx context.Context, tx ledger.Tx) error {
				if erase {
					if err := tx.Erase(ctx, at); err == nil {
						erased = at
					} else {
						return nil
					}
					_, err := tx.Put(ctx, ledger.Put{Name: at, Kind: "Thing", Verb: "erase", IfRevision: ledger.Any})
					return err
				}
				for i := range many {
					name := at
					if i > 0 {
						name = fmt.Sprint("things/", serial, "-", i)
					}
					put := ledger.Put{Name: name, Kind: "Thing", Verb: "set", Body: []byte(fmt.Sprint("body ", serial)), IfRevision: ledger.Any, Seal: sealed}
					if _, err := tx.Put(ctx, put); err != nil {
						return err
					}
				}
				if many > 0 && claims {
					return tx.Claim(ctx, "code", fmt.Sprint(serial), at)
				}
				return nil
			})
			require.NoError(rt, err)
			return erased
		}
		copies := 0
		keep := func() (string, int64) {
			copies++
			path := filepath.Join(dir, fmt.Sprint("copy", copies))
			h, err := s.Backup(t.Context(), path)
			require.NoError(rt, err)
			return path, h.Seq
		}
		for range rapid.IntRange(0, 5).Draw(rt, "before") {
			write(rt)
		}
		stopped, at := keep()
		later := map[string]bool{}
		for range rapid.IntRange(0, 5).Draw(rt, "after") {
			if h, err := s.Head(t.Context()); err == nil && h.Seq == at {
				// A write that changed nothing still belongs to this moment.
				stopped, _ = keep()
			}
			if name := write(rt); name != "" {
				later[name] = true
			}
		}
		if h, err := s.Head(t.Context()); err == nil && h.Seq == at {
			stopped, _ = keep()
		}
		whole, _ := keep()
		require.NoError(rt, s.Close())

		private := filepath.Join(dir, "private")
		require.NoError(rt, os.Mkdir(private, 0o700))
		require.NoError(rt, os.Rename(whole, filepath.Join(private, dataFile)))
		got, err := Cut(t.Context(), private, at)
		require.NoError(rt, err)
		require.Equal(rt, at, got)
		require.Equal(rt, tables(rt, stopped, later), tables(rt, filepath.Join(private, dataFile), later))
		back, err := OpenReadOnly(t.Context(), private, Options{})
		require.NoError(rt, err)
		report, err := back.Verify(t.Context())
		require.NoError(rt, err)
		require.Empty(rt, report.Problems)
		require.NoError(rt, back.Close())
	})
}

// tables reads everything that is stored, but for what was told of the names
// that were erased later.
func tables(t require.TestingT, path string, erased map[string]bool) map[string][]string {
	db, err := sql.Open(driverName, readerDSN(path))
	require.NoError(t, err)
	defer db.Close()
	out := map[string][]string{}
	for table, order := range map[string]string{"changes": "seq", "resources": "name", "requests": "actor, id", "claims": "space, key", "seals": "id"} {
		rows, err := db.Query("SELECT * FROM " + table + " ORDER BY " + order)
		require.NoError(t, err)
		columns, err := rows.Columns()
		require.NoError(t, err)
		for rows.Next() {
			values, into := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				into[i] = &values[i]
			}
			require.NoError(t, rows.Scan(into...))
			row := map[string]any{}
			for i, c := range columns {
				row[c] = values[i]
			}
			if name, _ := row["name"].(string); erased[name] {
				maps.DeleteFunc(row, func(c string, _ any) bool { return c == "body" || c == "seal" || c == "key" || c == "salt" })
			}
			if table == "requests" {
				// An erasure takes out the fingerprints of what was asked.
				maps.DeleteFunc(row, func(c string, _ any) bool { return c == "fingerprint" || c == "sum" })
			}
			out[table] = append(out[table], fmt.Sprint(row))
		}
		require.NoError(t, rows.Err())
		require.NoError(t, rows.Close())
	}
	return out
}

// TestCut_edges cuts to nothing, inside a write, beyond the end, and a ledger
// in use; and looks that what was cut is not left in the file.
func TestCut_edges(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/1", "the wombat stays")
	_, err := s.Write(t.Context(), ledger.Request{Actor: "people/ann", ID: "two"}, func(ctx context.Context, tx ledger.Tx) error {
		for _, name := range []string{"reports/2", "reports/3"} {
			if err := put(name, "the quokka goes")(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	})
	require.NoError(t, err)
	_, err = Cut(t.Context(), dir, 1)
	require.ErrorIs(t, err, ledger.ErrLocked, "a ledger in use is never cut")
	require.NoError(t, s.Close())
	_, err = Cut(t.Context(), dir, 4)
	require.ErrorIs(t, err, ledger.ErrAhead)
	_, err = Cut(t.Context(), dir, -1)
	require.ErrorIs(t, err, ledger.ErrInvalid)
	_, err = Cut(t.Context(), t.TempDir(), 1)
	require.ErrorIs(t, err, os.ErrNotExist)
	requireSomewhere(t, dir, "quokka")

	at, err := Cut(t.Context(), dir, 2)
	require.NoError(t, err)
	require.Equal(t, int64(1), at, "half a write is none")
	requireNowhere(t, dir, "quokka")
	requireSomewhere(t, dir, "wombat")
	s = openStore(t, dir, Options{})
	require.Equal(t, int64(2), mustWrite(t, s, "reports/2", "x").Seq, "and it goes on")
	requireSound(t, s)
	require.NoError(t, s.Close())
	at, err = Cut(t.Context(), dir, 0)
	require.NoError(t, err)
	require.Zero(t, at)
	requireSound(t, openStore(t, dir, Options{}))
}

// TestCut_schema1 cuts a ledger of the first version: its claims do not say
// which change they came with.
func TestCut_schema1(t *testing.T) {
	t.Parallel()
	old, err := os.ReadFile(filepath.Join("testdata", "schema1.db"))
	require.NoError(t, err)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, dataFile), old, 0o600))
	_, err = Cut(t.Context(), dir, 5)
	require.ErrorContains(t, err, "migrate", "only what this program knows is cut")
	s := openStore(t, dir, Options{})
	name, err := s.Claimed(t.Context(), "short-code", "Kr3")
	require.NoError(t, err)
	at, err := s.History(t.Context(), name)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	_, err = Cut(t.Context(), dir, at[0].Seq-1)
	require.NoError(t, err)
	s = openStore(t, dir, Options{})
	requireSound(t, s)
	_, err = s.Claimed(t.Context(), "short-code", "Kr3")
	require.ErrorIs(t, err, ledger.ErrNotFound)
	_, err = s.Claimed(t.Context(), "short-code", "Kr0")
	require.NoError(t, err)
}
