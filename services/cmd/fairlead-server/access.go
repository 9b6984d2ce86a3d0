package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

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
	matrix := &cobra.Command{
		Use: "matrix", Short: "Print which role may do what, on which condition", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return access.NewPolicy().PrintMatrix(cmd.OutOrStdout()) },
	}
	cmd.AddCommand(matrix, add, list, remove)
	return cmd
}

func roleWords(roles []pb.Role) string {
	var words []string
	for _, r := range roles {
		words = append(words, access.RoleWord(r))
	}
	return strings.Join(words, "+")
}
