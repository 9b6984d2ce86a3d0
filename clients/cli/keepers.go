package cli

import (
	"bufio"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// passphrase asks for a passphrase, or reads a line of standard input.
func (s *session) passphrase(cmd *cobra.Command, prompt string) (string, error) {
	if s.lines == nil {
		s.lines = bufio.NewReader(s.env.In)
	}
	a := &asker{ctx: cmd.Context(), in: s.lines, out: s.env.Err}
	return a.line(prompt)
}

// keepersCommand looks after those to whom confidential names are closed.
func (s *session) keepersCommand() *cobra.Command {
	var evenIfLast bool
	list := func(cmd *cobra.Command) error {
		r, err := s.client.Keepers.ListKeepers(cmd.Context(), &pb.ListKeepersRequest{})
		if err != nil {
			return err
		}
		return s.show(r, func(p *page.Page) {
			for _, k := range r.GetKeepers() {
				state := "named, no passphrase yet"
				switch {
				case k.GetEndTime() != nil:
					state = "ended " + k.GetEndTime().AsTime().Format("2006-01-02")
				case k.GetRecipient() != "":
					state = "keeper since " + k.GetBeginTime().AsTime().Format("2006-01-02")
				}
				p.Linef("%s   %s", words.Short(k.GetPrincipal()), state)
			}
			for _, c := range r.GetClosed() {
				p.Para(c.GetWords(), 0)
			}
			if n := r.GetOpenNames(); n > 0 {
				p.Linef("Told in confidence and not closed yet: %d.", n)
			}
			if r.GetAdvice() != "" {
				p.Para(r.GetAdvice(), 0)
			}
		})
	}
	top := &cobra.Command{Use: "keepers", Short: "Who can open the names of those who told in confidence",
		Long: `Who can open the names of those who told in confidence. An administrator names
keepers; each chooses a passphrase, which is kept nowhere. Two are advised.`,
		Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error {
			if _, err := s.dial(); err != nil {
				return err
			}
			return list(cmd)
		}}
	name := &cobra.Command{Use: "name PRINCIPAL", Short: "Name somebody as a keeper", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			if _, err := c.Keepers.NameKeeper(cmd.Context(), &pb.NameKeeperRequest{Principal: "principals/" + strings.TrimPrefix(args[0], "principals/")}); err != nil {
				return err
			}
			return list(cmd)
		}}
	become := &cobra.Command{Use: "become", Short: "Choose your passphrase; it is read from standard input", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			phrase, err := s.passphrase(cmd, "Passphrase, at least 12 characters: ")
			if err != nil {
				return err
			}
			k, err := c.Keepers.BecomeKeeper(cmd.Context(), &pb.BecomeKeeperRequest{Passphrase: phrase})
			if err != nil {
				return err
			}
			return s.show(k, func(p *page.Page) {
				p.Linef("You are a keeper. Whoever forgets the passphrase opens nothing any more: it is kept nowhere.")
			})
		}}
	change := &cobra.Command{Use: "passphrase", Short: "Change your passphrase; both are read from standard input", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			old, err := s.passphrase(cmd, "Your passphrase until now: ")
			if err != nil {
				return err
			}
			phrase, err := s.passphrase(cmd, "New passphrase, at least 12 characters: ")
			if err != nil {
				return err
			}
			k, err := c.Keepers.ChangePassphrase(cmd.Context(), &pb.ChangePassphraseRequest{OldPassphrase: old, NewPassphrase: phrase})
			if err != nil {
				return err
			}
			return s.show(k, func(p *page.Page) { p.Linef("Changed. The one before opens nothing any more.") })
		}}
	share := &cobra.Command{Use: "share", Short: "Share the names that are closed to you with all keepers; your passphrase is read from standard input",
		Long: `Closes the names that you can open to all who are keepers now, and to nobody who
was ended. No name is shown. The log says that it was you.`, Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			phrase, err := s.passphrase(cmd, "Your passphrase: ")
			if err != nil {
				return err
			}
			all := &pb.ShareClosedNamesResponse{}
			for {
				r, err := c.Keepers.ShareClosedNames(cmd.Context(), &pb.ShareClosedNamesRequest{Passphrase: phrase})
				if err != nil {
					return err
				}
				all.Shared, all.Left, all.Beyond = all.GetShared()+r.GetShared(), r.GetLeft(), r.GetBeyond()
				if r.GetLeft() == 0 || r.GetShared() == 0 {
					break
				}
			}
			return s.show(all, func(p *page.Page) {
				p.Linef("Shared with all keepers: %d.", all.GetShared())
				if all.GetBeyond() > 0 {
					p.Linef("Not yours to open: %d.", all.GetBeyond())
				}
			})
		}}
	var writtenAs []string
	var reason string
	forget := &cobra.Command{Use: "forget PERSON", Short: "Destroy the names closed to you that are those of one person; your passphrase is read from standard input",
		Long: `Destroys, of the names told in confidence that you can open, those of one person,
where ErasePerson cannot look. No name is shown; you hear how many went. It
cannot be undone. The reason stays in the log: do not say who the person is.`, Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			phrase, err := s.passphrase(cmd, "Your passphrase: ")
			if err != nil {
				return err
			}
			r, err := c.Keepers.EraseClosedNames(cmd.Context(), &pb.EraseClosedNamesRequest{Person: "people/" + strings.TrimPrefix(args[0], "people/"),
				WrittenAs: writtenAs, Reason: reason, Passphrase: phrase})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				p.Linef("Destroyed: %d. Held by a legal hold on their report: %d. Not yours to open: %d.", r.GetErased(), r.GetHeld(), r.GetBeyond())
			})
		}}
	forget.Flags().StringArrayVar(&writtenAs, "written-as", nil, "how the person may have written their name; may be given more than once")
	forget.Flags().StringVar(&reason, "reason", "", "who asked, or which rule")
	end := &cobra.Command{Use: "end PRINCIPAL", Short: "Destroy a keeper's key", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			if _, err := c.Keepers.EndKeeper(cmd.Context(), &pb.EndKeeperRequest{Name: "keepers/" + strings.TrimPrefix(args[0], "principals/"), EvenIfLast: evenIfLast}); err != nil {
				return err
			}
			return list(cmd)
		}}
	end.Flags().BoolVar(&evenIfLast, "even-if-last", false, "also when nobody is left who can open the names")
	top.AddCommand(name, become, change, share, forget, end)
	return top
}

// readsCommand shows who read what is sensitive.
func (s *session) readsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "reads [REPORT]",
		Short: "Who read health facts, photos, messages and names of a report; without one, lists of reports",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			req := &pb.ListReadsRequest{}
			if len(args) == 1 {
				r, err := s.get(cmd.Context(), args[0])
				if err != nil {
					return err
				}
				req.Report = r.GetName()
			}
			r, err := c.Reads.ListReads(cmd.Context(), req)
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				if len(r.GetReadings()) == 0 {
					p.Linef("Nobody yet, as far as is recorded.")
				}
				for _, one := range r.GetReadings() {
					p.Linef("%s   %s   %s", one.GetReadTime().AsTime().Format("2006-01-02 15:04Z"), words.Short(one.GetPrincipal()), words.Of(one.GetClass()))
					if one.GetCount() > 0 {
						p.Item("a list of reports; with health facts: " + strconv.Itoa(int(one.GetCount())))
					}
					if one.GetReason() != "" {
						p.Item(one.GetReason())
					}
				}
			})
		},
	}
}
