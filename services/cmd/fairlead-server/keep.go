package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server"
)

// checkCommand verifies the chain and the resources of a data folder or a
// backup, also while a server has it open.
func checkCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "check [backup file]",
		Short: "Recompute the chain of changes and compare every resource with the log",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := data
			if len(args) == 1 {
				path = args[0]
			}
			s, err := sqlite.OpenReadOnly(cmd.Context(), path, sqlite.Options{})
			if err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			defer s.Close()
			r, err := s.Verify(cmd.Context())
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "changes    %d\nresources  %d\nhead       %s\n", r.Changes, r.Resources, hex.EncodeToString(r.HeadHash[:]))
			for _, p := range r.Problems {
				fmt.Fprintf(out, "problem    %v\n", p)
			}
			if len(r.Problems) > 0 {
				return fmt.Errorf("%d problems found; restore from a backup made before them, and keep this copy as evidence", len(r.Problems))
			}
			fmt.Fprintln(out, "clean")
			return nil
		},
	}
	dataFlag(cmd, &data)
	return cmd
}

func rebuildCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Throw the search index away; the next start makes it anew from the log",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			// Opening the ledger for writing proves that no server runs.
			s, err := openExisting(cmd.Context(), data)
			if err != nil {
				return err
			}
			defer s.Close()
			if err := os.RemoveAll(filepath.Join(data, server.IndexFolder)); err != nil {
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), "The search index is gone; the next start makes it anew. Figures are made anew at every start.")
			return nil
		},
	}
	dataFlag(cmd, &data)
	return cmd
}

func backupCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "backup <file>",
		Short: "Write a whole, consistent copy to a file, also while a server runs",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := sqlite.OpenReadOnly(cmd.Context(), data, sqlite.Options{})
			if err != nil {
				return err
			}
			defer s.Close()
			h, err := s.Backup(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s holds %d changes up to %s.\nAlso keep access.yaml: it says who may use the service.\n", args[0], h.Seq, hex.EncodeToString(h.Hash[:]))
			return nil
		},
	}
	dataFlag(cmd, &data)
	return cmd
}

func restoreCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "restore <file>",
		Short: "Put a backup into an empty data folder after checking it",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := sqlite.Restore(cmd.Context(), args[0], data)
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s now holds %d changes and %d resources, head %s.\n", data, r.Changes, r.Resources, hex.EncodeToString(r.HeadHash[:]))
			return nil
		},
	}
	dataFlag(cmd, &data)
	return cmd
}

func migrateCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the data to this version without serving",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := openExisting(cmd.Context(), data)
			if err != nil {
				return err
			}
			defer s.Close()
			fmt.Fprintln(cmd.OutOrStdout(), "The data is at this version.")
			return nil
		},
	}
	dataFlag(cmd, &data)
	return cmd
}

// openExisting opens a ledger for writing and makes none: a slip in --data is
// not the beginning of a new house.
func openExisting(ctx context.Context, data string) (*sqlite.Store, error) {
	if _, err := os.Stat(filepath.Join(data, ledgerFile)); err != nil {
		return nil, fmt.Errorf("%s holds no data: %w; say where it is with --data", data, err)
	}
	return sqlite.Open(ctx, data, sqlite.Options{})
}

// ledgerFile is the file in a data folder that says that it is one.
const ledgerFile = "ledger.db"

// workplaceForm is what a workplace may be called, with or without its prefix.
var workplaceForm = regexp.MustCompile(`^(workplaces/)?[a-z0-9][a-z0-9-]{0,62}$`)

// accessCommand keeps the directory of principals.
func accessCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{Use: "access", Short: "Say who may use the service"}
	open := func() (*access.Directory, error) { return access.OpenDirectory(filepath.Join(data, "access.yaml")) }

	var display string
	var roles, workplaces []string
	add := &cobra.Command{
		Use:   "add <id>",
		Short: "Add a principal and show its access token once",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := open()
			if err != nil {
				return err
			}
			p := access.Principal{Name: "principals/" + args[0], DisplayName: display}
			for _, w := range roles {
				r, ok := access.ParseRole(w)
				if !ok {
					return fmt.Errorf("--role: %q is not a role; choose from %s", w, strings.Join(access.RoleWords(), ", "))
				}
				p.Roles = append(p.Roles, r)
			}
			for _, w := range workplaces {
				if !workplaceForm.MatchString(w) {
					return fmt.Errorf("--workplace: %q is not the name of a workplace: 1 to 63 lower-case letters, digits or hyphens, such as northside", w)
				}
				p.Workplaces = append(p.Workplaces, "workplaces/"+strings.TrimPrefix(w, "workplaces/"))
			}
			if err := os.MkdirAll(data, 0o700); err != nil {
				return err
			}
			token, err := d.Add(p)
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s\n\nShown once and kept nowhere. A running server knows it within a second or two.\n", token)
			return nil
		},
	}
	add.Flags().StringVar(&display, "display", "", "what to call the principal")
	add.Flags().StringSliceVar(&roles, "role", nil, "roles: "+strings.Join(access.RoleWords(), ", "))
	add.Flags().StringSliceVar(&workplaces, "workplace", nil, "only these workplaces and what is below them")

	list := &cobra.Command{
		Use: "list", Short: "List the principals", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			d, err := open()
			if err != nil {
				return err
			}
			if d.Empty() {
				fmt.Fprintln(cmd.OutOrStdout(), "Nobody yet: the first start adds the first principal, or `access add` does.")
			}
			for _, p := range d.Principals() {
				fmt.Fprintf(cmd.OutOrStdout(), "%-24s %-24s %s %s\n", p.Name, p.DisplayName, roleWords(p.Roles), strings.Join(p.Workplaces, " "))
			}
			return nil
		},
	}
	remove := &cobra.Command{
		Use: "remove <id>", Short: "Take a principal out; its token stops working", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := open()
			if err != nil {
				return err
			}
			if err := d.Remove("principals/" + args[0]); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s is taken out. A running server knows it within a second or two.\n", args[0])
			return nil
		},
	}
	for _, c := range []*cobra.Command{add, list, remove} {
		dataFlag(c, &data)
	}
	cmd.AddCommand(add, list, remove)
	return cmd
}

func roleWords(roles []pb.Role) string {
	var words []string
	for _, r := range roles {
		words = append(words, access.RoleWord(r))
	}
	return strings.Join(words, "+")
}
