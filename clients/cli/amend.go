package cli

import (
	"maps"
	"slices"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// amendable says which field of the contract a flag of `amend` changes.
var amendable = []struct {
	flag  string
	paths []string
}{
	{"kind", []string{"kind"}}, {"workplace", []string{"workplace"}}, {"text", []string{"narrative"}},
	{"when", []string{"occur_time", "occur_end_time", "occur_precision"}}, {"spot", []string{"spot"}},
	{"before", []string{"task_before"}}, {"done", []string{"done_right_away"}}, {"could", []string{"who_could_be_hurt"}},
	{"worst", []string{"potential"}}, {"damage", []string{"damage"}},
	{"spilt", []string{"release"}}, {"quantity", []string{"release"}}, {"water", []string{"release"}}, {"steps", []string{"release"}},
}

func (s *session) amendCommand() *cobra.Command {
	f, ch := &fileFlags{}, &changeFlags{}
	var text, reason string
	c := &cobra.Command{
		Use:   "amend REPORT",
		Short: "Amend a report, with a reason; what was said before stays in the history",
		Long: `Amend a report, with a reason. Only what is named by a flag changes. What was
said before stays in the history. An empty value takes an answer back; people
hurt, outcomes and absences have their own commands.`,
		Example: `  fairlead amend 7KQ-2MX-4 --when "2026-03-02 14:30" --reason "the gate log shows the time"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			if reason == "" {
				return usagef("--reason is needed: why the report changes")
			}
			mask := &fieldmaskpb.FieldMask{}
			for _, a := range amendable {
				if cmd.Flags().Changed(a.flag) {
					mask.Paths = append(mask.Paths, a.paths...)
				}
			}
			mask.Normalize()
			if len(mask.GetPaths()) == 0 && len(f.states) == 0 {
				return usagef("nothing to change; name what changes, such as --spot or --when")
			}
			old, err := s.get(ctx, args[0])
			if err != nil {
				return err
			}
			r := &pb.Report{Name: old.GetName(), Etag: old.GetEtag(), Workplace: old.GetWorkplace(), Narrative: text}
			if ch.etag != "" {
				r.Etag = ch.etag
			}
			if err := s.story(ctx, cmd, f, r); err != nil {
				return err
			}
			keep(r, old, mask)
			w, err := s.client.Reports.UpdateReport(ctx, &pb.UpdateReportRequest{Report: r, UpdateMask: mask, Reason: reason, RequestId: ch.requestID})
			if err != nil {
				return err
			}
			return s.wrote(w, "is amended")
		},
	}
	f.addStory(c)
	c.Flags().StringVar(&text, "text", "", "what happened, in full")
	c.Flags().StringVar(&reason, "reason", "", "why it changes")
	ch.add(c)
	return c
}

// keep carries over the parts of a message that is replaced as a whole, so
// that a flag changes only what it names.
func keep(r, old *pb.Report, mask *fieldmaskpb.FieldMask) {
	keepAnswers(r, old, mask)
	o, n := old.GetRelease(), r.GetRelease()
	if !slices.Contains(mask.GetPaths(), "release") || o == nil || n == nil {
		return
	}
	if n.GetSubstance() == "" {
		n.Substance = o.GetSubstance()
	}
	if n.Quantity == nil {
		n.Quantity, n.QuantityUnit = o.Quantity, o.GetQuantityUnit()
	}
	if n.GetWaterReached() == 0 {
		n.WaterReached = o.GetWaterReached()
	}
	if n.GetStepsTaken() == "" {
		n.StepsTaken = o.GetStepsTaken()
	}
	n.AreaSquareMetres = o.AreaSquareMetres
}

// keepAnswers carries over why items have no value, but for items that have
// one now or are said to have none for another reason.
func keepAnswers(r, old *pb.Report, mask *fieldmaskpb.FieldMask) {
	m := r.ProtoReflect()
	changed := len(r.GetAnswers()) > 0
	kept := maps.Clone(r.GetAnswers())
	if kept == nil {
		kept = map[string]pb.AnswerState{}
	}
	for item, state := range old.GetAnswers() {
		fd := m.Descriptor().Fields().ByName(protoreflect.Name(item))
		if slices.Contains(mask.GetPaths(), item) && fd != nil && m.Has(fd) {
			changed = true
			continue
		}
		if _, given := kept[item]; !given {
			kept[item] = state
		}
	}
	if changed {
		r.Answers = kept
		mask.Paths = append(mask.Paths, "answers")
		mask.Normalize()
	}
}

func (s *session) voidCommand() *cobra.Command {
	var reason string
	ch := &changeFlags{}
	c := &cobra.Command{
		Use:     "void REPORT",
		Short:   "Take a report out of every figure, with a reason; it is kept",
		Example: `  fairlead void 7KQ-2MX-4 --reason "told twice; see 8MW-1QP-2"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			if reason == "" {
				return usagef("--reason is needed: why the report is voided")
			}
			name, etag, err := s.current(ctx, args[0], ch.etag)
			if err != nil {
				return err
			}
			r, err := s.client.Reports.VoidReport(ctx, &pb.VoidReportRequest{Name: name, Etag: etag, Reason: reason, RequestId: ch.requestID})
			if err != nil {
				return err
			}
			return s.wrote(r, "is voided")
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why")
	ch.add(c)
	return c
}
