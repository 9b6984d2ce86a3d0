package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"fairlead/services/changes"
	"fairlead/services/checkpoint"
	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/masking"
	"fairlead/services/search"
	"fairlead/services/server"
	"fairlead/services/server/keep"
	"fairlead/services/workplace"
)

// ledgerFile is the file in a data folder that says that it is one.
const ledgerFile = "ledger.db"

// openExisting opens a ledger for writing and makes none: a slip in --data is
// not the beginning of a new house.
func openExisting(ctx context.Context, data string) (*sqlite.Store, error) {
	if err := holdsData(data); err != nil {
		return nil, err
	}
	return sqlite.Open(ctx, data, sqlite.Options{})
}

func holdsData(data string) error {
	if _, err := os.Stat(filepath.Join(data, ledgerFile)); err != nil {
		return fmt.Errorf("%s holds no data: %w; say where it is with --data", data, err)
	}
	return nil
}

// openReading opens a ledger beside servers that may be running on it: that of a
// data folder, or the one in a database.
func openReading(ctx context.Context, data, database string) (ledger.Ledger, error) {
	if database != "" {
		l, err := postgres.OpenReadOnly(ctx, database, postgres.Options{})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", postgres.Where(database), err)
		}
		return l, nil
	}
	if err := holdsData(data); err != nil {
		return nil, err
	}
	return sqlite.OpenReadOnly(ctx, data, sqlite.Options{})
}

// openAlone opens a ledger for reading and makes sure that no server uses the
// data folder meanwhile.
func openAlone(ctx context.Context, data, database string) (ledger.Ledger, io.Closer, error) {
	if database == "" {
		l, err := openExisting(ctx, data)
		return l, l, err
	}
	held, err := sqlite.Hold(data)
	if err != nil {
		return nil, nil, err
	}
	l, err := openReading(ctx, data, database)
	if err != nil {
		return nil, nil, errors.Join(err, held.Close())
	}
	return l, closers{l, held}, nil
}

// closers closes one after the other.
type closers []io.Closer

// Close implements io.Closer.
func (c closers) Close() error {
	var errs []error
	for _, one := range c {
		errs = append(errs, one.Close())
	}
	return errors.Join(errs...)
}

func rebuildCommand() *cobra.Command {
	var data, database string
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Throw the search index away and make it anew from the log",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			l, done, err := openAlone(ctx, data, database)
			if err != nil {
				return err
			}
			defer done.Close()
			tree := workplace.NewTree(l, time.Now)
			if err := tree.CatchUp(ctx); err != nil {
				return err
			}
			covers := masking.NewCovers(l)
			if err := covers.CatchUp(ctx); err != nil {
				return err
			}
			index, err := search.Open(filepath.Join(data, server.IndexFolder), l, tree, search.Options{Fresh: true, Covers: covers})
			if err != nil {
				return err
			}
			defer index.Close()
			if err := index.CatchUp(ctx); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "The search index is made anew, up to change %d. Figures are made anew at every start.\n", index.Seq())
			return nil
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	return cmd
}

func backupCommand() *cobra.Command {
	var data, database string
	cmd := &cobra.Command{
		Use:   "backup <folder or file.tar>",
		Short: "Write a whole, checked copy of everything, also while the server runs",
		Long: `Write a whole copy of everything, also while the server runs: the record, photos
and sound, who may use the service, and the keys of tablets. A name that ends in
.tar makes one file, any other a folder. The copy is checked before it gets its
name, and nothing is overwritten.

It holds everything that was told: keep it as safe as the service, and on another
machine.`,
		Example: "  fairlead-server backup --data /var/lib/fairlead /mnt/backup/fairlead-$(date +%F).tar",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			l, err := openReading(cmd.Context(), data, database)
			if err != nil {
				return err
			}
			defer l.Close()
			source, ok := l.(keep.Source)
			if !ok {
				return errors.New("the ledger in this database cannot be copied by this program; use the database's own backup, and copy the data folder")
			}
			plan := keep.BackupPlan{Data: data, Dest: args[0]}
			if database != "" {
				store, done, err := server.OpenFiles(cmd.Context(), data, database, true, nil)
				if err != nil {
					return err
				}
				defer done.Close()
				plan.Files = store
			}
			made, err := keep.Backup(cmd.Context(), source, plan)
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "%s holds %d changes up to %x, and %d photos and sounds.\n", args[0], made.Head.Seq, made.Head.Hash, made.Attachments)
			fmt.Fprintln(out, "Checked and on disk. It holds everything that was told: keep it as safe as the service.")
			if !made.Signed {
				fmt.Fprintln(out, "It has no signed checkpoint: there is no key yet, or nothing to sign.")
			}
			return nil
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	return cmd
}

