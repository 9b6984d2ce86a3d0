package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlstore"
)

var update = flag.Bool("update", false, "rewrite golden files")

func openStore(tb testing.TB, dir string, opts Options) *Store {
	tb.Helper()
	s, err := Open(tb.Context(), dir, opts)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, s.Close()) })
	return s
}

func put(name, body string) func(context.Context, ledger.Tx) error {
	return func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, ledger.Put{Name: name, Kind: "Report", Verb: "file", Body: []byte(body), IfRevision: ledger.Any})
		return err
	}
}

var ann = ledger.Request{Actor: "people/ann"}

func mustWrite(tb testing.TB, s *Store, name, body string) ledger.Receipt {
	tb.Helper()
	r, err := s.Write(tb.Context(), ann, put(name, body))
	require.NoError(tb, err)
	return r
}

func requireSound(tb testing.TB, s *Store) ledger.Report {
	tb.Helper()
	report, err := s.Verify(tb.Context())
	require.NoError(tb, err)
	require.Empty(tb, report.Problems)
	return report
}

func TestOpen_oneWriterPerFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "odd name ?#%20", "data")
	first := openStore(t, dir, Options{})
	mustWrite(t, first, "reports/a", "x")
	_, err := Open(t.Context(), dir, Options{})
	require.ErrorIs(t, err, ledger.ErrLocked)
	require.NoError(t, first.Close())
	again := openStore(t, dir, Options{})
	_, err = again.Get(t.Context(), "reports/a")
	require.NoError(t, err)
}

func TestOpen_leavesOneFile(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/a", "x")
	_, err := s.List(t.Context(), "", "", "", 10)
	require.NoError(t, err)
	requireSound(t, s)
	require.NoError(t, s.Close())
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	var got []string
	for _, e := range entries {
		info, err := e.Info()
		require.NoError(t, err)
		require.Zero(t, info.Mode().Perm()&0o077, "%s must be its owner's alone", e.Name())
		got = append(got, e.Name())
	}
	require.Equal(t, []string{"ledger.db", "ledger.lock"}, got, "a closed ledger has its log folded in")
}

func TestOpen_refusesWhatIsNotIts(t *testing.T) {
	fill := func(t *testing.T, statements ...string) string {
		dir := t.TempDir()
		db, err := sql.Open(driverName, "file:"+filepath.Join(dir, dataFile))
		require.NoError(t, err)
		defer db.Close()
		for _, s := range statements {
			_, err := db.Exec(s)
			require.NoError(t, err)
		}
		return dir
	}
	ours := func(t *testing.T) string {
		dir := t.TempDir()
		s := openStore(t, dir, Options{})
		mustWrite(t, s, "reports/a", "x")
		require.NoError(t, s.Close())
		return dir
	}
	cases := []struct {
		name string
		dir  func(t *testing.T) string
		want string
		is   error
	}{
		{"a newer ledger", func(t *testing.T) string {
			dir := ours(t)
			db, err := sql.Open(driverName, "file:"+filepath.Join(dir, dataFile))
			require.NoError(t, err)
			defer db.Close()
			_, err = db.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)")
			require.NoError(t, err)
			return dir
		}, "schema 9999, this program knows up to", ledger.ErrNewer},
		{"another program's database", func(t *testing.T) string {
			return fill(t, "CREATE TABLE songs (title TEXT)", "INSERT INTO songs VALUES ('x')")
		}, "something else", nil},
		{"another program's mark", func(t *testing.T) string {
			return fill(t, "PRAGMA application_id = 42", "CREATE TABLE changes (seq INTEGER)")
		}, "0x2a", nil},
		{"no database at all", func(t *testing.T) string {
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, dataFile), []byte(strings.Repeat("minutes of the meeting ", 500)), 0o600))
			return dir
		}, "not a database", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := c.dir(t)
			before, err := os.ReadFile(filepath.Join(dir, dataFile))
			require.NoError(t, err)
			for _, open := range []func(context.Context, string, Options) (*Store, error){Open, OpenReadOnly} {
				_, err = open(t.Context(), dir, Options{})
				require.ErrorContains(t, err, c.want)
				if c.is != nil {
					require.ErrorIs(t, err, c.is)
				}
			}
			tables := func(b []byte) string { return string(b[100:]) }
			after, err := os.ReadFile(filepath.Join(dir, dataFile))
			require.NoError(t, err)
			require.True(t, tables(before) == tables(after), "a refused file must keep its content")
		})
	}
}

