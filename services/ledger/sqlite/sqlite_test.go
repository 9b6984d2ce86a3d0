package sqlite_test

import (
	"database/sql"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"fairlead/services/ledger"
	"fairlead/services/ledger/ledgertest"
	"fairlead/services/ledger/sqlite"
)

func TestSuite(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	t.Run("sqlite", func(t *testing.T) {
		ledgertest.Run(t, func(tb testing.TB) ledgertest.Backend { return folder{tb.TempDir()} })
	})
}

// folder is a data folder.
type folder struct{ dir string }

func (f folder) Open(tb testing.TB, clock func() time.Time) ledger.Ledger {
	tb.Helper()
	s, err := sqlite.Open(tb.Context(), f.dir, sqlite.Options{Clock: clock, Secret: &ledger.Secret{7}})
	require.NoError(tb, err)
	return s
}

// Damage does with SQL what somebody with a database tool would.
func (f folder) Damage(tb testing.TB, d ledgertest.Damage) {
	tb.Helper()
	path := url.URL{Scheme: "file", Path: filepath.Join(f.dir, "ledger.db")}
	db, err := sql.Open("sqlite", path.String())
	require.NoError(tb, err)
	defer db.Close()
	text, args := map[ledgertest.How]string{
		ledgertest.AlterBody:      "UPDATE changes SET body = CAST(substr(body, 1, length(body) - 1) || 'X' AS BLOB) WHERE seq = ?",
		ledgertest.AlterActor:     "UPDATE changes SET actor = actor || 'x' WHERE seq = ?",
		ledgertest.AlterVerb:      "UPDATE changes SET verb = 'void' WHERE seq = ?",
		ledgertest.AlterTime:      "UPDATE changes SET time = time + 1 WHERE seq = ?",
		ledgertest.AlterRequestID: "UPDATE changes SET request_id = 'r9' WHERE seq = ?",
		ledgertest.AlterHash:      "UPDATE changes SET hash = CAST(x'00' || substr(hash, 2) AS BLOB) WHERE seq = ?",
		ledgertest.RemoveChange:   "DELETE FROM changes WHERE seq = ?",
		ledgertest.CutLog:         "DELETE FROM changes WHERE seq >= ?",
		ledgertest.AlterSalt:      "UPDATE changes SET salt = CAST(x'00' || substr(salt, 2) AS BLOB) WHERE seq = ?",
		ledgertest.AlterKey:       "UPDATE seals SET key = CAST(x'00' || substr(key, 2) AS BLOB) WHERE name = ?",
		ledgertest.RemoveKey:      "DELETE FROM seals WHERE name = ?",
		ledgertest.MoveKey:        "UPDATE seals SET name = name || 'x' WHERE name = ?",
		ledgertest.AlterAnswer:    "UPDATE requests SET answer = CAST(answer || 'x' AS BLOB) WHERE seq = ?",
		ledgertest.MoveClaim:      "UPDATE claims SET name = name || 'x' WHERE name = ?",
		ledgertest.ForgetRequest:  "DELETE FROM requests WHERE seq = ?",
		ledgertest.AlterRevision:  "UPDATE resources SET revision = revision + 1 WHERE name = ?",
		ledgertest.RemoveResource: "DELETE FROM resources WHERE name = ?",
		ledgertest.AddResource:    "INSERT INTO resources (name, kind, revision, seq) VALUES (?, 'Report', 1, 1)",
		ledgertest.PointBack:      "UPDATE resources SET revision = 1, seq = (SELECT min(seq) FROM changes c WHERE c.name = resources.name) WHERE name = ?",
	}[d.How], []any{d.Seq}
	if d.Name != "" {
		args = []any{d.Name}
	}
	result, err := db.Exec(text, args...)
	require.NoError(tb, err, "%s", d.How)
	n, err := result.RowsAffected()
	require.NoError(tb, err)
	require.NotZero(tb, n, "%s must hit something", d.How)
}
