package cli

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) exportCommand() *cobra.Command {
	c := &cobra.Command{Use: "export", Short: "Write files for outsiders", Args: cobra.NoArgs, RunE: needsSub}
	c.AddCommand(s.exportSummaryCommand())
	return c
}

func (s *session) exportSummaryCommand() *cobra.Command {
	f := &measureFlags{}
	var format enumFlag[pb.FileFormat]
	var datasets []string
	var out string
	c := &cobra.Command{
		Use:   "summary",
		Short: "Write the summary of a period: measures, chart, tables, method",
		Long: `Write the summary of a period as CSV, JSON or PDF. Nothing personal is in it: no
story, no name, and no count so small that it names one. The file says which
change of the log it reflects, with the hash of the log at that point, and how to
ask for it again: made again as at that moment, it is the same file, byte for byte.`,
		Example: "  fairlead export summary --from 2025-07 --to 2026-06 --as-at 2026-07-10 --out summary.csv\n  fairlead export summary --from 2025-07 --to 2026-06 --format pdf --out summary.pdf",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			as, err := f.past.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			period, err := f.period.message(f.past.now)
			if err != nil {
				return err
			}
			if period == nil {
				return usagef("--from and --to, or --months, are needed: the period to summarise")
			}
			kind := format.value
			if kind == 0 {
				// The ending of the file says it, when it does.
				kind, err = words.Parse[pb.FileFormat](strings.TrimPrefix(filepath.Ext(out), "."))
				if err != nil {
					return usagef("--format is needed: %s", words.Choices[pb.FileFormat]())
				}
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Exports.ExportSummary(cmd.Context(), &pb.ExportSummaryRequest{Format: kind, Summary: &pb.GetSummaryRequest{
				Workplace: scope(f.workplace), Period: period, Convention: f.convention.value, Datasets: datasets,
				EmploymentGroups: f.groups.values, AsAt: as}})
			if err != nil {
				return err
			}
			sum := sha256.Sum256(r.GetContent())
			if hex.EncodeToString(sum[:]) != r.GetSha256() {
				return failf("The file was damaged on the way: its hash is not the one the service gave. Try again.")
			}
			if s.json {
				return s.printJSON(r)
			}
			path := out
			switch path {
			case "-":
				_, err := s.env.Out.Write(r.GetContent())
				return err
			case "":
				// The name comes from the service: only its last part.
				if path = filepath.Base(filepath.FromSlash(r.GetFileName())); r.GetFileName() == "" || path == ".." {
					return failf("The service gave the file no name; name one with --out.")
				}
				if _, err := os.Lstat(path); err == nil {
					return failf("%s is there already; name another file with --out.", path)
				}
			}
			err = s.writeTo(path, func() error { _, err := s.env.Out.Write(r.GetContent()); return err })
			if err != nil {
				return err
			}
			s.page.Linef("As at change %d. SHA-256 %s", r.GetSequenceNumber(), r.GetSha256())
			return nil
		},
	}
	f.add(c)
	f.past.add(c)
	fl := c.Flags()
	fl.Var(&format, "format", words.Choices[pb.FileFormat]())
	fl.StringSliceVar(&datasets, "dataset", nil, "count records of this data set; without it, only what was filed here")
	fl.StringVar(&out, "out", "", "file to write; - is standard output; without it, the name that the service gives")
	return c
}

func (s *session) whoamiCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "whoami",
		Short: "Say who you are to the service, and what you may do",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Access.GetMyself(cmd.Context(), &pb.GetMyselfRequest{})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) {
				p.Linef("%s (%s) at %s", r.GetDisplayName(), words.Short(r.GetName()), s.config.Address)
				var roles, places []string
				for _, x := range r.GetRoles() {
					roles = append(roles, words.Of(x))
				}
				for _, w := range r.GetWorkplaces() {
					places = append(places, words.Short(w))
				}
				if len(places) == 0 {
					places = []string{"all workplaces"}
				}
				p.Linef("Roles: %s", strings.Join(roles, ", "))
				p.Linef("Reach: %s", strings.Join(places, ", "))
				p.Para("May call: "+strings.Join(r.GetMethods(), ", "), 0)
			})
		},
	}
}

func (s *session) logCommand() *cobra.Command {
	var after int64
	var limit int
	var follow bool
	var out string
	c := &cobra.Command{
		Use:   "log",
		Short: "List the changes of the log, without what was said in them",
		Long: `List the changes of the log, oldest first: number, time, who, what and on which
resource. Each change carries the hash of the one before, so that nothing can be
altered or taken out unseen. With --json, one change a line. --out saves the log
from its beginning, as JSON, for "fairlead checkpoint verify".`,
		Example: "  fairlead log --after 1200\n  fairlead log --follow\n  fairlead log --out log.jsonl",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			if out != "" {
				return s.saveLog(ctx, out, after)
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			if !cmd.Flags().Changed("after") && !follow {
				head, err := c.Changes.GetHead(ctx, &pb.GetHeadRequest{})
				if err != nil {
					return err
				}
				after = max(0, head.GetSequenceNumber()-int64(limit))
			}
			changes := c.ListChanges(ctx, after)
			if follow {
				changes = c.WatchChanges(ctx, after)
				limit = 0
			}
			n := 0
			for ch, err := range changes {
				if err != nil {
					return err
				}
				if err := s.printChange(ch); err != nil {
					return err
				}
				if n++; limit > 0 && n == limit {
					break
				}
			}
			return nil
		},
	}
	c.Flags().Int64Var(&after, "after", 0, "only changes after this one; without it, the last ones")
	c.Flags().IntVar(&limit, "limit", 50, "most changes; 0 is all")
	c.Flags().BoolVar(&follow, "follow", false, "go on with changes as they are made")
	c.Flags().StringVar(&out, "out", "", "save all changes to this file, one a line as JSON")
	return c
}

func (s *session) printChange(ch *pb.Change) error {
	if s.json {
		b, err := jsonOf(ch)
		if err != nil {
			return err
		}
		return s.writeLine(b)
	}
	actor := words.Short(ch.GetActor())
	if actor == "" {
		actor = "-"
	}
	s.page.Linef("%s  %s  %-20s  %-15s  %s", fmt.Sprintf("%8d", ch.GetSequenceNumber()),
		ch.GetChangeTime().AsTime().Format("2006-01-02 15:04:05Z"), actor, ch.GetVerb(), ch.GetResource())
	return s.page.Flush()
}
