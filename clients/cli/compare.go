package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) compareCommand() *cobra.Command {
	f := &measureFlags{}
	was, is := &pastFlag{}, &pastFlag{}
	var datasets []string
	var limit int32
	var all bool
	c := &cobra.Command{
		Use:   "compare",
		Short: "List what has changed in a summary since it was made, and why",
		Long: `Make the summary of a period as at two moments and list every figure that
differs, with the reports and hours behind it: filed late, amended, voided, coded
anew, another outcome, hours restated. The summary that was handed over says at
its end which moment it is of: give that to --was.`,
		Example: "  fairlead compare --was 4180 --from 2025-07 --to 2026-06\n  fairlead compare --was 2026-03-31 --is 2026-06-30 --months 12 --workplace northside",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			if was.text == "" {
				return usagef("--was is needed: the moment to compare with, such as 4180 or 2026-03-31")
			}
			from, err := was.read(ctx, s)
			if err != nil {
				return err
			}
			to, err := is.read(ctx, s)
			if err != nil {
				return err
			}
			// Months back are those of the summary that was handed over.
			period, err := f.period.message(was.now)
			if err != nil {
				return err
			}
			if period == nil {
				return usagef("--from and --to, or --months, are needed: the period of the summary")
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			var smallest int32
			if all {
				smallest = 1
			}
			r, err := c.Exports.CompareSummaries(ctx, &pb.CompareSummariesRequest{From: from, To: to, ReportLimit: limit, Summary: &pb.GetSummaryRequest{
				Workplace: scope(f.workplace), Period: period, Convention: f.convention.value, Datasets: datasets, EmploymentGroups: f.groups.values, SmallestCell: smallest}})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { showComparison(p, r) })
		},
	}
	f.add(c)
	was.addAs(c, "was", "the summary "+asAtHelp)
	is.addAs(c, "is", "compare with it as at this moment; without it, with now")
	fl := c.Flags()
	fl.StringSliceVar(&datasets, "dataset", nil, "count records of this data set; without it, only what was filed here")
	fl.BoolVar(&all, "all-counts", false, "compare all counts, for the eyes of those who read the reports anyway; without it, what may be handed on")
	fl.Int32Var(&limit, "limit", 0, "most reports and hours listed; 0 is 200")
	return c
}

func showComparison(p *page.Page, c *pb.SummaryComparison) {
	p.Strong(c.GetSentence())
	p.Linef("%s, %s to %s.", c.GetScope(), c.GetPeriod().GetStartMonth(), lastMonth(c.GetPeriod()))
	part := ""
	for _, f := range c.GetFigures() {
		if f.GetPart() != part {
			part = f.GetPart()
			p.Heading(part)
		}
		p.Item(f.GetFigure() + ": was " + f.GetWas() + "; is " + f.GetIs())
	}
	if len(c.GetReports()) > 0 {
		p.Heading(fmt.Sprintf("Reports behind it: %d", c.GetReportCount()))
		var rows [][]string
		for _, r := range c.GetReports() {
			counted := "then and now"
			switch {
			case !r.GetWasIn():
				counted = "now only"
			case !r.GetIsIn():
				counted = "then only"
			}
			rows = append(rows, []string{r.GetShortCode(), counted, strings.Join(r.GetWhat(), "; ")})
		}
		p.Table([]page.Column{{Head: "report"}, {Head: "counted"}, {Head: "what happened to it"}}, rows)
		if n := c.GetReportCount() - int64(len(c.GetReports())); n > 0 {
			p.Linef("%d more are not listed; raise --limit.", n)
		}
	}
	if len(c.GetHours()) > 0 {
		p.Heading("Hours added or restated")
		for _, h := range c.GetHours() {
			before := "none"
			if h.WasHours != nil {
				before = page.Count(h.GetWasHours())
			}
			text := fmt.Sprintf("%s, %s, %s: was %s; is %s", words.Short(h.GetWorkplace()), h.GetMonth(), h.GetGroup(), before, page.Count(h.GetIsHours()))
			if h.GetReason() != "" {
				text += " (" + h.GetReason() + ")"
			}
			p.Item(text)
		}
	}
	p.Heading("Read with it")
	for _, n := range c.GetNotes() {
		p.Item(n)
	}
	p.Blank()
	p.Linef("From %s to %s.", again(c.GetFrom()), again(c.GetTo()))
}
