package cli

import (
	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) tellerCommand() *cobra.Command {
	var reason string
	var keeper bool
	c := &cobra.Command{
		Use:   "teller REPORT",
		Short: "Open who told a report; opening what was told in confidence is recorded",
		Long: `Open who told a report. When it was told in confidence a reason is needed, and
the opening is recorded in the log with that reason; whoever told can read it.
A name that is closed to keepers needs --keeper. An anonymous report has no
teller.`,
		Example: `  fairlead teller 7KQ-2MX-4 --reason "must ask which guard was off before the press runs again"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			report, err := s.get(ctx, args[0])
			if err != nil {
				return err
			}
			req := &pb.GetTellerRequest{Name: report.GetName() + "/teller", Reason: reason}
			if keeper {
				if req.Passphrase, err = s.passphrase(cmd, "Your passphrase as a keeper: "); err != nil {
					return err
				}
			}
			r, err := s.client.Reports.GetTeller(ctx, req)
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				p.Linef("%s", orNone(r.GetDisplayName(), "No name was given."))
				p.Linef("%s", orNone(r.GetContact(), "No way to reach the teller was given."))
				if r.GetPerson() != "" {
					p.Linef("Person: %s", words.Short(r.GetPerson()))
				}
			})
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why it must be known, 10 to 1,000 characters; needed when it was told in confidence")
	c.Flags().BoolVar(&keeper, "keeper", false, "open it with your passphrase as a keeper, read from standard input")
	return c
}

func orNone(s, none string) string {
	if s == "" {
		return none
	}
	return s
}
