package cli

import (
	"context"

	"github.com/spf13/cobra"

	"fairlead/clients/api"
	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) causesCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "causes",
		Short: "What occurs most, what goes together, what has lately begun to pile up",
		Long: `What occurs most, what goes together more often than chance would have it, and
where something has lately begun to pile up. None of it says that one thing caused
another. Without --months or --from, the last 36 whole months.`,
		Example: "  fairlead causes rank mechanism --level 2 --kind injury-or-illness\n" +
			"  fairlead causes cross mechanism agency --level 1 --months 60\n" +
			"  fairlead causes clusters kind",
		Args: cobra.NoArgs,
	}
	c.AddCommand(s.rankCommand(), s.crossCommand(), s.clustersCommand())
	return c
}

// causeFlags are the flags that all cause commands share.
type causeFlags struct {
	filter     filterFlags
	workplaces []string
	period     period
	level      int32
	people     bool
	svg        string
	narrow     bool
	past       pastFlag
	as         *pb.AsAt
}

func (f *causeFlags) add(c *cobra.Command, drawn bool) {
	f.past.add(c)
	f.filter.addConditions(c)
	fl := c.Flags()
	fl.StringSliceVarP(&f.workplaces, "workplace", "w", nil, "only this workplace and those below it (again for another)")
	fl.StringVar(&f.period.from, "from", "", "first month, such as 2025-07")
	fl.StringVar(&f.period.to, "to", "", "last month, such as 2026-06")
	fl.IntVar(&f.period.months, "months", 0, "how many months, up to the last whole one")
	fl.Int32Var(&f.level, "level", 0, "level of codes: 1 groups, 2 and 3 finer, 0 as coded")
	fl.BoolVar(&f.people, "people", false, "count people hurt instead of reports")
	if drawn {
		fl.StringVar(&f.svg, "svg", "", "write the drawing to this file as SVG; - is the output")
		fl.BoolVar(&f.narrow, "narrow", false, "lay the drawing out for a narrow screen")
	}
}

// read returns the filter and the period that were asked for.
func (f *causeFlags) read(ctx context.Context, s *session) (*pb.ReportFilter, *pb.Period, error) {
	f.filter.workplaces = f.workplaces
	filter, err := f.filter.message()
	if err != nil {
		return nil, nil, err
	}
	if f.as, err = f.past.read(ctx, s); err != nil {
		return nil, nil, err
	}
	p, err := f.period.message(f.past.now)
	return filter, p, err
}

// draw writes a drawing where it was asked for; done says that it was the whole
// answer.
func (f *causeFlags) draw(s *session, wide, narrow, sentence string) (done bool, err error) {
	if f.svg == "" {
		return false, nil
	}
	svg := wide
	if f.narrow {
		svg = narrow
	}
	if svg == "" {
		return false, failf("There is nothing to draw: %s", sentence)
	}
	path := f.svg
	if path == "-" {
		path = ""
	}
	return path == "", s.writeTo(path, func() error {
		_, err := s.env.Out.Write([]byte(svg + "\n"))
		return err
	})
}

// dimensionArg reads what to count by.
func dimensionArg(word string) (pb.Dimension, error) {
	d, err := words.Parse[pb.Dimension](word)
	if err != nil {
		return 0, usagef("%s", err)
	}
	return d, nil
}

func (s *session) rankCommand() *cobra.Command {
	f := &causeFlags{}
	var limit int32
	c := &cobra.Command{
		Use:   "rank WHAT",
		Short: "Put the categories of a classification in order of how often they occur",
		Long: `Put mechanism, breakdown-agency, agency, nature, bodily-location or workplace in
order of how often they occur. What has no value stands first. Equal counts share a
place, marked with =; their order means nothing.`,
		Example: "  fairlead causes rank mechanism --level 2 --kind injury-or-illness --workplace northside\n  fairlead causes rank nature --people --svg nature.svg",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := dimensionArg(args[0])
			if err != nil {
				return err
			}
			filter, p, err := f.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			return s.asking(cmd.Context(), func(ctx context.Context, c *api.Client) error {
				r, err := c.Measures.RankCauses(ctx, &pb.RankCausesRequest{Filter: filter, Period: p, AsAt: f.as, Dimension: d, CodeLevel: f.level, CountHarms: f.people,
					RowLimit: limit, IncludeSvg: f.svg != ""})
				if err != nil {
					return err
				}
				if done, err := f.draw(s, r.GetSvg(), r.GetSvgNarrow(), r.GetSentence()); done || err != nil {
					return err
				}
				return s.show(r, func(p *page.Page) { f.past.show(p); showRanking(p, r) })
			})
		},
	}
	f.add(c, true)
	c.Flags().Int32Var(&limit, "limit", 0, "most rows; equal counts stay together; 0 is 20")
	return c
}

