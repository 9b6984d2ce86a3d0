package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) retentionCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "retention",
		Short: "How long what is kept: the classes, what is due, and taking it out",
		Long: `How long which reports are kept, and what may be taken out then. A class says
which reports, for how long, and what then; it does nothing before an adviser and
an administrator have both agreed to it. Nothing is ever taken out by itself, and
nothing under a hold (fairlead hold). What is counted stays: no figure changes.`,
		Example: `  fairlead retention agree call-back --reason "privacy officer, 3 March"
  fairlead retention due
  fairlead retention apply --etag 1f0c… --reason "committee, 10 March"`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return s.listClasses(cmd.Context()) },
	}
	c.AddCommand(s.dueCommand(), s.applyCommand(), s.setClassCommand(), s.agreeCommand(), s.stopCommand())
	return c
}

func class(id string) string { return expandName("retentionClasses/", id) }

func expandName(prefix, id string) string {
	if strings.HasPrefix(id, prefix) {
		return id
	}
	return prefix + id
}

func (s *session) listClasses(ctx context.Context) error {
	c, err := s.dial()
	if err != nil {
		return err
	}
	r, err := c.Retention.ListRetentionClasses(ctx, &pb.ListRetentionClassesRequest{})
	if err != nil {
		return err
	}
	return s.show(r, func(p *page.Page) {
		for _, c := range r.GetClasses() {
			p.Heading(words.Short(c.GetName()))
			p.Para(c.GetTitle(), 0)
			p.Linef("%s; %s.", stepWords(c), standing(c))
			p.Para("Source: "+c.GetSource(), 0)
		}
	})
}

// stepWords says what a class does.
func stepWords(c *pb.RetentionClass) string {
	from := map[pb.RetentionStart]string{pb.RetentionStart_RETENTION_START_EVENT: "the event",
		pb.RetentionStart_RETENTION_START_RECEIPT: "receipt", pb.RetentionStart_RETENTION_START_LAST_CHANGE: "the last change"}[c.GetStart()]
	span := fmt.Sprintf("%d months after %s", c.GetMonths(), from)
	if c.GetMonths()%12 == 0 {
		span = fmt.Sprintf("%d years after %s", c.GetMonths()/12, from)
	}
	switch c.GetStep() {
	case pb.RetentionStep_RETENTION_STEP_KEEP:
		if c.GetMonths() == 0 {
			return "Kept for ever"
		}
		return "Kept whole until " + span
	case pb.RetentionStep_RETENTION_STEP_TELLERS:
		return "Who told is taken out " + span
	case pb.RetentionStep_RETENTION_STEP_IDENTITIES:
		return "Who told and who was hurt are taken out " + span
	}
	return "Words, photos and names are taken out " + span
}

// standing says whether a class is in force.
func standing(c *pb.RetentionClass) string {
	switch {
	case c.GetInForce():
		return "in force"
	case c.GetAdviser() != "":
		return "an administrator must still agree"
	case c.GetAdministrator() != "":
		return "an adviser must still agree"
	case c.GetSuggested():
		return "a suggestion, does nothing"
	}
	return "not agreed to, does nothing"
}

func (s *session) dueCommand() *cobra.Command {
	var date string
	var classes []string
	c := &cobra.Command{
		Use:   "due",
		Short: "What falls due by the classes in force; nothing is written",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Retention.PreviewRetention(cmd.Context(), &pb.PreviewRetentionRequest{Date: date, Classes: classNames(classes)})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { showDue(p, r) })
		},
	}
	addDue(c, &date, &classes)
	return c
}

func addDue(c *cobra.Command, date *string, classes *[]string) {
	c.Flags().StringVar(date, "date", "", "the day, such as 2031-03-04; without it, today")
	c.Flags().StringSliceVar(classes, "class", nil, "only what falls due under this class (again for another)")
}

func classNames(ids []string) []string {
	var out []string
	for _, id := range ids {
		out = append(out, class(id))
	}
	return out
}

func showDue(p *page.Page, r *pb.PreviewRetentionResponse) {
	if len(r.GetDue()) == 0 {
		p.Linef("No class is in force, so nothing falls due. See `fairlead retention`.")
		return
	}
	total := int64(0)
	var rows [][]string
	for _, d := range r.GetDue() {
		total += d.GetCount()
		rows = append(rows, []string{words.Short(d.GetRetentionClass()), d.GetTitle(), page.Count(float64(d.GetCount()))})
	}
	p.Table([]page.Column{{Head: "class"}, {Head: "what"}, {Head: "due", Right: true}}, rows)
	for _, d := range r.GetDue() {
		for _, name := range d.GetReports() {
			p.Linef("  %s  %s", words.Short(d.GetRetentionClass()), words.Short(name))
		}
	}
	p.Blank()
	p.Linef("On %s. %s more are under a hold. Nothing was changed.", r.GetDate(), page.Count(float64(r.GetHeld())))
	if total > 0 {
		p.Linef("To take it out, for good: fairlead retention apply --etag %s --reason …", r.GetEtag())
	}
}

