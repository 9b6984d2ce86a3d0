// Command fairlead-server is the daemon: it runs the service, checks, backs up
// and restores its data, and says who may use it.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // workplaces name time zones; the binary must know them anywhere

	"github.com/spf13/cobra"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := root().ExecuteContext(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "fairlead-server:", err)
		code := 1
		var e *exitError
		if errors.As(err, &e) {
			code = e.code
		}
		os.Exit(code)
	}
}

func root() *cobra.Command {
	cmd := &cobra.Command{
		Use:           "fairlead-server",
		Short:         "Run and look after the incident, hazard and near-miss reporting service",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	cmd.AddCommand(runCommand(), checkCommand(), rebuildCommand(), backupCommand(), restoreCommand(), erasuresCommand(), checkpointCommand(),
		migrateCommand(), moveCommand(), accessCommand())
	return cmd
}

// dataFlag adds --data, which every command has.
func dataFlag(cmd *cobra.Command, to *string) {
	cmd.Flags().StringVar(to, "data", env("FAIRLEAD_DATA", "data"), "folder that holds everything (env FAIRLEAD_DATA)")
}

func env(name, otherwise string) string {
	if v := os.Getenv(name); v != "" {
		return v
	}
	return otherwise
}
