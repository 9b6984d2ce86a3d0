package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/api"
	"fairlead/clients/cli/page"
	"fairlead/clients/hoursfile"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) hoursCommand() *cobra.Command {
	c := &cobra.Command{Use: "hours", Short: "Hours worked: bring them in, list them", Args: cobra.NoArgs, RunE: needsSub}
	c.AddCommand(s.hoursImportCommand(), s.hoursListCommand())
	return c
}

func (s *session) hoursImportCommand() *cobra.Command {
	var check, restate bool
	var reason, requestID string
	c := &cobra.Command{
		Use:   "import FILE",
		Short: "Bring hours in from a table, all rows or none",
		Long: `Bring hours in from a table, all rows or none. The first line names the columns:

  workplace,month,employment_group,hours_worked,head_count,source,status
  northside,2026-03,employee,11840.5,72,payroll,final

head_count, source and status may be left out. Leave out a row whose hours are not
known: missing is not zero. The same file again changes nothing; a figure that
differs from what is stored needs --restate and --reason, so that a slip cannot
rewrite last year. "-" reads standard input.`,
		Example: "  fairlead hours import --check hours.csv",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if restate && reason == "" {
				return usagef("--restate needs --reason: why stored figures change")
			}
			in := s.env.In
			if args[0] != "-" {
				f, err := os.Open(args[0])
				if err != nil {
					return err
				}
				defer f.Close()
				in = f
			}
			return s.importHours(cmd.Context(), in, &pb.ImportHoursRequest{ValidateOnly: check, Restate: restate, Reason: reason, RequestId: requestID})
		},
	}
	c.Flags().BoolVar(&check, "check", false, "check only; nothing is stored")
	c.Flags().BoolVar(&restate, "restate", false, "store figures that differ from what is kept")
	c.Flags().StringVar(&reason, "reason", "", "why figures are restated")
	c.Flags().StringVar(&requestID, "request-id", "", "id of this request, a UUID")
	return c
}

func (s *session) importHours(ctx context.Context, in io.Reader, req *pb.ImportHoursRequest) error {
	rows, problems, err := hoursfile.Read(in)
	if err != nil {
		return err
	}
	c, err := s.dial()
	if err != nil {
		return err
	}
	req.Rows = rows
	if len(problems) > 0 {
		// Ask about the other rows all the same, so that everything wrong
		// is said at once.
		if len(rows) > 0 {
			req.ValidateOnly = true
			_, err := c.Hours.ImportHours(ctx, req)
			more, err := hoursProblems(err, rows)
			if err != nil {
				return err
			}
			problems = append(problems, more...)
		}
		return s.sayHours(problems)
	}
	r, err := c.Hours.ImportHours(ctx, req)
	if err != nil {
		found, other := hoursProblems(err, rows)
		if other != nil || len(found) == 0 {
			return err
		}
		return s.sayHours(found)
	}
	return s.show(r, func(p *page.Page) {
		stored := "Stored"
		if req.GetValidateOnly() {
			stored = "Nothing was stored. It would be"
		}
		p.Linef("%s: %d new, %d restated, %d as they were.", stored, r.GetCreated(), r.GetRestated(), r.GetUnchanged())
		for _, w := range r.GetWarnings() {
			p.Item(fmt.Sprintf("line %d, %s: %s", w.GetLine(), w.GetColumn(), w.GetDescription()))
		}
	})
}

// hoursProblems turns the violations of a refusal into problems of lines; an
// error of another kind comes back as it is.
func hoursProblems(err error, rows []*pb.HoursRow) ([]hoursfile.Problem, error) {
	p, ok := api.ProblemOf(err)
	if err == nil || !ok || len(p.Violations) == 0 {
		return nil, err
	}
	var out []hoursfile.Problem
	for _, v := range p.Violations {
		var i int
		var column string
		if n, _ := fmt.Sscanf(v.Field, "rows[%d].%s", &i, &column); n < 1 || i < 0 || i >= len(rows) {
			return nil, err
		}
		line := int(rows[i].GetLine())
		column = column[strings.LastIndexByte(column, '.')+1:]
		// The service names line and column too, for callers that have no file.
		cure := strings.TrimPrefix(v.Cure, fmt.Sprintf("line %d, column %s: ", line, column))
		out = append(out, hoursfile.Problem{Line: line, Column: column, Cure: cure})
	}
	return out, nil
}

func (s *session) sayHours(problems []hoursfile.Problem) error {
	slices.SortStableFunc(problems, func(a, b hoursfile.Problem) int { return a.Line - b.Line })
	fmt.Fprintln(s.env.Err, "Nothing was stored. Mend these and send the file again:")
	const most = 100
	for i, p := range problems {
		if i == most {
			fmt.Fprintf(s.env.Err, "  and %d more\n", len(problems)-most)
			break
		}
		at := fmt.Sprintf("  line %d", p.Line)
		if p.Column != "" {
			at += ", " + p.Column
		}
		if p.Value != "" {
			at += fmt.Sprintf(" (%s)", p.Value)
		}
		fmt.Fprintln(s.env.Err, page.Clean(at+": "+p.Cure))
	}
	return failf("%d to mend.", len(problems))
}

func (s *session) hoursListCommand() *cobra.Command {
	var workplace, from, to string
	past := &pastFlag{}
	c := &cobra.Command{
		Use:     "list",
		Short:   "List stored hours by workplace and month",
		Example: "  fairlead hours list --workplace northside --from 2025-07 --to 2026-06",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			req := &pb.ListHoursRequest{Workplace: scope(workplace), PageSize: 5000}
			if from != "" {
				m, err := month("from", from)
				if err != nil {
					return err
				}
				req.StartMonth = m.Format("2006-01")
			}
			if to != "" {
				m, err := month("to", to)
				if err != nil {
					return err
				}
				req.EndMonth = m.AddDate(0, 1, 0).Format("2006-01")
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			if req.AsAt, err = past.read(cmd.Context(), s); err != nil {
				return err
			}
			all := &pb.ListHoursResponse{AsAt: req.AsAt}
			for h, err := range c.ListHours(cmd.Context(), req) {
				if err != nil {
					return err
				}
				all.Hours = append(all.Hours, h)
			}
			return s.show(all, func(p *page.Page) { past.show(p); showHours(p, all) })
		},
	}
	c.Flags().StringVarP(&workplace, "workplace", "w", ".", "this workplace and those below it")
	c.Flags().StringVar(&from, "from", "", "first month")
	c.Flags().StringVar(&to, "to", "", "last month")
	past.add(c)
	return c
}

func showHours(p *page.Page, l *pb.ListHoursResponse) {
	if len(l.GetHours()) == 0 {
		p.Linef("No hours. They come in with: fairlead hours import FILE")
		return
	}
	var rows [][]string
	for _, h := range l.GetHours() {
		heads := ""
		if h.HeadCount != nil {
			heads = page.Rate(h.GetHeadCount())
		}
		note := h.GetSource()
		if h.GetStatus() == pb.HoursStatus_HOURS_STATUS_PROVISIONAL {
			note = "provisional; " + note
		}
		if h.GetRestateReason() != "" {
			note += "; restated: " + h.GetRestateReason()
		}
		rows = append(rows, []string{words.Short(h.GetWorkplace()), h.GetMonth(), words.Of(h.GetEmploymentGroup()), page.Rate(h.GetHoursWorked()), heads, note})
	}
	p.Table([]page.Column{{Head: "workplace"}, {Head: "month"}, {Head: "group"}, {Head: "hours", Right: true}, {Head: "heads", Right: true}, {Head: "source"}}, rows)
}