func TestCheckPragmas_refuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), dataFile)
	require.NoError(t, createPrivate(path))
	with := func(from, to string) string {
		require.Contains(t, writerDSN(path), from)
		return strings.Replace(writerDSN(path), from, to, 1)
	}
	for want, dsn := range map[string]string{
		"":                    writerDSN(path),
		"journal_mode=delete": with("WAL", "DELETE"),
		"synchronous=1":       with("FULL", "NORMAL"),
		"foreign_keys=0":      with("foreign_keys%281%29", "foreign_keys%280%29"),
		"busy_timeout=1":      with("5000", "1"),
	} {
		db, err := sql.Open(driverName, dsn)
		require.NoError(t, err)
		conn, err := db.Conn(t.Context())
		require.NoError(t, err)
		err = checkPragmas(t.Context(), conn)
		require.NoError(t, errors.Join(conn.Close(), db.Close()))
		if want == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorContains(t, err, want)
		require.ErrorContains(t, err, "refusing to run")
	}
}

// TestSchema pins the schema, so that a change of it is a new migration and not
// an edit of an old one.
func TestSchema(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	rows, err := s.Readers().Query("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT GLOB 'goose_*' AND name NOT GLOB 'sqlite_*' ORDER BY name")
	require.NoError(t, err)
	defer rows.Close()
	var got strings.Builder
	for rows.Next() {
		var text string
		require.NoError(t, rows.Scan(&text))
		got.WriteString(text + ";\n")
	}
	require.NoError(t, rows.Err())
	golden := filepath.Join("testdata", "schema.golden")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, []byte(got.String()), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(string(want), got.String()))
}

// TestPlans requires that no statement walks a table or sorts.
func TestPlans(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	for name, text := range sqlstore.Reads() {
		args := make([]any, strings.Count(text, "?"))
		for i := range args {
			args[i] = 1
		}
		rows, err := s.Readers().Query("EXPLAIN QUERY PLAN "+text, args...)
		require.NoError(t, err, name)
		for rows.Next() {
			var id, parent, unused int
			var detail string
			require.NoError(t, rows.Scan(&id, &parent, &unused, &detail))
			bad := strings.Contains(detail, "TEMP B-TREE") || strings.HasPrefix(detail, "SCAN") && name != "head"
			require.False(t, bad, "%s\n%s", text, detail)
		}
		require.NoError(t, rows.Err())
	}
}

// TestVerify_damagedIndex breaks an index that none of our own checks reads.
func TestVerify_damagedIndex(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/a", "told in confidence")
	var page int64
	require.NoError(t, s.Readers().QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = 'resources_by_kind'").Scan(&page))
	require.NoError(t, s.Close())
	f, err := os.OpenFile(filepath.Join(dir, dataFile), os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = f.WriteAt([]byte("x"), page*4096-1) // the last byte of its only entry
	require.NoError(t, errors.Join(err, f.Close()))

	s = openStore(t, dir, Options{})
	report, err := s.Verify(t.Context())
	require.NoError(t, err)
	require.NotEmpty(t, report.Problems)
	require.Contains(t, report.Problems[0].What, "resources_by_kind")
	for _, p := range report.Problems {
		require.NotContains(t, p.What, "confidence")
	}
}

func TestVerify_flood(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	for i := range ledger.MaxProblems + 20 {
		mustWrite(t, s, fmt.Sprintf("reports/%d", i), "x")
	}
	for _, damage := range []string{
		"UPDATE changes SET hash = x'01', time = 'noon', revision = 'first'",
		"UPDATE resources SET seq = 'x', revision = 'y'",
		"INSERT INTO requests (actor, id, fingerprint, first_seq, seq, answer) VALUES ('a', 'b', x'', 'x', 'y', 'z')",
	} {
		_, err := s.Conn().ExecContext(t.Context(), damage)
		require.NoError(t, err)
	}
	report, err := s.Verify(t.Context())
	require.NoError(t, err, "nonsense in the tables is a finding, not a failure of the check")
	require.Len(t, report.Problems, ledger.MaxProblems)
	require.True(t, report.Truncated)
	require.Equal(t, int64(ledger.MaxProblems+20), report.Changes)

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = s.Verify(ended)
	require.ErrorIs(t, err, context.Canceled)
}

func TestOpenReadOnly(t *testing.T) {
	dir := t.TempDir()
	_, err := OpenReadOnly(t.Context(), dir, Options{})
	require.ErrorIs(t, err, os.ErrNotExist)

	live := openStore(t, dir, Options{})
	mustWrite(t, live, "reports/a", "x")
	ro, err := OpenReadOnly(t.Context(), dir, Options{})
	require.NoError(t, err)
	defer ro.Close()
	_, err = ro.Write(t.Context(), ann, put("reports/b", "x"))
	require.ErrorIs(t, err, ledger.ErrReadOnly)
	requireSound(t, ro)

	waited := make(chan error)
	go func() { waited <- ro.Wait(context.Background(), 2) }()
	mustWrite(t, live, "reports/b", "x")
	require.NoError(t, <-waited, "a reader sees what another process commits")
	_, err = ro.Get(t.Context(), "reports/b")
	require.NoError(t, err)

	go func() { waited <- ro.Wait(context.Background(), 3) }()
	require.NoError(t, ro.Close())
	require.ErrorIs(t, <-waited, ledger.ErrClosed)
	mustWrite(t, live, "reports/c", "x")
}
