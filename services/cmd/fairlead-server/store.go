package main

import (
	"errors"

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
