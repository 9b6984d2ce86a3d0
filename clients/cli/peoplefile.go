package cli

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/cli/page"
	"fairlead/clients/peoplefile"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) peopleImportCommand() *cobra.Command {
	var check, change bool
	var encoding string
	c := &cobra.Command{
		Use:   "import FILE",
		Short: "Bring in people from a table: joiners, movers and leavers, all of it or nothing",
		Long: `Bring in people from a table. The first line names the columns:

  name,role,workplaces,sign_in_name,on_tablets,left
  R. Fern,supervisor,northside-trees,r.fern,yes,no

All but name and role may be left out. The same file again changes nothing, and
whoever is not in it stays as they are. Those who are there already are changed
only with --change; those with yes in the column left have left. "-" reads
standard input.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			in := s.env.In
			if args[0] != "-" {
				f, err := os.Open(args[0])
				if err != nil {
					return err
				}
				defer f.Close()
				in = f
			}
			list, err := peoplefile.Read(in, encoding)
			if err != nil {
				return err
			}
			if change && !list.Where {
				return usagef("--change: the file has no column workplaces, so whoever is in it would reach every workplace; add the column")
			}
			return s.importPeople(cmd, list, change, check)
		},
	}
	c.Flags().BoolVar(&check, "check", false, "say what would become of each row; nothing is stored")
	c.Flags().BoolVar(&change, "change", false, "also change those who are there already and stand otherwise in the file")
	c.Flags().StringVar(&encoding, "encoding", "", "utf-8, utf-16 or windows-1252; without it found from the file")
	return c
}

func (s *session) importPeople(cmd *cobra.Command, list *peoplefile.List, change, check bool) error {
	c, err := s.dial()
	if err != nil {
		return err
	}
	wrong := list.Problems
	out := &pb.ImportPrincipalsResponse{}
	if len(list.Rows) > 0 {
		// With something to mend already, only what else there is to mend.
		out, err = c.Principals.ImportPrincipals(cmd.Context(), list.Request(change, check || len(wrong) > 0))
	}
	switch status.Code(err) {
	case codes.OK:
	case codes.InvalidArgument:
		for _, d := range status.Convert(err).Details() {
			if bad, ok := d.(*errdetails.BadRequest); ok {
				for _, v := range bad.GetFieldViolations() {
					wrong = append(wrong, list.At(v.GetField(), v.GetDescription()))
				}
			}
		}
	default:
		return err
	}
	if len(wrong) > 0 {
		peoplefile.Sort(wrong)
		lines := make([]string, 0, len(wrong))
		for _, p := range wrong {
			lines = append(lines, p.String())
		}
		return fmt.Errorf("nothing was stored; mend these and bring the file in again:\n  %s", strings.Join(lines, "\n  "))
	}
	return s.show(out, func(p *page.Page) {
		for _, r := range out.GetRows() {
			p.Linef("line %d: %s", r.GetLine(), words.ImportStep(r))
		}
		p.Linef("%s", words.Imported(out, check))
	})
}
