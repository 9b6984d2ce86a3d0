package cli

import (
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) eraseCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "erase",
		Short: "Take out who somebody is, who told, or some words; it cannot be undone",
		Long: `Take out who a person is, who told a report, or some of a report's words, in all
versions. Without --for-good it only says what would be erased. What was written
is then gone from the record, and the chain of the log still verifies. Nothing
under a hold is erased. Backups made before keep what they hold.`,
		Example: `  fairlead erase person p-0190a1 --reason "left, and asked to be forgotten"
  fairlead erase person p-0190a1 --reason "left, and asked to be forgotten" --for-good`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	c.AddCommand(s.erasePersonCommand(), s.eraseTellerCommand(), s.eraseTextCommand())
	return c
}

// eraseFlags are on every erasure.
type eraseFlags struct {
	reason, requestID string
	dry, forGood      bool
}

func (f *eraseFlags) add(c *cobra.Command) {
	fl := c.Flags()
	fl.StringVar(&f.reason, "reason", "", "why; it stays on record, so do not say who or what")
	fl.BoolVar(&f.forGood, "for-good", false, "erase it; it cannot be undone")
	fl.BoolVar(&f.dry, "dry-run", false, "only say what would be erased (as without --for-good)")
	fl.StringVar(&f.requestID, "request-id", "", "id of this request, a UUID")
	c.MarkFlagsMutuallyExclusive("dry-run", "for-good")
}

func (s *session) erased(r *pb.EraseResponse, f *eraseFlags) error {
	return s.show(r, func(p *page.Page) {
		var rows [][]string
		for _, e := range r.GetErased() {
			rows = append(rows, []string{e.GetName(), e.GetWhat(), page.Count(float64(e.GetVersions()))})
		}
		if len(rows) == 0 {
			p.Linef("Nothing to erase.")
		} else {
			p.Table([]page.Column{{Head: "what"}, {Head: "which part"}, {Head: "versions", Right: true}}, rows)
		}
		if len(r.GetReportsToRead()) > 0 {
			p.Heading("Reports that somebody should read")
			p.Para("People are also named in what others wrote. After the erasure nothing says which these were: write them down now.", 0)
			for _, name := range r.GetReportsToRead() {
				p.Linef("  %s", words.Short(name))
			}
		}
		for _, n := range r.GetNotes() {
			p.Item(n)
		}
		p.Blank()
		if f.forGood {
			p.Linef("Erased. Change %d.", r.GetSequenceNumber())
			return
		}
		p.Linef("Nothing was erased. Add --for-good to erase it; it cannot be undone.")
	})
}

func (s *session) erasePersonCommand() *cobra.Command {
	f := &eraseFlags{}
	c := &cobra.Command{
		Use:   "person ID",
		Short: "Take out who a person is, everywhere",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Retention.ErasePerson(cmd.Context(), &pb.ErasePersonRequest{Name: words.Person(args[0]), Reason: f.reason,
				RequestId: f.requestID, ValidateOnly: !f.forGood})
			if err != nil {
				return err
			}
			return s.erased(r, f)
		},
	}
	f.add(c)
	return c
}

func (s *session) eraseTellerCommand() *cobra.Command {
	f := &eraseFlags{}
	c := &cobra.Command{
		Use:   "teller REPORT",
		Short: "Take out who told a report",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			report, err := s.get(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			r, err := s.client.Retention.EraseTeller(cmd.Context(), &pb.EraseTellerRequest{Name: report.GetName() + "/teller", Reason: f.reason,
				RequestId: f.requestID, ValidateOnly: !f.forGood})
			if err != nil {
				return err
			}
			return s.erased(r, f)
		},
	}
	f.add(c)
	return c
}

func (s *session) eraseTextCommand() *cobra.Command {
	f := &eraseFlags{}
	var instead []string
	c := &cobra.Command{
		Use:   "text REPORT",
		Short: "Put other words in the place of some of a report's, in all versions",
		Long: `Put other words in the place of some of a report's, in all its versions, so that
what stood there is gone. The words are narrative, spot, task_before,
done_right_away, who_could_be_hurt, damage, void_reason, release.substance,
release.steps_taken, origin.title, origin.attributes, reasons (of amendments and
outcomes), harms.ID.description and codings.ID.note.`,
		Example: `  fairlead erase text 7KQ-2MX-4 --put narrative="A branch came down on the crew." --put spot= --reason "it named somebody"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var texts []*pb.TextInstead
			for _, t := range instead {
				field, text, ok := strings.Cut(t, "=")
				if !ok {
					return usagef("--put: write the field, =, and what stands there instead, such as --put spot=")
				}
				texts = append(texts, &pb.TextInstead{Field: strings.TrimSpace(field), Text: text})
			}
			if len(texts) == 0 {
				return usagef("--put is needed: which words, and what stands there instead")
			}
			report, err := s.get(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			r, err := s.client.Retention.EraseReportText(cmd.Context(), &pb.EraseReportTextRequest{Name: report.GetName(), Etag: report.GetEtag(),
				Texts: texts, Reason: f.reason, RequestId: f.requestID, ValidateOnly: !f.forGood})
			if err != nil {
				return err
			}
			return s.erased(r, f)
		},
	}
	c.Flags().StringArrayVar(&instead, "put", nil, "FIELD=TEXT: which words, and what stands there instead (again for another)")
	f.add(c)
	return c
}
