package cli

import (
	"context"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// harmFlags describe one person hurt.
type harmFlags struct {
	description string
	person      string
	group       enumFlag[pb.EmploymentGroup]
	age         enumFlag[pb.AgeBand]
	treatment   enumFlag[pb.Treatment]
	outcome     enumFlag[pb.OutcomeClass]
	illness     bool
}

var harmFlagNames = []string{"person", "group", "age", "treatment", "outcome", "illness"}

func (f *harmFlags) add(c *cobra.Command, prefix string) {
	fl := c.Flags()
	fl.StringVar(&f.person, prefix+"person", "", "the person, by id, where known to the house")
	fl.Var(&f.group, prefix+"group", "how tied to the business: "+words.Choices[pb.EmploymentGroup]())
	fl.Var(&f.age, prefix+"age", "age band: "+words.Choices[pb.AgeBand]())
	fl.Var(&f.treatment, prefix+"treatment", "highest treatment given: "+words.Choices[pb.Treatment]())
	fl.Var(&f.outcome, prefix+"outcome", "what came of it so far: "+words.Choices[pb.OutcomeClass]())
	fl.BoolVar(&f.illness, prefix+"illness", false, "an illness, not an injury")
}

func (f *harmFlags) given(cmd *cobra.Command, prefix string) bool {
	for _, n := range harmFlagNames {
		if cmd.Flags().Changed(prefix + n) {
			return true
		}
	}
	return false
}

func (f *harmFlags) message() *pb.Harm {
	h := &pb.Harm{Description: f.description, Person: words.Person(f.person), EmploymentGroup: f.group.value,
		AgeBand: f.age.value, Treatment: f.treatment.value, Illness: f.illness}
	if f.outcome.value != 0 {
		h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: f.outcome.value}}
	}
	return h
}

// current returns the name of a report and the version to change: the one
// given, or the one now in force.
func (s *session) current(ctx context.Context, typed, etag string) (name, version string, err error) {
	r, err := s.get(ctx, typed)
	if err != nil {
		return "", "", err
	}
	if etag == "" {
		etag = r.GetEtag()
	}
	return r.GetName(), etag, nil
}

// get returns a report by short code, id or name.
func (s *session) get(ctx context.Context, typed string) (*pb.Report, error) {
	return s.getAsAt(ctx, typed, nil)
}

// getAsAt returns a report as it stood at a moment; nil is now.
func (s *session) getAsAt(ctx context.Context, typed string, as *pb.AsAt) (*pb.Report, error) {
	c, err := s.dial()
	if err != nil {
		return nil, err
	}
	return c.Reports.GetReport(ctx, &pb.GetReportRequest{Name: words.Report(typed), AsAt: as})
}

// wrote prints what came of a change of a report.
func (s *session) wrote(r *pb.WriteReportResponse, what string) error {
	return s.show(r, func(p *page.Page) {
		p.Linef("%s %s. Change %d, version %s.", r.GetReport().GetShortCode(), what, r.GetSequenceNumber(), r.GetReport().GetEtag())
	})
}

// changeFlags are on every change of a report.
type changeFlags struct{ etag, requestID string }

func (f *changeFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.etag, "etag", "", "version you saw; without it, the one now in force")
	c.Flags().StringVar(&f.requestID, "request-id", "", "id of this request, a UUID; the same id again changes nothing twice")
}

func (s *session) harmCommand() *cobra.Command {
	c := &cobra.Command{Use: "harm", Short: "People hurt in a report", Args: cobra.NoArgs, RunE: needsSub}
	f, ch := &harmFlags{}, &changeFlags{}
	add := &cobra.Command{
		Use:     "add REPORT [what was hurt]",
		Short:   "Add a person hurt to a report",
		Example: `  fairlead harm add 7KQ-2MX-4 "cut to the left hand" --group labour-hire --treatment first-aid --outcome first-aid`,
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			text, err := s.words(args[1:])
			if err != nil {
				return err
			}
			f.description = text
			h := f.message()
			name, etag, err := s.current(ctx, args[0], ch.etag)
			if err != nil {
				return err
			}
			r, err := s.client.Reports.AddHarm(ctx, &pb.AddHarmRequest{Name: name, Etag: etag, Harm: h, RequestId: ch.requestID})
			if err != nil {
				return err
			}
			harms := r.GetReport().GetHarms()
			id := ""
			if len(harms) > 0 {
				id = harms[len(harms)-1].GetHarmId()
			}
			return s.wrote(r, "now has a person hurt, "+id)
		},
	}
	f.add(add, "")
	ch.add(add)
	c.AddCommand(add)
	return c
}

