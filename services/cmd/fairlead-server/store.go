package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"fairlead/services/ledger/postgres"
)

// databaseFlag adds --database, which the commands have that open the ledger.
func databaseFlag(cmd *cobra.Command, to *string) {
	// The default is not shown in the help: it may hold a password.
	cmd.Flags().StringVar(to, "database", "", "PostgreSQL database that holds the ledger, postgres://user@host:5432/name; empty: a file in --data (env FAIRLEAD_DATABASE)")
	before := cmd.PreRunE
	cmd.PreRunE = func(cmd *cobra.Command, args []string) error {
		if !cmd.Flags().Changed("database") {
			*to = env("FAIRLEAD_DATABASE", "")
		}
		if *to != "" && !postgres.IsAddress(*to) {
			return errors.New("--database must look like postgres://user@host:5432/name; for a file in a folder say --data alone")
		}
		if before != nil {
			return before(cmd, args)
		}
		return nil
	}
}

// migrateDatabase brings a database that holds a ledger to this version.
func migrateDatabase(ctx context.Context, out io.Writer, database string) error {
	from, to, err := postgres.Version(ctx, database)
	if err == nil && from == 0 {
		err = errors.New("it holds no ledger: is it the right one? The first start makes one")
	}
	if err == nil && from < to {
		err = postgres.Migrate(ctx, database)
	}
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", postgres.Where(database), err)
	case from == to:
		fmt.Fprintf(out, "The data is at this version: schema %d.\n", to)
	default:
		fmt.Fprintf(out, "The data was at schema %d and is now at %d.\n", from, to)
	}
	return nil
}
