package cli

import (
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"fairlead/clients/cli/page"
	"fairlead/clients/peoplefile"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) peopleCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "people",
		Short: "Who may come in: list, add, change, end, bring in a file",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return s.listPeople(cmd, false) },
	}
	c.AddCommand(s.peopleListCommand(), s.peopleAddCommand(), s.peopleGrantCommand(), s.peopleStateCommand("suspend", "Keep somebody out for now", pb.PrincipalState_PRINCIPAL_STATE_SUSPENDED),
		s.peopleStateCommand("resume", "Let somebody in again", pb.PrincipalState_PRINCIPAL_STATE_ACTIVE), s.peopleEndCommand(), s.peopleImportCommand(), s.peopleTokenCommand())
	return c
}

func (s *session) peopleListCommand() *cobra.Command {
	var left bool
	c := &cobra.Command{Use: "list", Short: "List who may come in", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return s.listPeople(cmd, left) }}
	c.Flags().BoolVar(&left, "left", false, "also those who have left")
	return c
}

func (s *session) listPeople(cmd *cobra.Command, left bool) error {
	c, err := s.dial()
	if err != nil {
		return err
	}
	all := &pb.ListPrincipalsResponse{}
	for token := ""; ; {
		r, err := c.Principals.ListPrincipals(cmd.Context(), &pb.ListPrincipalsRequest{PageSize: 500, PageToken: token, IncludeLeft: left})
		if err != nil {
			return err
		}
		all.Principals = append(all.Principals, r.GetPrincipals()...)
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	return s.show(all, func(p *page.Page) {
		var rows [][]string
		for _, one := range all.GetPrincipals() {
			rows = append(rows, []string{words.Short(one.GetName()), one.GetDisplayName(), one.GetSignInName(), words.Grants(one), words.Of(one.GetState())})
		}
		p.Table([]page.Column{{Head: "id"}, {Head: "name"}, {Head: "signs in as"}, {Head: "may"}, {Head: "state"}}, rows)
	})
}

// parseGrants reads grants as they are typed: role, or role:workplace,workplace.
func parseGrants(list []string) ([]*pb.Grant, error) {
	var out []*pb.Grant
	for _, text := range list {
		word, where, _ := strings.Cut(text, ":")
		role, err := words.Parse[pb.Role](word)
		if err != nil || role == 0 {
			return nil, usagef("--grant: %q is not a role; choose from %s", word, words.Choices[pb.Role]())
		}
		g := &pb.Grant{Role: role}
		for _, w := range strings.FieldsFunc(where, func(r rune) bool { return r == ' ' || r == '+' }) {
			if strings.HasPrefix(w, "reports/") {
				g.Reports = append(g.Reports, w)
				continue
			}
			g.Workplaces = append(g.Workplaces, words.Workplace(w))
		}
		out = append(out, g)
	}
	return out, nil
}

const grantHelp = `role, or role:workplace (several with +), such as supervisor:northside+quarry-road; an investigator's are reports; may be repeated`

func (s *session) peopleAddCommand() *cobra.Command {
	p := &pb.Principal{}
	var grants []string
	var requestID string
	c := &cobra.Command{
		Use:     "add NAME",
		Short:   "Somebody joins (needs the role administrator)",
		Example: `  fairlead people add "R. Fern" --sign-in r.fern --grant supervisor:northside-trees --tablets`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			if p.Grants, err = parseGrants(grants); err != nil {
				return err
			}
			p.DisplayName = args[0]
			p.Name = "principals/" + peoplefile.ID(p.GetDisplayName(), p.GetSignInName(), strings.Join(grants, " "))
			r, err := c.Principals.CreatePrincipal(cmd.Context(), &pb.CreatePrincipalRequest{Principal: p, RequestId: requestID})
			if err != nil {
				return err
			}
			return s.show(r, func(pg *page.Page) { pg.Linef("Added: %s, %s.", words.Short(r.GetName()), words.Grants(r)) })
		},
	}
	c.Flags().StringVar(&p.SignInName, "sign-in", "", "name to sign in with; without one only tablets and tokens")
	c.Flags().StringArrayVar(&grants, "grant", nil, grantHelp)
	c.Flags().BoolVar(&p.OfferedOnTablets, "tablets", false, "agreed to be picked by name on shared tablets")
	c.Flags().StringVar(&requestID, "request-id", "", "id of this request, a UUID")
	return c
}