func (s *session) outcomeCommand() *cobra.Command {
	var harm, from, reason, death string
	ch := &changeFlags{}
	c := &cobra.Command{
		Use:   "outcome REPORT OUTCOME",
		Short: "Record what came of an injury or illness",
		Long: "Record what came of an injury or illness: " + words.Choices[pb.OutcomeClass]() + `.
What was recorded before stays in the history; the case counts once, in its new class.`,
		Example: "  fairlead outcome 7KQ-2MX-4 lost-time --from 2026-03-03 --reason \"off since Tuesday\"",
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			o, err := words.Parse[pb.OutcomeClass](args[1])
			if err != nil {
				return usagef("outcome: %s", err)
			}
			name, etag, err := s.current(ctx, args[0], ch.etag)
			if err != nil {
				return err
			}
			r, err := s.client.Reports.RecordOutcome(ctx, &pb.RecordOutcomeRequest{Name: name, Etag: etag, HarmId: harm,
				Change:    &pb.OutcomeChange{Outcome: o, EffectiveDate: from, Reason: reason},
				DeathDate: death, RequestId: ch.requestID})
			if err != nil {
				return err
			}
			return s.wrote(r, "has the outcome "+words.Of(o)+" for "+harm)
		},
	}
	c.Flags().StringVar(&harm, "harm", "h1", "which person hurt, as `show` lists them")
	c.Flags().StringVar(&from, "from", "", "first day on which it held, 2026-03-03; without it, the day of the event")
	c.Flags().StringVar(&reason, "reason", "", "why it changed")
	c.Flags().StringVar(&death, "death-date", "", "day of death, with the outcome death")
	ch.add(c)
	return c
}

func (s *session) absenceCommand() *cobra.Command {
	var harm, first, back string
	var days int
	var restricted bool
	ch := &changeFlags{}
	c := &cobra.Command{
		Use:   "absence REPORT",
		Short: "Record time away from work, or on restricted duties",
		Long: `Record a period away from work or on restricted duties. The day of the event is
not counted. A period with the same first day is replaced; leave --back out
while the person is still away.`,
		Example: "  fairlead absence 7KQ-2MX-4 --first 2026-03-03 --back 2026-03-09 --days 4",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			if first == "" {
				return usagef("--first is needed: the first full day or shift away, such as 2026-03-03")
			}
			a := &pb.Absence{FirstDate: first, ReturnDate: back}
			if cmd.Flags().Changed("days") {
				n := int32(max(-1, min(days, 1<<30)))
				a.RosteredDays = &n
			}
			name, etag, err := s.current(ctx, args[0], ch.etag)
			if err != nil {
				return err
			}
			r, err := s.client.Reports.RecordAbsence(ctx, &pb.RecordAbsenceRequest{Name: name, Etag: etag, HarmId: harm,
				Absence: a, RestrictedDuties: restricted, RequestId: ch.requestID})
			if err != nil {
				return err
			}
			what := "away from work"
			if restricted {
				what = "on restricted duties"
			}
			return s.wrote(r, "has "+harm+" "+what+" from "+first)
		},
	}
	fl := c.Flags()
	fl.StringVar(&harm, "harm", "h1", "which person hurt, as `show` lists them")
	fl.StringVar(&first, "first", "", "first full day or shift away")
	fl.StringVar(&back, "back", "", "day of return")
	fl.IntVar(&days, "days", 0, "rostered days or shifts lost, as the roster says; without it, weekdays are counted and marked as an estimate")
	fl.BoolVar(&restricted, "restricted", false, "on restricted or changed duties, not away")
	ch.add(c)
	return c
}

// needsSub answers a command that only has subcommands.
func needsSub(cmd *cobra.Command, _ []string) error {
	return usagef("%s needs one of its subcommands; see fairlead %s --help", cmd.Name(), cmd.Name())
}
