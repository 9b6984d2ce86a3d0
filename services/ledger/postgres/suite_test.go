package postgres_test

import (
	"flag"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"fairlead/services/ledger"
	"fairlead/services/ledger/ledgertest"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
)

func TestSuite(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	// Opening a session costs PostgreSQL a process. The model is the same as on
	// the other backend, which runs it a hundred times.
	if checks := flag.Lookup("rapid.checks"); checks.Value.String() == checks.DefValue {
		require.NoError(t, checks.Value.Set("20"))
	}
	t.Run("postgres", func(t *testing.T) {
		ledgertest.Run(t, func(tb testing.TB) ledgertest.Backend { return database{pgtest.Database(tb)} })
	})
}

// database is a database's address.
type database struct{ address string }

func (d database) Open(tb testing.TB, clock func() time.Time) ledger.Ledger {
	tb.Helper()
	s, err := postgres.Open(tb.Context(), d.address, postgres.Options{Clock: clock, Readers: 2, Secret: &ledger.Secret{7}})
	require.NoError(tb, err)
	return s
}

// Damage does with SQL what somebody with a database tool would.
func (d database) Damage(tb testing.TB, damage ledgertest.Damage) {
	tb.Helper()
	text := map[ledgertest.How]string{
		ledgertest.AlterBody:      "UPDATE fairlead.changes SET body = set_byte(body, length(body) - 1, get_byte(body, length(body) - 1) # 1) WHERE seq = $1",
		ledgertest.AlterActor:     "UPDATE fairlead.changes SET actor = actor || 'x' WHERE seq = $1",
		ledgertest.AlterVerb:      "UPDATE fairlead.changes SET verb = 'void' WHERE seq = $1",
		ledgertest.AlterTime:      "UPDATE fairlead.changes SET time = time + 1 WHERE seq = $1",
		ledgertest.AlterRequestID: "UPDATE fairlead.changes SET request_id = 'r9' WHERE seq = $1",
		ledgertest.AlterHash:      "UPDATE fairlead.changes SET hash = set_byte(hash, 0, get_byte(hash, 0) # 1) WHERE seq = $1",
		ledgertest.RemoveChange:   "DELETE FROM fairlead.changes WHERE seq = $1",
		ledgertest.CutLog:         "DELETE FROM fairlead.changes WHERE seq >= $1",
		ledgertest.AlterSalt:      "UPDATE fairlead.changes SET salt = set_byte(salt, 0, get_byte(salt, 0) # 1) WHERE seq = $1",
		ledgertest.AlterKey:       "UPDATE fairlead.seals SET key = set_byte(key, 0, get_byte(key, 0) # 1) WHERE name = $1",
		ledgertest.RemoveKey:      "DELETE FROM fairlead.seals WHERE name = $1",
		ledgertest.MoveKey:        "UPDATE fairlead.seals SET name = name || 'x' WHERE name = $1",
		ledgertest.AlterAnswer:    "UPDATE fairlead.requests SET answer = answer || 'x' WHERE seq = $1",
		ledgertest.MoveClaim:      "UPDATE fairlead.claims SET name = name || 'x' WHERE name = $1",
		ledgertest.ForgetRequest:  "DELETE FROM fairlead.requests WHERE seq = $1",
		ledgertest.AlterRevision:  "UPDATE fairlead.resources SET revision = revision + 1 WHERE name = $1",
		ledgertest.RemoveResource: "DELETE FROM fairlead.resources WHERE name = $1",
		ledgertest.AddResource:    "INSERT INTO fairlead.resources (name, kind, revision, seq) VALUES ($1, 'Report', 1, 1)",
		ledgertest.PointBack:      "UPDATE fairlead.resources SET revision = 1, seq = (SELECT min(seq) FROM fairlead.changes c WHERE c.name = resources.name) WHERE name = $1",
	}[damage.How]
	arg := any(damage.Seq)
	if damage.Name != "" {
		arg = damage.Name
	}
	require.NotZero(tb, pgtest.Exec(tb, d.address, text, arg), "%s must hit something", damage.How)
}
