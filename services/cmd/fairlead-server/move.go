package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"fairlead/services/blob"
	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/ledger/sqlstore"
	"fairlead/services/server"
)

// moveCommand moves the record between a data folder and a database.
func moveCommand() *cobra.Command {
	var data, database, to string
	cmd := &cobra.Command{
		Use:   "move --to <database or folder>",
		Short: "Move the record from a folder into a PostgreSQL database, or back",
		Long: `Move the record, with photos and sound, from the folder of one server into a
PostgreSQL database that several servers share, or from a database into a folder.

Stop every server that uses either first. The target must hold no record yet. The
copy is checked in full before it counts: either all of it is there afterwards, or
nothing. The source stays as it was; in a folder, ledger.db is renamed to
ledger.db.moved, so that no server goes on with it by mistake.`,
		Example: `  fairlead-server move --data /var/lib/fairlead --to postgres://fairlead@db.example:5432/fairlead
  fairlead-server move --database postgres://fairlead@db.example:5432/fairlead --to /var/lib/fairlead`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if to == "" {
				return errors.New("--to is needed: a database such as postgres://user@host:5432/name, or a folder")
			}
			if (database != "") == postgres.IsAddress(to) {
				return errors.New("move goes from a folder (--data) to a database (--to postgres://…), or from a database (--database) to a folder (--to)")
			}
			return move(cmd.Context(), cmd.OutOrStdout(), data, database, to)
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	cmd.Flags().StringVar(&to, "to", "", "where the record goes")
	return cmd
}

func move(ctx context.Context, out io.Writer, data, database, to string) error {
	toData, toDatabase, where := to, "", to
	if postgres.IsAddress(to) {
		toData, toDatabase, where = data, to, postgres.Where(to)
	}
	from, held, err := openToMove(ctx, data, database)
	if err != nil {
		return err
	}
	// Photos first: a record that names bytes which are not there would be
	// worse than bytes that no record names, which are swept away in time.
	n, err := moveFiles(ctx, data, database, toData, toDatabase)
	var report ledger.Report
	if err == nil {
		if toDatabase != "" {
			report, err = postgres.CopyInto(ctx, from, toDatabase)
		} else {
			report, err = sqlite.CopyToFolder(ctx, from, toData)
		}
	}
	if err := errors.Join(err, held.Close()); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s now holds %d changes and %d resources, head %x, and %d photos and sounds. Checked.\n", where, report.Changes, report.Resources, report.HeadHash, n)
	if database != "" {
		fmt.Fprintf(out, "The database is as it was: remove it when you are sure. Keys and access.yaml stay where they are; copy them into %s if they are elsewhere.\n", to)
		return nil
	}
	old := filepath.Join(data, ledgerFile)
	if err := os.Rename(old, old+".moved"); err != nil {
		return fmt.Errorf("the record is moved, but the old file is still in place: rename it before you start a server: %w", err)
	}
	fmt.Fprintf(out, "%s is now %s.moved: remove it when you are sure. Keys and access.yaml stay in %s.\nStart with: fairlead-server run --data %s --database …\n", old, ledgerFile, data, data)
	return nil
}

// openToMove opens the source and keeps servers away until held is closed.
func openToMove(ctx context.Context, data, database string) (from *sqlstore.Store, held io.Closer, err error) {
	if database == "" {
		l, err := openExisting(ctx, data)
		if err != nil {
			return nil, nil, err
		}
		return l.Store, l, nil
	}
	alone, err := postgres.Hold(ctx, database)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", postgres.Where(database), err)
	}
	l, err := postgres.OpenReadOnly(ctx, database, postgres.Options{})
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("%s: %w", postgres.Where(database), err), alone.Close())
	}
	return l.Store, closers{l, alone}, nil
}

// moveFiles copies photos and sound that the target does not have, and returns
// how many there are.
func moveFiles(ctx context.Context, data, database, toData, toDatabase string) (n int, err error) {
	from, fromDone, err := server.OpenFiles(ctx, data, database, true, nil)
	if err != nil {
		return 0, err
	}
	defer fromDone.Close()
	target, targetDone, err := server.OpenFiles(ctx, toData, toDatabase, false, nil)
	if err != nil {
		return 0, err
	}
	defer targetDone.Close()
	err = from.Walk(ctx, func(e blob.Entry) error {
		n++
		if blob.Check(ctx, target, e.Ref) == nil {
			return nil // from an earlier try
		}
		r, _, err := from.Open(ctx, e.SHA256)
		if err != nil {
			return err
		}
		defer r.Close()
		stored, err := target.Put(ctx, r)
		if err == nil && stored != e.Ref {
			err = blob.ErrSpoilt
		}
		return err
	})
	if err != nil {
		return n, fmt.Errorf("photos and sound: %w", err)
	}
	return n, nil
}
