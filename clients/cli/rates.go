package cli

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) ratesCommand() *cobra.Command {
	f := &measureFlags{}
	var measures, datasets []string
	var level float64
	c := &cobra.Command{
		Use:   "rates",
		Short: "Rates with the count behind them, their interval and what to know about them",
		Long: `Rates over a period, each with the count, the hours or heads, and an exact
interval. A rate without hours for every month is undefined and says which months
lack them; it is never 0. Without --months or --from, the last 12 whole months.`,
		Example: "  fairlead rates --workplace northside --months 12 --convention as1885\n  fairlead rates --measure frequency_rate --group employee,labour-hire",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			as, err := f.past.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			p, err := f.period.message(f.past.now)
			if err != nil {
				return err
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Measures.ComputeRates(cmd.Context(), &pb.ComputeRatesRequest{Workplace: scope(f.workplace), Period: p,
				Measures: measures, Convention: f.convention.value, Level: level, EmploymentGroups: f.groups.values, Datasets: datasets, AsAt: as})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { f.past.show(p); showRates(p, r) })
		},
	}
	f.add(c)
	f.past.add(c)
	c.Flags().StringSliceVar(&measures, "measure", nil, "only these, as `fairlead measures` lists them")
	c.Flags().StringSliceVar(&datasets, "dataset", nil, "count records of this data set; without it, only what was filed here")
	c.Flags().Float64Var(&level, "level", 0, "coverage of the interval; 0 is 0.95")
	return c
}

func showRates(p *page.Page, r *pb.ComputeRatesResponse) {
	p.Strong(fmt.Sprintf("%s, %s to %s", r.GetScope(), r.GetPeriod().GetStartMonth(), lastMonth(r.GetPeriod())))
	p.Blank()
	var rows [][]string
	for _, v := range r.GetValues() {
		d := v.GetDefinition()
		row := []string{d.GetTitle(), page.Count(v.GetNumerator()), denominator(v), "", "", d.GetUnit()}
		switch {
		case v.GetHeldBack():
			row[1], row[5] = "held back", v.GetUndefinedReason()
		case !v.GetDefined():
			row[3], row[5] = "undefined", v.GetUndefinedReason()
		case v.Value != nil:
			if row[3] = page.Rate(v.GetValue()); counts(d) {
				row[3] = page.Count(v.GetValue())
			}
			row[4] = interval(v)
		}
		rows = append(rows, row)
	}
	p.Table([]page.Column{{Head: "measure"}, {Head: "count", Right: true}, {Head: "in", Right: true}, {Head: "rate", Right: true},
		{Head: "from - to", Right: true}, {Head: "unit"}}, rows)
	shared := sharedNotes(r.GetValues())
	for _, v := range r.GetValues() {
		p.Blank()
		d := v.GetDefinition()
		if v.GetDefined() || v.GetHeldBack() {
			p.Strong(d.GetTitle() + ": " + v.GetSentence())
		} else {
			p.Strong(d.GetTitle() + " is undefined: " + strings.TrimSuffix(v.GetUndefinedReason(), ".") + ".")
		}
		for _, n := range notes(v) {
			if !shared[n] {
				p.Item(n)
			}
		}
		how := d.GetFormula()
		if v.GetIntervalMethod() != "" {
			how += ". Interval: " + v.GetIntervalMethod()
			if v.Lower != nil && v.GetLevel() > 0 {
				how += fmt.Sprintf(", %.4g %%", v.GetLevel()*100)
			}
		}
		p.Para(how, 4)
	}
	p.Heading("Read with it")
	said := map[string]bool{}
	for _, v := range r.GetValues() {
		for _, n := range notes(v) {
			if shared[n] && !said[n] {
				said[n] = true
				p.Item(n)
			}
		}
	}
	for _, c := range r.GetCautions() {
		p.Item(c)
	}
	p.Blank()
	p.Linef("As at change %d.", r.GetSequenceNumber())
}

// notes are what to know about one figure.
func notes(v *pb.MeasureValue) []string {
	out := slices.Clone(v.GetNotes())
	if m := v.GetProvisionalMonths(); len(m) > 0 {
		out = append(out, "Hours may still change for "+strings.Join(m, ", ")+".")
	}
	return out
}

// sharedNotes are notes of more than one figure; they are said once.
func sharedNotes(vs []*pb.MeasureValue) map[string]bool {
	seen, out := map[string]bool{}, map[string]bool{}
	for _, v := range vs {
		for _, n := range notes(v) {
			if seen[n] {
				out[n] = true
			}
			seen[n] = true
		}
	}
	return out
}

// counts reports whether a measure is a plain count.
func counts(d *pb.MeasureDefinition) bool { return strings.HasPrefix(d.GetDenominator(), "nothing") }

func denominator(v *pb.MeasureValue) string {
	if counts(v.GetDefinition()) {
		return ""
	}
	if v.Denominator == nil {
		return "not known"
	}
	return page.Count(v.GetDenominator())
}

func interval(v *pb.MeasureValue) string {
	switch {
	case v.Lower != nil && v.Upper != nil:
		return page.Rate(v.GetLower()) + " - " + page.Rate(v.GetUpper())
	case v.Upper != nil:
		return "up to " + page.Rate(v.GetUpper())
	case v.Lower != nil:
		return "from " + page.Rate(v.GetLower())
	}
	return "none"
}

func (s *session) measuresCommand() *cobra.Command {
	var convention enumFlag[pb.Convention]
	c := &cobra.Command{
		Use:   "measures",
		Short: "List the measures of a convention, with their definitions",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Measures.ListMeasures(cmd.Context(), &pb.ListMeasuresRequest{Convention: convention.value})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				for _, d := range r.GetMeasures() {
					p.Strong(d.GetMeasure() + ": " + d.GetTitle() + ", " + d.GetUnit())
					p.Para(d.GetFormula()+". Counts "+d.GetNumeratorRule()+".", 2)
					if d.GetSource() != "" {
						p.Para("Source: "+d.GetSource(), 2)
					}
				}
			})
		},
	}
	c.Flags().Var(&convention, "convention", "as1885, "+words.Choices[pb.Convention]())
	return c
}
