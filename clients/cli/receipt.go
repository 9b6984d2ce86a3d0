package cli

import (
	"bufio"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// receiptCommand is for whoever told something and has the receipt.
func (s *session) receiptCommand() *cobra.Command {
	var answer, say, request string
	var notFixed bool
	c := &cobra.Command{
		Use:   "receipt CODE",
		Short: "What came of a report, for whoever holds its receipt; answer, or say that it is not fixed",
		Long: `Show what came of a report, by the code on the receipt. Nobody need sign in, no
name is said, and nothing of what was told is repeated.

Others on this machine may see the code here; give - to read it from standard
input.`,
		Example: `  fairlead receipt 7KQ2-MX4H-WPN8-3ZRTA
  fairlead receipt 7KQ2-MX4H-WPN8-3ZRTA --say "The third step, by the wash bay"
  fairlead receipt 7KQ2-MX4H-WPN8-3ZRTA --not-fixed`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, code := cmd.Context(), args[0]
			client, err := s.dial()
			if err != nil {
				return err
			}
			if code == "-" {
				a := &asker{ctx: ctx, in: bufio.NewReader(s.env.In), out: s.env.Err}
				if code, err = a.line("Receipt code: "); err != nil {
					return err
				}
			}
			if say != "" || notFixed {
				req := &pb.AddMessageRequest{Code: code, Text: say, NotFixed: notFixed, RequestId: request}
				if answer != "" {
					list, err := client.Receipts.ListMessages(ctx, &pb.ListMessagesRequest{Code: code})
					if err != nil {
						return err
					}
					if req.Answers = numbered(list.GetMessages(), answer); req.Answers == "" {
						return failf("There is no message %s; look at the numbers first.", answer)
					}
				}
				if _, err := client.Receipts.AddMessage(ctx, req); err != nil {
					return err
				}
			}
			p, err := client.Receipts.GetProgress(ctx, &pb.GetProgressRequest{Code: code})
			if err != nil {
				return err
			}
			list, err := client.Receipts.ListMessages(ctx, &pb.ListMessagesRequest{Code: code})
			if err != nil {
				return err
			}
			return s.show(p, func(out *page.Page) { showProgress(out, p, list.GetMessages()) })
		},
	}
	f := c.Flags()
	f.StringVar(&say, "say", "", "what you want to say, to 4,000 characters")
	f.StringVar(&answer, "answers", "", "number of the message that this answers")
	f.BoolVar(&notFixed, "not-fixed", false, "it is not fixed")
	f.StringVar(&request, "request-id", "", "id of a message sent before, to send it again")
	return c
}

func showProgress(out *page.Page, p *pb.Progress, list []*pb.ReportMessage) {
	out.Linef("Report %s. %s", p.GetShortCode(), p.GetSummary())
	for _, s := range p.GetSteps() {
		out.Item(s.GetDate() + ": " + s.GetWords())
	}
	showMessages(out, list, "You", "They")
	out.Linef("")
	out.Linef("%s", p.GetAboutName())
	for _, o := range p.GetNameOpenings() {
		out.Item("opened on " + o.GetDate() + ": " + orNone(o.GetReason(), "the reason is no longer kept"))
	}
}

// showMessages lists messages with their numbers.
func showMessages(out *page.Page, list []*pb.ReportMessage, teller, house string) {
	for _, m := range list {
		who := house
		if m.GetSide() == pb.MessageSide_MESSAGE_SIDE_TELLER {
			who = teller
		} else if m.GetAuthor() != "" {
			who = words.Short(m.GetAuthor())
		}
		out.Linef("")
		out.Linef("%d. %s, %s%s", m.GetNumber(), who, m.GetDate(), kindOf(m))
		if m.GetWordsHidden() {
			out.Linef("   (words that are kept from you: they may tell who it is)")
		} else if m.GetText() != "" {
			out.Para(m.GetText(), 3)
		}
		if m.GetAcknowledgeDate() != "" {
			out.Linef("   read on %s", m.GetAcknowledgeDate())
		}
	}
}

func kindOf(m *pb.ReportMessage) string {
	switch m.GetKind() {
	case pb.MessageKind_MESSAGE_KIND_QUESTION:
		return ": a question"
	case pb.MessageKind_MESSAGE_KIND_PROGRESS:
		return ": " + words.Of(m.GetStage())
	case pb.MessageKind_MESSAGE_KIND_NOT_FIXED:
		return ": it is not fixed"
	}
	return ""
}

// askCommand puts a question to whoever told a report, and says what was done.
func (s *session) askCommand() *cobra.Command {
	var request string
	var stage enumFlag[pb.ProgressStage]
	c := &cobra.Command{
		Use:   "ask REPORT [QUESTION]",
		Short: "Ask whoever told a report, say what was done, and read the answers",
		Long: `Ask whoever told a report, without knowing who it is: they read it by the code
on their receipt. With --stage the words say what was done instead. Without
words, everything asked, told and answered so far is shown.`,
		Example: `  fairlead ask 7KQ-2MX-4 "Which step was it?"
  fairlead ask 7KQ-2MX-4 --stage made-safe "The step is taped off."
  fairlead ask 7KQ-2MX-4`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			r, err := s.get(ctx, args[0])
			if err != nil {
				return err
			}
			switch {
			case len(args) == 2 && stage.value != 0:
				_, err = s.client.Messages.TellProgress(ctx, &pb.TellProgressRequest{Report: r.GetName(), Stage: stage.value, Text: args[1], RequestId: request})
			case len(args) == 2:
				_, err = s.client.Messages.AskTeller(ctx, &pb.AskTellerRequest{Report: r.GetName(), Text: args[1], RequestId: request})
			case stage.value != 0:
				return failf("Say what was done, in words after the report.")
			}
			if err != nil {
				return err
			}
			list, err := s.client.Messages.ListReportMessages(ctx, &pb.ListReportMessagesRequest{Report: r.GetName()})
			if err != nil {
				return err
			}
			return s.show(list, func(out *page.Page) {
				if len(list.GetMessages()) == 0 {
					out.Linef("Nothing was asked, told or answered yet.")
				}
				showMessages(out, list.GetMessages(), "Who told it", "The house")
			})
		},
	}
	c.Flags().Var(&stage, "stage", "say how far it has come: made-safe, in-hand, decided, done, nothing-done")
	c.Flags().StringVar(&request, "request-id", "", "id of a message sent before, to send it again")
	return c
}