func restoreCommand() *cobra.Command {
	var data, until, erasures, key string
	cmd := &cobra.Command{
		Use:   "restore <backup>",
		Short: "Check a backup, put it into an empty data folder, and say what it holds",
		Long: `Check a backup in full, put it into a data folder that is empty or not there yet,
and say what it holds. Nothing is ever overwritten.

--until goes back to an earlier moment: everything after that change, or after
that time, is left out. What was erased later stays erased.

--erasures repeats on an older backup what was erased since: give it a newer
backup, or the list that "fairlead-server erasures" writes.`,
		Example: `  fairlead-server restore /mnt/backup/fairlead-2026-11-25.tar --data /var/lib/fairlead
  fairlead-server restore old.tar --data /var/lib/fairlead --erasures newest.tar
  fairlead-server restore new.tar --data look --until 2026-11-24T18:00:00+11:00`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			p := keep.RestorePlan{Source: args[0], Data: data}
			var err error
			if until != "" {
				if p.Until, p.UntilTime, err = moment(until); err != nil {
					return err
				}
			}
			if erasures != "" {
				if p.Erasures, err = keep.OpenErasures(erasures); err != nil {
					return err
				}
			}
			if key != "" {
				if p.Key, err = os.ReadFile(key); err != nil {
					return err
				}
			}
			r, err := keep.Restore(cmd.Context(), p)
			if err != nil {
				return err
			}
			sayRestored(cmd.OutOrStdout(), data, r)
			return nil
		},
	}
	dataFlag(cmd, &data)
	f := cmd.Flags()
	f.StringVar(&until, "until", "", "last change to keep, by its number, or a time such as 2026-11-24T18:00:00+11:00")
	f.StringVar(&erasures, "erasures", "", "list of erasures, or a newer backup, to repeat on this one")
	f.StringVar(&key, "key", "", "public key (checkpoint.pub, kept elsewhere) that the backup must be signed with")
	return cmd
}

// moment reads the number of a change or a time.
func moment(s string) (int64, time.Time, error) {
	if n, err := strconv.ParseInt(s, 10, 64); err == nil && n > 0 {
		return n, time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return 0, t, fmt.Errorf("--until: %q must be the number of a change, 1 or more, or a time such as 2026-11-24T18:00:00+11:00", s)
	}
	return 0, t, nil
}

func sayRestored(out io.Writer, data string, r keep.Restored) {
	fmt.Fprintf(out, "%s now holds %d changes, head %x", data, r.Head.Seq, r.Head.Hash)
	if r.Head.Seq > 0 {
		fmt.Fprintf(out, ", the last of %s", r.Head.Time.Format("2006-01-02 15:04Z"))
	}
	fmt.Fprintln(out, ".")
	if !r.Made.IsZero() {
		fmt.Fprintf(out, "The backup was made %s and ends with change %d.\n", r.Made.Format("2006-01-02 15:04Z"), r.Source.Seq)
	}
	if r.SchemaFrom != r.SchemaTo {
		fmt.Fprintf(out, "It was brought from schema %d to %d.\n", r.SchemaFrom, r.SchemaTo)
	}
	for _, k := range r.Kinds {
		fmt.Fprintf(out, "  %-16s %d\n", k.Kind, k.N)
	}
	fmt.Fprintf(out, "Photos and sounds: %d, all whole.\n", r.Attachments-r.Missing)
	if r.Missing > 0 {
		fmt.Fprintf(out, "%d more were removed after that moment, and their bytes are gone.\n", r.Missing)
	}
	fmt.Fprintf(out, "Erased for good: %d changes.\n", r.Erased)
	if r.Repeated > 0 {
		fmt.Fprintf(out, "Erased again just now: %d names.\n", r.Repeated)
	}
	fmt.Fprintf(out, "Chain: whole. Checkpoint: %s.\n", r.Checkpoint)
	if !r.Access {
		fmt.Fprintln(out, "It has no access.yaml: the first start makes a first principal and shows its token.")
	}
	fmt.Fprintln(out, "The next start makes the search index anew, and a new key for checkpoints unless you put the old checkpoint.key back.")
}

