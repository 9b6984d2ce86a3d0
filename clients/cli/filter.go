package cli

import (
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// enumFlag is a flag that holds one value of an enum.
type enumFlag[E words.Enum] struct{ value E }

var _ pflag.Value = &enumFlag[pb.ReportKind]{}

// String returns the word.
func (f *enumFlag[E]) String() string { return words.Slug(f.value) }

// Set reads a word.
func (f *enumFlag[E]) Set(s string) (err error) {
	f.value, err = words.Parse[E](s)
	return err
}

// Type names the value in help.
func (f *enumFlag[E]) Type() string { return "word" }

// enumsFlag is a flag that may be given several times, or with commas.
type enumsFlag[E words.Enum] struct{ values []E }

// String returns the words.
func (f *enumsFlag[E]) String() string {
	var out []string
	for _, v := range f.values {
		out = append(out, words.Slug(v))
	}
	return strings.Join(out, ",")
}

// Set reads words.
func (f *enumsFlag[E]) Set(s string) error {
	for w := range strings.SplitSeq(s, ",") {
		v, err := words.Parse[E](w)
		if err != nil {
			return err
		}
		f.values = append(f.values, v)
	}
	return nil
}

// Type names the value in help.
func (f *enumsFlag[E]) Type() string { return "words" }

// filterFlags are the flags that pick reports.
type filterFlags struct {
	workplaces   []string
	kinds        enumsFlag[pb.ReportKind]
	since, until string
	outcomes     enumsFlag[pb.OutcomeClass]
	potentials   enumsFlag[pb.PotentialSeverity]
	codes        []string
	datasets     []string
	groups       enumsFlag[pb.EmploymentGroup]
	voided       bool
	cells        cellFlags
}

func (f *filterFlags) add(c *cobra.Command) {
	f.addConditions(c)
	fl := c.Flags()
	fl.StringSliceVarP(&f.workplaces, "workplace", "w", nil, "only this workplace and those below it (again for another)")
	fl.StringVar(&f.since, "since", "", "from this day, month or year on")
	fl.StringVar(&f.until, "until", "", "up to and including this day, month or year")
	fl.BoolVar(&f.voided, "voided", false, "also voided reports")
}

// addConditions adds the flags that make sense where scope and period are
// given elsewhere.
func (f *filterFlags) addConditions(c *cobra.Command) {
	fl := c.Flags()
	fl.Var(&f.kinds, "kind", "only these kinds: "+words.Choices[pb.ReportKind]())
	fl.Var(&f.outcomes, "outcome", "only where somebody's outcome is one of "+words.Choices[pb.OutcomeClass]())
	fl.Var(&f.potentials, "worst", "only this worst credible outcome: "+words.Choices[pb.PotentialSeverity]())
	fl.StringSliceVar(&f.codes, "code", nil, "only this code and those below it, such as mechanism=28; mechanism= for uncoded")
	fl.StringSliceVar(&f.datasets, "dataset", nil, "only records of this data set; here: filed here")
	fl.Var(&f.groups, "group", "only where somebody is of "+words.Choices[pb.EmploymentGroup]())
	f.cells.add(c)
}

func (f *filterFlags) message() (*pb.ReportFilter, error) {
	out := &pb.ReportFilter{Kinds: f.kinds.values, Outcomes: f.outcomes.values, Potentials: f.potentials.values,
		Datasets: f.datasets, EmploymentGroups: f.groups.values, IncludeVoided: f.voided}
	for _, w := range f.workplaces {
		if w := scope(w); w != "" {
			out.Workplaces = append(out.Workplaces, w)
		}
	}
	var err error
	if out.Cells, err = f.cells.message(); err != nil {
		return nil, err
	}
	if f.since != "" {
		if out.StartDate, err = firstDay("since", f.since); err != nil {
			return nil, err
		}
	}
	if f.until != "" {
		if out.EndDate, err = dayAfter("until", f.until); err != nil {
			return nil, err
		}
	}
	for _, c := range f.codes {
		facet, code, ok := strings.Cut(c, "=")
		v, err := words.Parse[pb.Facet](facet)
		if !ok || err != nil {
			return nil, usagef("--code: %q: write a facet and a code, such as mechanism=28; facets are %s", c, words.Choices[pb.Facet]())
		}
		out.Codes = append(out.Codes, &pb.CodeMatch{Facet: v, Code: strings.ToUpper(strings.TrimSpace(code))})
	}
	return out, nil
}

// measureFlags are the flags that every figure has.
type measureFlags struct {
	workplace  string
	period     period
	convention enumFlag[pb.Convention]
	groups     enumsFlag[pb.EmploymentGroup]
	past       pastFlag
}

func (f *measureFlags) add(c *cobra.Command) {
	fl := c.Flags()
	fl.StringVarP(&f.workplace, "workplace", "w", ".", "this workplace and those below it")
	fl.StringVar(&f.period.from, "from", "", "first month, such as 2025-07")
	fl.StringVar(&f.period.to, "to", "", "last month, such as 2026-06")
	fl.IntVar(&f.period.months, "months", 0, "how many months, up to the last whole one")
	fl.Var(&f.convention, "convention", "whose definitions: as1885, "+words.Choices[pb.Convention]())
	if c.Flags().Lookup("group") == nil {
		fl.Var(&f.groups, "group", "only these, above and below the line: "+words.Choices[pb.EmploymentGroup]())
	}
}
