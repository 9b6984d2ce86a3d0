package cli

import (
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) findCommand() *cobra.Command {
	f := &filterFlags{}
	var newest, noCounts bool
	var limit int
	var without []string
	c := &cobra.Command{
		Use:   "find WORDS",
		Short: "Find reports by their words",
		Long: `Find reports by their words. All words are wanted, in any form: "reversed" finds
"reversing". Words in quotation marks within the argument are a phrase; --without
leaves out reports with a word. Below the hits, all of them are counted by kind,
workplace and month.`,
		Example: `  fairlead find reversing tanker --since 2026-01 --workplace northside
  fairlead find '"falling branch"' --without chipper --newest`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			filter, err := f.message()
			if err != nil {
				return err
			}
			if limit < 1 || limit > 10000 {
				return usagef("--limit must be between 1 and 10000")
			}
			req := &pb.SearchReportsRequest{Words: strings.Join(args, " "), Filter: filter, PageSize: int32(min(limit, 100)), IncludeCounts: !noCounts}
			for _, w := range without {
				if strings.Contains(w, " ") {
					w = `"` + w + `"`
				}
				req.Words += " -" + w
			}
			if newest {
				req.Order = pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Search.SearchReports(ctx, req)
			if err != nil {
				return err
			}
			// The first page has the counts; the others add hits.
			for r.GetNextPageToken() != "" && len(r.GetHits()) < limit {
				req.PageToken, req.PageSize = r.GetNextPageToken(), int32(min(limit-len(r.GetHits()), 100))
				next, err := c.Search.SearchReports(ctx, req)
				if err != nil {
					return err
				}
				r.Hits, r.NextPageToken = append(r.Hits, next.GetHits()...), next.GetNextPageToken()
			}
			t, err := s.workplaces(ctx)
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { showHits(p, r, t, limit) })
		},
	}
	f.add(c)
	c.Flags().BoolVar(&newest, "newest", false, "newest event first, instead of best first")
	c.Flags().BoolVar(&noCounts, "no-counts", false, "leave out the counts")
	c.Flags().StringSliceVar(&without, "without", nil, "leave out reports with this word (again for another)")
	c.Flags().IntVar(&limit, "limit", 20, "most hits")
	return c
}

func showHits(p *page.Page, r *pb.SearchReportsResponse, t *tree, limit int) {
	for _, n := range r.GetNotes() {
		p.Item(n)
	}
	switch total := r.GetTotalSize(); {
	case total == 0:
		p.Linef("No report with these words. Try fewer words, another form, or a longer time.")
		return
	case total == 1:
		p.Strong("1 report.")
	default:
		p.Strong(page.Count(float64(total)) + " reports.")
	}
	for _, h := range r.GetHits() {
		p.Blank()
		zone, _ := t.zone(h.GetWorkplace())
		when := "day not given"
		if h.GetOccurTime() != nil {
			when = dayWords(h.GetOccurTime().AsTime().In(zone))
		}
		p.Strong(h.GetShortCode() + ": " + words.Of(h.GetKind()) + " at " + words.Short(h.GetWorkplace()) + ", " + when)
		var pieces []page.Piece
		for _, x := range h.GetSnippet() {
			pieces = append(pieces, page.Piece{Text: x.GetText(), Matched: x.GetMatched()})
		}
		p.Found(pieces, 2)
	}
	if r.GetNextPageToken() != "" {
		p.Blank()
		p.Linef("There are more than these %d; add --limit, or more words.", limit)
	}
	for _, x := range []struct {
		title string
		heads []*pb.TableHead
	}{{"By kind", r.GetKinds()}, {"By workplace", r.GetWorkplaces()}, {"By month", r.GetMonths()}} {
		if len(x.heads) == 0 {
			continue
		}
		p.Heading(x.title)
		var bars []page.Bar
		for _, h := range x.heads {
			bars = append(bars, page.Bar{Name: headTitle(h), Value: h.GetTotal()})
		}
		p.Bars(bars)
	}
}

// headTitle names a category.
func headTitle(h *pb.TableHead) string {
	switch {
	case h.GetTitle() != "":
		return h.GetTitle()
	case h.GetKey() == "":
		return "not known"
	}
	return words.Short(h.GetKey())
}

func (s *session) listCommand() *cobra.Command {
	f, past := &filterFlags{}, &pastFlag{}
	var limit int
	c := &cobra.Command{
		Use:     "list",
		Short:   "List reports, newest event first",
		Example: "  fairlead list --workplace northside --since 2026-01 --kind near-miss,hazard",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			filter, err := f.message()
			if err != nil {
				return err
			}
			if limit < 1 || limit > 100000 {
				return usagef("--limit must be between 1 and 100000")
			}
			as, err := past.read(ctx, s)
			if err != nil {
				return err
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			req := &pb.ListReportsRequest{Filter: filter, PageSize: int32(min(limit, 500)), AsAt: as}
			all, err := c.Reports.ListReports(ctx, req)
			if err != nil {
				return err
			}
			for all.GetNextPageToken() != "" && len(all.GetReports()) < limit {
				req.PageToken, req.PageSize = all.GetNextPageToken(), int32(min(limit-len(all.GetReports()), 500))
				next, err := c.Reports.ListReports(ctx, req)
				if err != nil {
					return err
				}
				all.Reports, all.NextPageToken = append(all.Reports, next.GetReports()...), next.GetNextPageToken()
			}
			t, err := s.workplaces(ctx)
			if err != nil {
				return err
			}
			return s.show(all, func(p *page.Page) { past.show(p); showList(p, all, t) })
		},
	}
	f.add(c)
	past.add(c)
	c.Flags().IntVar(&limit, "limit", 50, "most reports")
	return c
}

func showList(p *page.Page, l *pb.ListReportsResponse, t *tree) {
	if l.GetTotalSize() == 0 {
		p.Linef("No report. Reports that are filed or imported are listed here.")
		return
	}
	var rows [][]string
	for _, r := range l.GetReports() {
		zone, _ := t.zone(r.GetWorkplace())
		when := ""
		if r.GetOccurTime() != nil {
			when = r.GetOccurTime().AsTime().In(zone).Format("2006-01-02")
			if r.GetOccurPrecision() == pb.TimePrecision_TIME_PRECISION_MONTH {
				when = when[:len("2006-01")]
			}
		}
		kind := words.Of(r.GetKind())
		if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
			kind += " (voided)"
		}
		rows = append(rows, []string{r.GetShortCode(), when, kind, words.Short(r.GetWorkplace()), opening(r.GetNarrative())})
	}
	p.Table([]page.Column{{Head: "report"}, {Head: "day"}, {Head: "kind"}, {Head: "where"}, {Head: "what happened"}}, rows)
	p.Blank()
	p.Linef("%d of %s reports, as at change %d.", len(l.GetReports()), page.Count(float64(l.GetTotalSize())), l.GetSequenceNumber())
}

// opening returns the beginning of a story.
func opening(s string) string {
	r := []rune(strings.Join(strings.Fields(s), " "))
	if len(r) <= 100 {
		return string(r)
	}
	return string(r[:98]) + ".."
}
