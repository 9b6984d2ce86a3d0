package cli

import (
	"os"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) chartCommand() *cobra.Command {
	f, conditions := &measureFlags{}, &filterFlags{}
	var kind enumFlag[pb.ChartKind]
	var baseline int32
	var format, out string
	var narrow bool
	c := &cobra.Command{
		Use:   "chart MEASURE",
		Short: "Draw a measure by month as a control chart",
		Long: `Draw a measure by month as a control chart, as text, JSON or SVG. ` + "`fairlead measures`" + `
lists the measures. Without --months or --from, the last 36 whole months.`,
		Example: "  fairlead chart frequency_rate --workplace northside --months 36\n  fairlead chart frequency_rate --format svg --out rate.svg",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if s.json {
				format = "json"
			}
			if format != "text" && format != "json" && format != "svg" {
				return usagef("--format must be text, json or svg")
			}
			as, err := f.past.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			p, err := f.period.message(f.past.now)
			if err != nil {
				return err
			}
			filter, err := conditions.message()
			if err != nil {
				return err
			}
			req := &pb.ComputeChartRequest{Measure: args[0], Workplace: scope(f.workplace), Period: p,
				Convention: f.convention.value, Kind: kind.value, BaselineMonths: baseline, IncludeSvg: format == "svg", AsAt: as}
			req.EmploymentGroups, filter.EmploymentGroups = filter.GetEmploymentGroups(), nil
			req.Filter = filter
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Measures.ComputeChart(cmd.Context(), req)
			if err != nil {
				return err
			}
			return s.writeTo(out, func() error {
				switch format {
				case "json":
					return s.printJSON(r)
				case "svg":
					return s.printSVG(r, narrow)
				}
				f.past.show(s.page)
				s.page.Chart(r)
				return nil
			})
		},
	}
	conditions.addConditions(c)
	f.add(c)
	f.past.add(c)
	fl := c.Flags()
	fl.Var(&kind, "chart", "kind of chart; without it, chosen by the data: "+words.Choices[pb.ChartKind]())
	fl.Int32Var(&baseline, "baseline", 0, "months at the start that set centre and limits; 0 is the first 24")
	fl.StringVar(&format, "format", "text", "text, json or svg")
	fl.BoolVar(&narrow, "narrow", false, "lay the SVG out for a narrow screen")
	fl.StringVar(&out, "out", "", "write to this file")
	return c
}

func (s *session) printSVG(r *pb.Chart, narrow bool) error {
	svg := r.GetSvg()
	if narrow {
		svg = r.GetSvgNarrow()
	}
	if svg == "" {
		return failf("There is nothing to draw: %s", r.GetSentence())
	}
	_, err := s.env.Out.Write([]byte(svg + "\n"))
	return err
}

// writeTo sends what is printed to a file instead, when one is named. The file
// is whole or not there.
func (s *session) writeTo(path string, print func() error) error {
	if path == "" {
		return print()
	}
	f, err := os.CreateTemp(folderOf(path), ".fairlead-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone already when all went well
	out, paper := s.env.Out, s.page
	s.env.Out, s.page = f, page.New(f)
	s.page.Width, s.page.ASCII = paper.Width, paper.ASCII
	err = print()
	if ferr := s.page.Flush(); err == nil {
		err = ferr
	}
	s.env.Out, s.page = out, paper
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return err
	}
	s.page.Linef("Written to %s", path)
	return nil
}
