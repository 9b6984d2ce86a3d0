package cli

import (
	"context"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	pb "fairlead/proto/gen/fairlead/v1"
)

// mineCommand is for whoever told something under their own name.
func (s *session) mineCommand() *cobra.Command {
	var say, answer, request string
	var notFixed, read bool
	c := &cobra.Command{
		Use:   "mine [CODE]",
		Short: "What came of the reports that you told under your own name, without their receipts",
		Long: `List the reports that you told under your own name, newest first, or show what
came of one of them, by the short code that the list gives. What was told in
confidence or without a name is not in the list: use "fairlead receipt".`,
		Example: `  fairlead mine
  fairlead mine 7KQ-2MX-4
  fairlead mine 7KQ-2MX-4 --say "The third step" --answers 1
  fairlead mine 7KQ-2MX-4 --not-fixed`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			client, err := s.dial()
			if err != nil {
				return err
			}
			if len(args) == 0 {
				all, err := s.allMine(ctx, func(*pb.MyReport) bool { return false })
				if err != nil {
					return err
				}
				return s.show(all, func(out *page.Page) { showMine(out, all) })
			}
			name, err := s.mineByCode(ctx, args[0])
			if err != nil {
				return err
			}
			list, err := client.Mine.ListMyReportMessages(ctx, &pb.ListMyReportMessagesRequest{Report: name})
			if err != nil {
				return err
			}
			if say != "" || notFixed {
				req := &pb.AddMyReportMessageRequest{Report: name, Text: say, NotFixed: notFixed, RequestId: request}
				if answer != "" {
					if req.Answers = numbered(list.GetMessages(), answer); req.Answers == "" {
						return failf("There is no message %s; look at the numbers first.", answer)
					}
				}
				if _, err := client.Mine.AddMyReportMessage(ctx, req); err != nil {
					return err
				}
			}
			for _, m := range list.GetMessages() {
				if read && m.GetSide() == pb.MessageSide_MESSAGE_SIDE_HOUSE && m.GetAcknowledgeDate() == "" {
					if _, err := client.Mine.AcknowledgeMyReportMessage(ctx, &pb.AcknowledgeMyReportMessageRequest{Name: m.GetName()}); err != nil {
						return err
					}
				}
			}
			one, err := client.Mine.GetMyReport(ctx, &pb.GetMyReportRequest{Name: name})
			if err != nil {
				return err
			}
			if list, err = client.Mine.ListMyReportMessages(ctx, &pb.ListMyReportMessagesRequest{Report: name}); err != nil {
				return err
			}
			return s.show(one, func(out *page.Page) { showProgress(out, one.GetProgress(), list.GetMessages()) })
		},
	}
	f := c.Flags()
	f.StringVar(&say, "say", "", "what you want to say, to 4,000 characters")
	f.StringVar(&answer, "answers", "", "number of the message that this answers")
	f.BoolVar(&notFixed, "not-fixed", false, "it is not fixed")
	f.BoolVar(&read, "read", false, "say that you have read what they wrote")
	f.StringVar(&request, "request-id", "", "id of a message sent before, to send it again")
	return c
}

// allMine reads page by page until enough says so.
func (s *session) allMine(ctx context.Context, enough func(*pb.MyReport) bool) (*pb.ListMyReportsResponse, error) {
	out := &pb.ListMyReportsResponse{}
	for token := ""; ; {
		page, err := s.client.Mine.ListMyReports(ctx, &pb.ListMyReportsRequest{PageSize: 50, PageToken: token})
		if err != nil {
			return nil, err
		}
		out.NotListed = page.GetNotListed()
		for _, r := range page.GetReports() {
			out.Reports = append(out.Reports, r)
			if enough(r) {
				return out, nil
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}

// mineByCode finds one's own report by its short code.
func (s *session) mineByCode(ctx context.Context, code string) (string, error) {
	plain := func(s string) string { return strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(s)) }
	is := func(r *pb.MyReport) bool { return plain(r.GetProgress().GetShortCode()) == plain(code) }
	all, err := s.allMine(ctx, is)
	if err != nil {
		return "", err
	}
	if n := len(all.GetReports()); n > 0 && is(all.GetReports()[n-1]) {
		return all.GetReports()[n-1].GetName(), nil
	}
	return "", failf("No report of yours has the code %s. %s", code, all.GetNotListed())
}

func showMine(out *page.Page, all *pb.ListMyReportsResponse) {
	if len(all.GetReports()) == 0 {
		out.Linef("Nothing that you told under your own name is here yet.")
	}
	for _, r := range all.GetReports() {
		p := r.GetProgress()
		words := p.GetShortCode()
		if steps := p.GetSteps(); len(steps) > 0 {
			words += ", received " + steps[0].GetDate()
		}
		words += ". " + p.GetSummary()
		switch {
		case p.GetQuestionsWaiting() == 1:
			words += " One question waits for you."
		case p.GetQuestionsWaiting() > 1:
			words += " " + strconv.Itoa(int(p.GetQuestionsWaiting())) + " questions wait for you."
		case p.GetUnread() > 0:
			words += " Something was written to you."
		}
		out.Item(words)
	}
	out.Linef("")
	out.Para(all.GetNotListed(), 0)
}

// numbered is the name of the message with a number; "" when there is none.
func numbered(list []*pb.ReportMessage, number string) string {
	for _, m := range list {
		if strings.TrimPrefix(number, "no. ") == strconv.Itoa(int(m.GetNumber())) {
			return m.GetName()
		}
	}
	return ""
}
