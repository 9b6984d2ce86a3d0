package cli

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) workplacesCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "workplaces",
		Short: "Show the tree of workplaces, or add one",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			t, err := s.workplaces(cmd.Context())
			if err != nil {
				return err
			}
			return s.show(&pb.ListWorkplacesResponse{Workplaces: t.order}, func(p *page.Page) { showTree(p, t) })
		},
	}
	c.AddCommand(s.addWorkplaceCommand())
	return c
}

func showTree(p *page.Page, t *tree) {
	if len(t.order) == 0 {
		p.Linef("No workplace yet. Add the organisation first:")
		p.Linef("  fairlead workplaces add ID --title NAME --level organisation --time-zone ZONE")
		return
	}
	below := map[string][]*pb.Workplace{}
	for _, w := range t.order {
		parent := w.GetParent()
		if t.byName[parent] == nil {
			parent = "" // not open to the caller: the tree begins here
		}
		below[parent] = append(below[parent], w)
	}
	var rows [][]string
	var walk func(parent string, depth int)
	walk = func(parent string, depth int) {
		for _, w := range below[parent] {
			note := w.GetTimeZone()
			if w.GetJurisdiction() != "" {
				note += " " + w.GetJurisdiction()
			}
			if w.GetCloseTime() != nil {
				note += " closed " + dayWords(w.GetCloseTime().AsTime())
			}
			rows = append(rows, []string{strings.Repeat("  ", depth) + words.Short(w.GetName()), w.GetTitle(), words.Of(w.GetLevel()), strings.TrimSpace(note)})
			if depth < len(t.order) { // a tree that bites its tail ends all the same
				walk(w.GetName(), depth+1)
			}
		}
	}
	walk("", 0)
	p.Table([]page.Column{{Head: "workplace"}, {Head: "name"}, {Head: "level"}, {Head: "zone, jurisdiction"}}, rows)
}

func (s *session) addWorkplaceCommand() *cobra.Command {
	w := &pb.Workplace{}
	var below, requestID string
	var level enumFlag[pb.WorkplaceLevel]
	c := &cobra.Command{
		Use:   "add ID",
		Short: "Add a workplace below another (needs the role administrator)",
		Long: `Add a workplace. The id is 1 to 63 lower-case letters, digits and hyphens, and is
what people type. The first one is the organisation; it has a time zone, and the
ones below it take it over unless they name their own.`,
		Example: `  fairlead workplaces add brindle-range --title "Brindle Range Shire outdoor works" --level organisation --time-zone Australia/Sydney --jurisdiction AU-NSW
  fairlead workplaces add northside --title "Northside depot" --level site --below brindle-range`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			c, err := s.dial()
			if err != nil {
				return err
			}
			w.Name, w.Level = words.Workplace(args[0]), level.value
			if w.Parent = words.Workplace(below); below == "." {
				if w.Parent, err = s.place(ctx, "."); err != nil {
					return err
				}
			}
			r, err := c.Workplaces.CreateWorkplace(ctx, &pb.CreateWorkplaceRequest{Workplace: w, RequestId: requestID})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { p.Linef("Added %s, %s.", words.Short(r.GetName()), r.GetTitle()) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&w.Title, "title", "", "what people call it")
	fl.Var(&level, "level", words.Choices[pb.WorkplaceLevel]())
	fl.StringVar(&below, "below", "", `the workplace above it; "." is the organisation`)
	fl.StringVar(&w.TimeZone, "time-zone", "", "time zone, such as Australia/Sydney; without it, that of the workplace above")
	fl.StringVar(&w.Jurisdiction, "jurisdiction", "", "whose safety law applies, such as AU-NSW")
	fl.StringVar(&w.IndustryCode, "industry", "", "industry code with its scheme, such as ANZSIC:O7530")
	fl.StringVar(&requestID, "request-id", "", "id of this request, a UUID")
	return c
}

// addHint is the command that adds a workplace that is missing.
func addHint(name, title, level, zone string) string {
	id := words.Short(name)
	if title == "" {
		title = "NAME"
	}
	if level == "" {
		level = "site"
	}
	out := "fairlead workplaces add " + id + ` --title "` + title + `" --level ` + level + " --below ."
	if zone != "" {
		out += " --time-zone " + zone
	}
	return out
}

// near returns the ids of workplaces that look like a name, for a hint.
func (t *tree) near(name string) []string {
	id := words.Short(name)
	var out []string
	for _, w := range t.order {
		other := words.Short(w.GetName())
		if len(id) >= 3 && (strings.Contains(other, id) || strings.Contains(id, other)) {
			out = append(out, other)
		}
	}
	slices.Sort(out)
	return out
}