func erasuresCommand() *cobra.Command {
	var data, database, to string
	cmd := &cobra.Command{
		Use:   "erasures",
		Short: "List what was erased, so that it can be erased again from an older backup",
		Long: `List what was erased: names, and what was left in their place. Every backup holds
this list as it was then; keep a newer one apart from older backups, as safe as
them, and give it to "fairlead-server restore --erasures".`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			l, err := openReading(cmd.Context(), data, database)
			if err != nil {
				return err
			}
			defer l.Close()
			list, err := keep.Erasures(cmd.Context(), l)
			if err != nil {
				return err
			}
			err = writeNew(cmd.OutOrStdout(), to, func(w io.Writer) error { return keep.WriteErasures(w, list) })
			if err == nil && to != "" {
				fmt.Fprintf(cmd.OutOrStdout(), "%s lists %d names.\n", to, len(list))
			}
			return err
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	cmd.Flags().StringVar(&to, "out", "", "file to write; without it, standard output")
	return cmd
}

func checkpointCommand() *cobra.Command {
	var data, database, to string
	cmd := &cobra.Command{
		Use:   "checkpoint",
		Short: "Sign the end of the log, for somebody outside to keep",
		Long: `Sign the end of the log: seven lines of text. Whoever keeps them outside can prove
later that nothing before was altered or taken out. Give the public key,
checkpoint.pub in the data folder, to them once, by another way.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			l, err := openReading(cmd.Context(), data, database)
			if err != nil {
				return err
			}
			defer l.Close()
			key, err := checkpoint.Read(data)
			if err != nil {
				return err
			}
			signed, err := changes.SignHead(cmd.Context(), l, key, time.Now())
			if err != nil {
				return err
			}
			err = writeNew(cmd.OutOrStdout(), to, func(w io.Writer) error { _, err := w.Write(signed.Text()); return err })
			if err == nil && to != "" {
				fmt.Fprintf(cmd.OutOrStdout(), "%s is signed for change %d.\n", to, signed.Seq)
			}
			return err
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	cmd.Flags().StringVar(&to, "out", "", "file to write; without it, standard output")
	return cmd
}

// writeNew writes to a new file that only its owner can read, or to out when
// there is no name.
func writeNew(out io.Writer, path string, write func(io.Writer) error) error {
	if path == "" {
		return write(out)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Close()
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

func migrateCommand() *cobra.Command {
	var data, database string
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the data to this version without serving",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if database != "" {
				return migrateDatabase(cmd.Context(), cmd.OutOrStdout(), database)
			}
			if err := holdsData(data); err != nil {
				return err
			}
			from, to, err := sqlite.Schema(cmd.Context(), data)
			if err != nil {
				return err
			}
			s, err := openExisting(cmd.Context(), data)
			if err != nil {
				return err
			}
			defer s.Close()
			if from == to {
				fmt.Fprintf(cmd.OutOrStdout(), "The data is at this version: schema %d.\n", to)
				return nil
			}
			fmt.Fprintf(cmd.OutOrStdout(), "The data was brought from schema %d to %d. Older programs cannot open it any more.\n", from, to)
			return nil
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	return cmd
}