func (s *session) applyCommand() *cobra.Command {
	req := &pb.ApplyRetentionRequest{}
	var classes []string
	c := &cobra.Command{
		Use:   "apply",
		Short: "Take out what was due when you looked; it cannot be undone",
		Long: `Take out what ` + "`fairlead retention due`" + ` listed, for good. The etag that it printed
says which list you looked at: if something else is due by now, nothing is done.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if req.Etag == "" || req.Reason == "" {
				return usagef("--etag and --reason are needed: look at `fairlead retention due` first")
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			req.Classes = classNames(classes)
			done := int64(0)
			for {
				r, err := c.Retention.ApplyRetention(cmd.Context(), req)
				if err != nil {
					return err
				}
				done += r.GetDone()
				if r.GetRemaining() > 0 {
					req.Etag, req.RequestId = r.GetNextEtag(), ""
					continue
				}
				r.Done = done
				return s.show(r, func(p *page.Page) { p.Linef("Taken out of %d reports. Change %d.", done, r.GetSequenceNumber()) })
			}
		},
	}
	addDue(c, &req.Date, &classes)
	c.Flags().StringVar(&req.Etag, "etag", "", "the list that you looked at")
	c.Flags().StringVar(&req.Reason, "reason", "", "who decided it, and when")
	return c
}

func (s *session) setClassCommand() *cobra.Command {
	f := &filterFlags{}
	k := &pb.RetentionClass{}
	var start enumFlag[pb.RetentionStart]
	var step enumFlag[pb.RetentionStep]
	var reason, requestID string
	c := &cobra.Command{
		Use:     "set CLASS",
		Short:   "Add a class, or change one; then both must agree",
		Example: `  fairlead retention set near-misses --title "Near misses" --kind near-miss --months 120 --from event --then words --source "House rule" --reason "committee, 3 March"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			c, err := s.dial()
			if err != nil {
				return err
			}
			k.Name, k.Start, k.Step = class(args[0]), start.value, step.value
			if k.Filter, err = f.message(); err != nil {
				return err
			}
			if k.Etag == "" {
				if k.Etag, err = s.classEtag(ctx, k.Name); err != nil {
					return err
				}
			}
			r, err := c.Retention.SetRetentionClass(ctx, &pb.SetRetentionClassRequest{RetentionClass: k, Reason: reason, RequestId: requestID})
			if err != nil {
				return err
			}
			return s.wroteClass(r)
		},
	}
	f.addConditions(c)
	fl := c.Flags()
	fl.StringSliceVarP(&f.workplaces, "workplace", "w", nil, "only this workplace and those below it")
	fl.StringVar(&k.Title, "title", "", "what it is about")
	fl.Int32Var(&k.Months, "months", 0, "how many months; 0 keeps for ever")
	fl.Var(&start, "from", "from when it is counted: "+words.Choices[pb.RetentionStart]())
	fl.Var(&step, "then", "what may be taken out then: "+words.Choices[pb.RetentionStep]())
	fl.StringVar(&k.Source, "source", "", "the law and its section, or that it is a rule of the house")
	fl.StringVar(&k.Etag, "etag", "", "version you saw; without it, the one now in force")
	fl.StringVar(&reason, "reason", "", "why")
	fl.StringVar(&requestID, "request-id", "", "id of this request, a UUID")
	return c
}

// classEtag returns the version of a class; empty for a new one or a
// suggestion.
func (s *session) classEtag(ctx context.Context, name string) (string, error) {
	r, err := s.client.Retention.ListRetentionClasses(ctx, &pb.ListRetentionClassesRequest{})
	if err != nil {
		return "", err
	}
	for _, c := range r.GetClasses() {
		if c.GetName() == name {
			return c.GetEtag(), nil
		}
	}
	return "", nil
}

func (s *session) wroteClass(r *pb.WriteRetentionClassResponse) error {
	return s.show(r, func(p *page.Page) {
		c := r.GetRetentionClass()
		p.Linef("%s: %s. Change %d, version %s.", words.Short(c.GetName()), standing(c), r.GetSequenceNumber(), c.GetEtag())
	})
}

func (s *session) agreeCommand() *cobra.Command {
	ch := &changeFlags{}
	var reason string
	c := &cobra.Command{
		Use:   "agree CLASS",
		Short: "Agree to a class; an adviser and an administrator both must",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return s.changeClass(cmd.Context(), args[0], ch, func(name, etag string) (*pb.WriteRetentionClassResponse, error) {
				return s.client.Retention.AgreeRetentionClass(cmd.Context(), &pb.AgreeRetentionClassRequest{Name: name, Etag: etag, Reason: reason, RequestId: ch.requestID})
			})
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "what it was checked against")
	ch.add(c)
	return c
}

func (s *session) stopCommand() *cobra.Command {
	ch := &changeFlags{}
	var reason string
	c := &cobra.Command{
		Use:   "stop CLASS",
		Short: "Take a class out of force; it stays on record",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return s.changeClass(cmd.Context(), args[0], ch, func(name, etag string) (*pb.WriteRetentionClassResponse, error) {
				return s.client.Retention.StopRetentionClass(cmd.Context(), &pb.StopRetentionClassRequest{Name: name, Etag: etag, Reason: reason, RequestId: ch.requestID})
			})
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why it no longer holds")
	ch.add(c)
	return c
}

func (s *session) changeClass(ctx context.Context, id string, ch *changeFlags, do func(name, etag string) (*pb.WriteRetentionClassResponse, error)) error {
	if _, err := s.dial(); err != nil {
		return err
	}
	name, etag := class(id), ch.etag
	if etag == "" {
		var err error
		if etag, err = s.classEtag(ctx, name); err != nil {
			return err
		}
	}
	r, err := do(name, etag)
	if err != nil {
		return err
	}
	return s.wroteClass(r)
}
