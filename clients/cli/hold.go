package cli

import (
	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) holdCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "hold",
		Short: "Keep records as they are for a court, a regulator or a claim",
		Long: `List legal holds. What is under a hold stays as it is, whatever its period: nothing
is taken out of it and nobody in it is erased until the hold is released. A hold
that was released stays on record.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Retention.ListLegalHolds(cmd.Context(), &pb.ListLegalHoldsRequest{})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { showHolds(p, r.GetLegalHolds()) })
		},
	}
	c.AddCommand(s.placeHoldCommand(), s.releaseHoldCommand())
	return c
}

func showHolds(p *page.Page, list []*pb.LegalHold) {
	if len(list) == 0 {
		p.Linef("No hold was ever placed.")
		return
	}
	for _, h := range list {
		p.Heading(words.Short(h.GetName()))
		p.Para(h.GetReason(), 0)
		p.Linef("Asked for by %s. Placed %s by %s.", h.GetAskedBy(), dayWords(h.GetPlaceTime().AsTime()), words.Short(h.GetPlacer()))
		for _, r := range h.GetReports() {
			p.Linef("  report %s", words.Short(r))
		}
		for _, r := range h.GetPeople() {
			p.Linef("  person %s", words.Short(r))
		}
		if h.Filter != nil {
			p.Linef("  all reports that its conditions pick; see --json")
		}
		if h.GetReleaseTime() != nil {
			p.Linef("Released %s by %s: %s", dayWords(h.GetReleaseTime().AsTime()), words.Short(h.GetReleaser()), h.GetReleaseReason())
		}
	}
}

func (s *session) placeHoldCommand() *cobra.Command {
	f := &filterFlags{}
	h := &pb.LegalHold{}
	var reports, people []string
	var everything bool
	var requestID string
	c := &cobra.Command{
		Use:   "place ID",
		Short: "Place a hold on named reports and people, or on all that conditions pick",
		Example: `  fairlead hold place claim-7 --reason "claim over the chipper" --asked-by "the insurer" --report 7KQ-2MX-4
  fairlead hold place inquest --reason "an inquest" --asked-by "the coroner" --workplace northside --since 2026-01`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			c, err := s.dial()
			if err != nil {
				return err
			}
			h.Name = expandName("legalHolds/", args[0])
			filter, err := f.message()
			if err != nil {
				return err
			}
			conditions := false
			for _, name := range []string{"workplace", "kind", "since", "until", "outcome", "worst", "code", "dataset", "group", "cell"} {
				if fl := cmd.Flags().Lookup(name); fl != nil && fl.Changed {
					conditions = true
				}
			}
			if conditions || everything {
				h.Filter = filter
			}
			for _, typed := range reports {
				r, err := s.get(ctx, typed)
				if err != nil {
					return err
				}
				h.Reports = append(h.Reports, r.GetName())
			}
			for _, p := range people {
				h.People = append(h.People, words.Person(p))
			}
			r, err := c.Retention.PlaceLegalHold(ctx, &pb.PlaceLegalHoldRequest{LegalHold: h, RequestId: requestID})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				p.Linef("%s is in force. Change %d.", words.Short(h.GetName()), r.GetSequenceNumber())
			})
		},
	}
	f.add(c)
	fl := c.Flags()
	fl.StringVar(&h.Reason, "reason", "", "why these records must stay as they are")
	fl.StringVar(&h.AskedBy, "asked-by", "", "who asked: a court, a regulator, an insurer")
	fl.StringSliceVar(&reports, "report", nil, "this report (again for another)")
	fl.StringSliceVar(&people, "person", nil, "this person, with every report that names them (again for another)")
	fl.BoolVar(&everything, "everything", false, "all reports, those to come too")
	fl.StringVar(&requestID, "request-id", "", "id of this request, a UUID")
	return c
}

func (s *session) releaseHoldCommand() *cobra.Command {
	req := &pb.ReleaseLegalHoldRequest{}
	c := &cobra.Command{
		Use:   "release ID",
		Short: "End a hold, with a reason; it stays on record",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			c, err := s.dial()
			if err != nil {
				return err
			}
			req.Name = expandName("legalHolds/", args[0])
			if req.Etag == "" {
				list, err := c.Retention.ListLegalHolds(ctx, &pb.ListLegalHoldsRequest{})
				if err != nil {
					return err
				}
				for _, h := range list.GetLegalHolds() {
					if h.GetName() == req.Name {
						req.Etag = h.GetEtag()
					}
				}
				if req.Etag == "" {
					return failf("There is no hold %s. See `fairlead hold`.", words.Short(req.Name))
				}
			}
			r, err := c.Retention.ReleaseLegalHold(ctx, req)
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				p.Linef("%s is released. Change %d.", words.Short(req.Name), r.GetSequenceNumber())
			})
		},
	}
	c.Flags().StringVar(&req.Reason, "reason", "", "why these records may go their way again")
	c.Flags().StringVar(&req.Etag, "etag", "", "version you saw; without it, the one now in force")
	c.Flags().StringVar(&req.RequestId, "request-id", "", "id of this request, a UUID")
	return c
}
