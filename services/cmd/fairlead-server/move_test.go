package main

import (
	"net/url"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger/postgres/pgtest"
)

// TestDatabaseStories runs the stories that need PostgreSQL. $DATABASE is an
// empty one, $SECRET its password.
func TestDatabaseStories(t *testing.T) {
	t.Parallel()
	address := pgtest.Database(t)
	u, err := url.Parse(address)
	require.NoError(t, err)
	secret, _ := u.User.Password()
	testscript.Run(t, testscript.Params{
		Dir: "testdata/database",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"serve": serve, "quit": quit, "web": call, "soon": soon,
		},
		Setup: func(e *testscript.Env) error {
			e.Values[running{}] = &started{}
			e.Setenv("DATABASE", address)
			e.Setenv("SECRET", secret)
			return nil
		},
	})
}
