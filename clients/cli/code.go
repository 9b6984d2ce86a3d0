package cli

import (
	"cmp"
	"context"
	"iter"
	"maps"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func keys[K cmp.Ordered, V any](m map[K]V) iter.Seq[K] { return maps.Keys(m) }

// coded is one facet of a coding.
type coded struct {
	facet pb.Facet
	code  string
}

// facetsOf returns the facets that have a code, in the order of the contract.
func facetsOf(c *pb.Coding) []coded {
	var out []coded
	for _, f := range []coded{
		{pb.Facet_FACET_NATURE, c.GetNature()}, {pb.Facet_FACET_BODILY_LOCATION, c.GetBodilyLocation()},
		{pb.Facet_FACET_MECHANISM, c.GetMechanism()}, {pb.Facet_FACET_BREAKDOWN_AGENCY, c.GetBreakdownAgency()},
		{pb.Facet_FACET_AGENCY, c.GetAgency()},
	} {
		if f.code != "" {
			out = append(out, f)
		}
	}
	return out
}

type codeFlags struct {
	harm, nature, location, mechanism, breakdown, agency string
	note, etag, requestID                                string
	notKnown                                             []string
	blind, agree, check                                  bool
}

func (s *session) codeCommand() *cobra.Command {
	f := &codeFlags{}
	c := &cobra.Command{
		Use:   "code REPORT",
		Short: "Give a report its codes, or look codes up",
		Long: `Give codes to a report, or with --harm to one person hurt in it. Codes that are
there stay unless a flag replaces them. --breakdown asks: when did it start to go
wrong? --agency asks: what actually hurt?

Codes are never shown to the person who told.`,
		Example: `  fairlead code look hit by falling branch
  fairlead code 7KQ-2MX-4 --mechanism 21 --breakdown 7121
  fairlead code 7KQ-2MX-4 --harm h1 --nature 149 --location 460
  fairlead code 7KQ-2MX-4 --harm h1 --agree`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			req, err := s.codingRequest(ctx, cmd, f, args[0])
			if err != nil {
				return err
			}
			r, err := s.client.Codes.AssignCoding(ctx, req)
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { showAssigned(p, r, f.check) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.harm, "harm", "", "the person hurt, as `show` lists them; without it, the report as a whole")
	fl.StringVar(&f.nature, "nature", "", "nature of injury or disease")
	fl.StringVar(&f.location, "location", "", "bodily location")
	fl.StringVar(&f.mechanism, "mechanism", "", "mechanism: what happened to the person")
	fl.StringVar(&f.breakdown, "breakdown", "", "breakdown agency: the thing at the point where it began to go wrong")
	fl.StringVar(&f.agency, "agency", "", "agency of injury: the thing that did the harm")
	fl.StringVar(&f.note, "note", "", "why these codes; what was in doubt")
	fl.StringSliceVar(&f.notKnown, "not-known", nil, "take a facet's code out: nobody knows it (again for another)")
	fl.BoolVar(&f.blind, "blind", false, "you saw no other coding of the case")
	fl.BoolVar(&f.agree, "agree", false, "you have reviewed what a crosswalk gave, and agree")
	fl.StringVar(&f.etag, "etag", "", "version of the coding that you saw; without it, the one now in force")
	fl.StringVar(&f.requestID, "request-id", "", "id of this request, a UUID; the same id again changes nothing twice")
	fl.BoolVar(&f.check, "check", false, "check only; nothing is stored")
	c.AddCommand(s.lookCommand())
	return c
}

// codingRequest starts from the codes that are there, and puts those of the
// flags over them.
func (s *session) codingRequest(ctx context.Context, cmd *cobra.Command, f *codeFlags, report string) (*pb.AssignCodingRequest, error) {
	flags := []struct {
		flag, value string
		set         func(*pb.Coding) *string
	}{
		{"nature", f.nature, func(c *pb.Coding) *string { return &c.Nature }},
		{"location", f.location, func(c *pb.Coding) *string { return &c.BodilyLocation }},
		{"mechanism", f.mechanism, func(c *pb.Coding) *string { return &c.Mechanism }},
		{"breakdown", f.breakdown, func(c *pb.Coding) *string { return &c.BreakdownAgency }},
		{"agency", f.agency, func(c *pb.Coding) *string { return &c.Agency }},
	}
	names := map[string]string{"nature": "nature", "location": "bodily_location", "mechanism": "mechanism",
		"breakdown": "breakdown_agency", "agency": "agency"}
	given := len(f.notKnown) > 0 || f.agree
	for _, x := range flags {
		given = given || cmd.Flags().Changed(x.flag)
	}
	if !given {
		return nil, usagef("no code is given; name at least one of --mechanism, --breakdown, --agency, --nature and --location")
	}
	for _, n := range f.notKnown {
		if names[n] == "" {
			return nil, usagef("--not-known: %q is none of nature, location, mechanism, breakdown, agency", n)
		}
	}
	r, err := s.get(ctx, report)
	if err != nil {
		return nil, err
	}
	l, err := s.client.Codes.ListCodings(ctx, &pb.ListCodingsRequest{Parent: r.GetName()})
	if err != nil {
		return nil, err
	}
	out := &pb.Coding{HarmId: f.harm}
	for _, c := range l.GetCodings() {
		if c.GetHarmId() != f.harm {
			continue
		}
		if f.blind {
			// The codes of others are not looked at, only replaced.
			out.Etag = c.GetEtag()
			break
		}
		out = proto.Clone(c).(*pb.Coding)
	}
	if f.agree && out.GetOrigin() != pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED {
		return nil, failf("There is nothing to agree with: no crosswalk gave codes here that nobody has reviewed.")
	}
	out.Name, out.Coder, out.CodeTime, out.Blind = "", "", nil, f.blind
	out.Origin = pb.CodingOrigin_CODING_ORIGIN_PERSON
	if f.agree {
		out.Origin = pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_REVIEWED
	}
	if f.etag != "" {
		out.Etag = f.etag
	}
	for _, x := range flags {
		if cmd.Flags().Changed(x.flag) {
			*x.set(out) = strings.TrimSpace(x.value)
			delete(out.Answers, names[x.flag])
		}
	}
	for _, n := range f.notKnown {
		for _, x := range flags {
			if x.flag == n {
				*x.set(out) = ""
			}
		}
		if out.Answers == nil {
			out.Answers = map[string]pb.AnswerState{}
		}
		out.Answers[names[n]] = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	}
	if cmd.Flags().Changed("note") {
		out.Note = f.note
	}
	return &pb.AssignCodingRequest{Parent: r.GetName(), Coding: out, RequestId: f.requestID, ValidateOnly: f.check}, nil
}

func showAssigned(p *page.Page, r *pb.AssignCodingResponse, check bool) {
	if check {
		p.Linef("Nothing wrong with it. Nothing was stored.")
	} else {
		p.Linef("Coded in %s. Change %d.", r.GetCoding().GetEdition(), r.GetSequenceNumber())
	}
	codeTable(p, r.GetCodes())
	for _, n := range r.GetNotes() {
		p.Item(n)
	}
}

// codeTable lists codes with where they stand in their list.
func codeTable(p *page.Page, codes []*pb.Code) {
	var rows [][]string
	for _, c := range codes {
		title := c.GetTitle()
		if len(c.GetPath()) > 0 {
			title += "  (" + strings.Join(c.GetPath(), " > ") + ")"
		}
		if !c.GetAssignable() {
			title += "  [a heading: choose below it]"
		}
		rows = append(rows, []string{words.Of(c.GetFacet()), c.GetCode(), title})
	}
	p.Table([]page.Column{{}, {}, {}}, rows)
}

func (s *session) lookCommand() *cobra.Command {
	var facet enumFlag[pb.Facet]
	var limit int32
	c := &cobra.Command{
		Use:     "look WORDS",
		Short:   "Look codes up by plain words",
		Example: "  fairlead code look hit by falling branch\n  fairlead code look hand --facet location",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Codes.LookUpCodes(cmd.Context(), &pb.LookUpCodesRequest{Words: strings.Join(args, " "), Facet: facet.value, Limit: limit})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				if len(r.GetCodes()) == 0 {
					p.Linef("No code for these words in %s. Try other words for the same thing.", r.GetEdition())
					return
				}
				codeTable(p, r.GetCodes())
				p.Blank()
				p.Linef("%s. A list to choose from, best first within each facet; a person decides.", r.GetEdition())
			})
		},
	}
	c.Flags().Var(&facet, "facet", "only this facet: "+words.Choices[pb.Facet]())
	c.Flags().Int32Var(&limit, "limit", 5, "most codes for each facet")
	return c
}
