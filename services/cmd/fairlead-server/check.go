package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/server"
	"fairlead/services/server/keep"
)

// Exit codes of check, for scripts.
const (
	exitProblems   = 1
	exitNotChecked = 2
)

// exitError is an error with an exit code of its own.
type exitError struct {
	code int
	err  error
}

// Error is the error's own text.
func (e *exitError) Error() string { return e.err.Error() }

// Unwrap returns the cause.
func (e *exitError) Unwrap() error { return e.err }

// checkCommand verifies a data folder, also while a server has it open, or a
// backup.
func checkCommand() *cobra.Command {
	var data, database, backup, noted, key string
	var asJSON bool
	unable := func(err error) error {
		if err == nil {
			return nil
		}
		return &exitError{exitNotChecked, err}
	}
	cmd := &cobra.Command{
		Use:   "check [backup]",
		Short: "Recompute the chain of changes and hold everything else to it",
		Long: `Recompute the chain of changes and hold everything else to it: resources, figures,
search index, photos and sound, erasures. It changes nothing and works beside a
running server and on a backup (folder, tar file, or a single ledger file).

--checkpoint holds the log to a checkpoint that was noted elsewhere; only that
shows a log whose newest entries were cut off.

Exit code: 0 sound, 1 problems found, 2 could not be checked in full.`,
		Example: `  fairlead-server check --data /var/lib/fairlead --checkpoint noted.txt --key checkpoint.pub
  fairlead-server check --backup /mnt/backup/fairlead-2026-11-25.tar --json`,
		Args: func(cmd *cobra.Command, args []string) error { return unable(cobra.MaximumNArgs(1)(cmd, args)) },
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				backup = args[0]
			}
			plan := keep.CheckPlan{Data: data, Codes: classify.NewTables(toocs.Default())}
			for path, to := range map[string]*[]byte{noted: &plan.Checkpoint, key: &plan.Key} {
				if path == "" {
					continue
				}
				text, err := os.ReadFile(path)
				if err != nil {
					return unable(err)
				}
				*to = text
			}
			r, err := check(cmd.Context(), database, backup, plan)
			if err != nil {
				return unable(err)
			}
			return sayChecked(cmd.OutOrStdout(), r, asJSON)
		},
	}
	cmd.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return unable(err) })
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	before := cmd.PreRunE
	cmd.PreRunE = func(cmd *cobra.Command, args []string) error { return unable(before(cmd, args)) }
	f := cmd.Flags()
	f.StringVar(&backup, "backup", "", "check this backup and not a data folder")
	f.StringVar(&noted, "checkpoint", "", "checkpoint noted elsewhere that the log must agree with")
	f.StringVar(&key, "key", "", "public key that the checkpoint must be signed with")
	f.BoolVar(&asJSON, "json", false, "print the result as JSON")
	return cmd
}

func check(ctx context.Context, database, backup string, plan keep.CheckPlan) (*keep.Checked, error) {
	if backup != "" {
		if info, err := os.Stat(backup); err != nil || !info.IsDir() || holdsData(backup) != nil || isBackup(backup) {
			return keep.CheckBackup(ctx, backup, plan)
		}
		plan.Data, database = backup, ""
	}
	l, err := openReading(ctx, plan.Data, database)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	if database != "" {
		store, closer, err := server.OpenFiles(ctx, plan.Data, database, true, nil)
		if err != nil {
			return nil, err
		}
		defer closer.Close()
		plan.Files = store
	}
	return keep.Check(ctx, l, plan)
}

// isBackup tells the folder of a backup from a data folder.
func isBackup(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, "manifest.txt"))
	return err == nil
}

func sayChecked(out io.Writer, r *keep.Checked, asJSON bool) error {
	var result error
	switch n := len(r.Findings); {
	case n > 0:
		result = &exitError{exitProblems, fmt.Errorf("problems found: %d; a damaged search index is mended by `rebuild`; for the rest restore from a backup made before, and keep this copy as evidence", n)}
	case len(r.Unchecked) > 0:
		result = &exitError{exitNotChecked, errors.New("not everything could be checked")}
	}
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		err := enc.Encode(struct {
			Sound bool          `json:"sound"`
			First *keep.Finding `json:"first_broken,omitempty"`
			*keep.Checked
		}{r.Sound(), r.First(), r})
		return errors.Join(result, err)
	}
	if first := r.First(); first != nil {
		fmt.Fprintf(out, "first broken  %v\n\n", *first)
	}
	fmt.Fprintf(out, "changes       %d\nresources     %d\nerased        %d\nhead          %s\nreports       %d\npersons hurt  %d\nhours rows    %d\nattachments   %d\n",
		r.Changes, r.Resources, r.Erased, r.Head, r.Reports, r.People, r.Hours, r.Attachments)
	for _, one := range []struct {
		word string
		list []keep.Finding
	}{{"problem", r.Findings}, {"not checked", r.Unchecked}, {"note", r.Notes}} {
		for _, f := range one.list {
			fmt.Fprintf(out, "%-13s %v\n", one.word, f)
		}
	}
	if result == nil {
		fmt.Fprintln(out, "clean")
	}
	return result
}
