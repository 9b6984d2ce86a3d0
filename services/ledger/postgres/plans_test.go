package postgres_test

import (
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
	"fairlead/services/ledger/sqlstore"
)

// TestPlans requires that no statement must walk a table or sort.
func TestPlans(t *testing.T) {
	address := pgtest.Database(t)
	s := openStore(t, address, postgres.Options{})
	for _, id := range []string{"a", "b", "c"} {
		mustWrite(t, s, "reports/"+id, "x")
	}
	conn, err := pgx.Connect(t.Context(), address)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	for _, setting := range []string{"search_path = fairlead", "enable_seqscan = off", "plan_cache_mode = force_generic_plan"} {
		_, err := conn.Exec(t.Context(), "SET "+setting)
		require.NoError(t, err)
	}
	for name, text := range sqlstore.Reads() {
		n := strings.Count(text, "?")
		_, err := conn.Exec(t.Context(), "PREPARE one AS "+postgres.Text(text))
		require.NoError(t, err, name)
		call := "EXPLAIN EXECUTE one"
		if n > 0 {
			call += "(" + strings.TrimSuffix(strings.Repeat("NULL, ", n), ", ") + ")"
		}
		rows, err := conn.Query(t.Context(), call, pgx.QueryExecModeSimpleProtocol)
		require.NoError(t, err, name)
		plan, err := pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(t, err, name)
		for _, line := range plan {
			require.NotContains(t, line, "Seq Scan", "%s\n%s", text, strings.Join(plan, "\n"))
			require.NotContains(t, line, "Sort", "%s\n%s", text, strings.Join(plan, "\n"))
		}
		_, err = conn.Exec(t.Context(), "DEALLOCATE one")
		require.NoError(t, err)
	}
}