func (s *session) crossCommand() *cobra.Command {
	f := &causeFlags{}
	var limit, support int32
	var rate float64
	var odds, table bool
	c := &cobra.Command{
		Use:   "cross ROWS COLUMNS",
		Short: "Cross two things and see which pairs go together more than chance",
		Long: `Cross two of
` + words.Choices[pb.Dimension]() + `,
and see which pairs go together more often than chance would have it. Every pair is
tried, and what stands out is corrected for all of them: of the pairs marked * about
the share given by --rate is false. Pairs marked - come together less often than by
chance.`,
		Example: "  fairlead causes cross mechanism agency --level 1\n  fairlead causes cross mechanism potential --level 2 --rate 0.1 --svg table.svg",
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			rows, err := dimensionArg(args[0])
			if err != nil {
				return err
			}
			columns, err := dimensionArg(args[1])
			if err != nil {
				return err
			}
			filter, p, err := f.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			return s.asking(cmd.Context(), func(ctx context.Context, c *api.Client) error {
				r, err := c.Measures.CrossCauses(ctx, &pb.CrossCausesRequest{Filter: filter, Period: p, AsAt: f.as, Rows: rows, Columns: columns, CodeLevel: f.level,
					CountHarms: f.people, FalseDiscoveryRate: rate, MinSupport: support, PairLimit: limit, IncludeSvg: f.svg != ""})
				if err != nil {
					return err
				}
				wide, narrow := r.GetSvg(), r.GetSvgNarrow()
				if odds {
					wide, narrow = r.GetOddsSvg(), r.GetOddsSvgNarrow()
				}
				if done, err := f.draw(s, wide, narrow, r.GetSentence()); done || err != nil {
					return err
				}
				return s.show(r, func(p *page.Page) { f.past.show(p); showCross(p, r, table) })
			})
		},
	}
	f.add(c, true)
	fl := c.Flags()
	fl.Float64Var(&rate, "rate", 0, "share of false finds among finds that is put up with; 0 is 0.05")
	fl.Int32Var(&support, "support", 0, "fewest together for a pair to stand; 0 is 5")
	fl.Int32Var(&limit, "limit", 0, "most pairs listed, the surest first; 0 is 100")
	fl.BoolVar(&table, "table", false, "print the whole table with its marks, too")
	fl.BoolVar(&odds, "odds", false, "draw the odds ratios of the pairs that stand, instead of the table")
	return c
}

func (s *session) clustersCommand() *cobra.Command {
	f := &causeFlags{}
	var longest, least, limit int32
	var rate float64
	var basis enumFlag[pb.ClusterBasis]
	c := &cobra.Command{
		Use:   "clusters WHAT",
		Short: "Find workplaces where something has lately begun to pile up",
		Long: `Find workplaces where one kind of thing has lately begun to pile up: a mechanism,
an agency, a kind of report, an outcome. Every place, category and window is looked
at, and the chance of a false alarm allows for all of them. A place marked * stands
out by more than chance.`,
		Example: "  fairlead causes clusters kind\n  fairlead causes clusters mechanism --level 2 --kind injury-or-illness --basis own-past",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := dimensionArg(args[0])
			if err != nil {
				return err
			}
			filter, p, err := f.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			return s.asking(cmd.Context(), func(ctx context.Context, c *api.Client) error {
				r, err := c.Measures.FindClusters(ctx, &pb.FindClustersRequest{Filter: filter, Period: p, AsAt: f.as, Category: d, CodeLevel: f.level, CountHarms: f.people,
					LongestWindow: longest, MinCount: least, Basis: basis.value, FalseAlarmRate: rate, ClusterLimit: limit})
				if err != nil {
					return err
				}
				return s.show(r, func(p *page.Page) { f.past.show(p); showClusters(p, r) })
			})
		},
	}
	f.add(c, false)
	fl := c.Flags()
	fl.Int32Var(&longest, "longest", 0, "longest window in months; 0 is 12")
	fl.Int32Var(&least, "least", 0, "fewest reports of a cluster; 0 is 3")
	fl.Float64Var(&rate, "rate", 0, "chance of a false alarm that is put up with; 0 is 0.05")
	fl.Int32Var(&limit, "limit", 0, "most clusters listed; 0 is 10")
	fl.Var(&basis, "basis", "what to compare with: "+words.Choices[pb.ClusterBasis]()+"; without it, all places")
	return c
}

// asking runs a call with the client.
func (s *session) asking(ctx context.Context, call func(context.Context, *api.Client) error) error {
	c, err := s.dial()
	if err != nil {
		return err
	}
	return call(ctx, c)
}