// change reads a principal and changes what a mask names.
func (s *session) changePerson(cmd *cobra.Command, id string, paths []string, set func(*pb.Principal)) error {
	c, err := s.dial()
	if err != nil {
		return err
	}
	now, err := c.Principals.GetPrincipal(cmd.Context(), &pb.GetPrincipalRequest{Name: "principals/" + strings.TrimPrefix(id, "principals/")})
	if err != nil {
		return err
	}
	set(now)
	r, err := c.Principals.UpdatePrincipal(cmd.Context(), &pb.UpdatePrincipalRequest{Principal: now, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
	if err != nil {
		return err
	}
	return s.show(r, func(p *page.Page) {
		p.Linef("%s: %s, %s.", r.GetDisplayName(), words.Grants(r), words.Of(r.GetState()))
	})
}

func (s *session) peopleGrantCommand() *cobra.Command {
	var grants []string
	c := &cobra.Command{Use: "grant ID", Short: "Somebody moves: what they may do from now on, in place of what they had", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			list, err := parseGrants(grants)
			if err != nil {
				return err
			}
			if len(list) == 0 {
				return usagef("--grant is needed: what may they do?")
			}
			return s.changePerson(cmd, args[0], []string{"grants"}, func(p *pb.Principal) { p.Grants = list })
		}}
	c.Flags().StringArrayVar(&grants, "grant", nil, grantHelp)
	return c
}

func (s *session) peopleStateCommand(use, short string, state pb.PrincipalState) *cobra.Command {
	return &cobra.Command{Use: use + " ID", Short: short, Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return s.changePerson(cmd, args[0], []string{"state"}, func(p *pb.Principal) { p.State = state })
		}}
}

func (s *session) peopleEndCommand() *cobra.Command {
	return &cobra.Command{Use: "end ID", Short: "Somebody has left: sessions, tokens and sign-in end at once", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			name := "principals/" + strings.TrimPrefix(args[0], "principals/")
			now, err := c.Principals.GetPrincipal(cmd.Context(), &pb.GetPrincipalRequest{Name: name})
			if err != nil {
				return err
			}
			r, err := c.Principals.EndPrincipal(cmd.Context(), &pb.EndPrincipalRequest{Name: name, Etag: now.GetEtag()})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { p.Linef("%s has left: nothing lets them in any more.", r.GetDisplayName()) })
		}}
}

func (s *session) peopleTokenCommand() *cobra.Command {
	return &cobra.Command{Use: "token ID PURPOSE", Short: "Make a token for a program that acts as somebody; shown once", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Principals.CreateToken(cmd.Context(), &pb.CreateTokenRequest{Principal: "principals/" + strings.TrimPrefix(args[0], "principals/"), Purpose: args[1]})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				p.Linef("%s", r.GetSecret())
				p.Linef("Shown once and kept nowhere. Its name is %s.", r.GetToken().GetName())
			})
		}}
}

func (s *session) tabletsCommand() *cobra.Command {
	var ended bool
	c := &cobra.Command{
		Use: "tablets", Short: "Shared tablets: list, add, make a new code, take out", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Devices.ListDevices(cmd.Context(), &pb.ListDevicesRequest{IncludeEnded: ended})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				var rows [][]string
				for _, d := range r.GetDevices() {
					state := "not let in yet"
					switch {
					case d.GetEndTime() != nil:
						state = "taken out"
					case d.GetEnrolTime() != nil:
						state = "in use"
					}
					rows = append(rows, []string{d.GetName(), d.GetDisplayName(), words.Short(d.GetWorkplace()), state, d.GetLastSeenDate()})
				}
				p.Table([]page.Column{{Head: "tablet"}, {Head: "called"}, {Head: "workplace"}, {Head: "state"}, {Head: "last heard of"}}, rows)
			})
		},
	}
	c.Flags().BoolVar(&ended, "ended", false, "also those taken out")
	show := func(r *pb.CreateDeviceResponse) error {
		return s.show(r, func(p *page.Page) {
			p.Linef("Code for %s: %s-%s", r.GetDevice().GetDisplayName(), r.GetCode()[:4], r.GetCode()[4:])
			p.Linef("Shown once, good for ten minutes, for one tablet: open /tablet/ there and type it.")
		})
	}
	var workplace string
	add := &cobra.Command{Use: "add NAME", Short: "Add a tablet and make the code that lets it in", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			at, err := s.place(cmd.Context(), workplace)
			if err != nil {
				return err
			}
			r, err := c.Devices.CreateDevice(cmd.Context(), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: args[0], Workplace: at}})
			if err != nil {
				return err
			}
			return show(r)
		}}
	add.Flags().StringVarP(&workplace, "workplace", "w", ".", `where it is used; "." is the organisation`)
	renew := &cobra.Command{Use: "renew TABLET", Short: "Make a new code for a tablet that was set up anew", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Devices.RenewEnrolment(cmd.Context(), &pb.RenewEnrolmentRequest{Name: args[0]})
			if err != nil {
				return err
			}
			return show(r)
		}}
	end := &cobra.Command{Use: "end TABLET", Short: "Take a tablet out, lost or worn: it does nothing any more", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Devices.EndDevice(cmd.Context(), &pb.EndDeviceRequest{Name: args[0]})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { p.Linef("%s is taken out.", r.GetDisplayName()) })
		}}
	c.AddCommand(add, renew, end)
	return c
}
