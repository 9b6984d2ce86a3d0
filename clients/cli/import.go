package cli

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fairlead/clients/api"
	"fairlead/clients/cli/page"
	"fairlead/clients/importer"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

type importFlags struct {
	mapping, errors, state string
	check                  bool
	list                   bool
	print                  string
}

func (s *session) importCommand() *cobra.Command {
	f := &importFlags{}
	c := &cobra.Command{
		Use:   "import FILE...",
		Short: "Bring records of another origin in, by a mapping file",
		Long: `Bring records of another origin in: an old register, public data. A mapping file
says which column holds what; start from one that comes with the program:

  fairlead import --list
  fairlead import --print old-register > my-register.yaml

A row that cannot be taken stops no other row; it is written to the file of
errors with line, column and cure. The same row is the same report, however often
it is sent. With --state the import can be stopped and goes on where it was. A
file that ends in .gz is unpacked on the way.`,
		Example: `  fairlead import --check --map my-register.yaml --errors errors.csv register.csv
  fairlead import --map osha-severe-injury --state import.state sir.csv`,
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case f.list:
				return s.listMappings()
			case f.print != "":
				b, err := importer.Builtin(f.print)
				if err != nil {
					return usagef("--print: there is no mapping %q; there are %s", f.print, strings.Join(importer.Builtins(), ", "))
				}
				_, err = s.env.Out.Write(b)
				return err
			case len(args) == 0:
				return usagef("name at least one file")
			case f.mapping == "":
				return usagef("--map is needed: a mapping file, or one of %s", strings.Join(importer.Builtins(), ", "))
			case f.check && f.state != "":
				return usagef("--check stores nothing, so there is no --state to keep")
			}
			return s.importFiles(cmd.Context(), f, args)
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.mapping, "map", "", "mapping file, or the name of one that comes with the program")
	fl.BoolVar(&f.check, "check", false, "check every row with the service; nothing is stored")
	fl.StringVar(&f.errors, "errors", "", "write what is wrong to this file, as CSV (yours alone: it holds parts of the source)")
	fl.StringVar(&f.state, "state", "", "remember in this file how far it came, and go on from there")
	fl.BoolVar(&f.list, "list", false, "list the mappings that come with the program")
	fl.StringVar(&f.print, "print", "", "print a mapping that comes with the program")
	return c
}

func (s *session) listMappings() error {
	for _, name := range importer.Builtins() {
		b, err := importer.Builtin(name)
		if err != nil {
			return err
		}
		m, err := importer.Parse(b)
		if err != nil {
			return err
		}
		s.page.Strong(name)
		s.page.Para(m.About, 2)
	}
	return nil
}

// loadMapping reads a mapping by name or from a file.
func loadMapping(name string) (*importer.Mapping, error) {
	b, err := importer.Builtin(name)
	if err != nil {
		if b, err = os.ReadFile(name); err != nil {
			return nil, err
		}
	}
	m, err := importer.Parse(b)
	var mistakes importer.MappingErrors
	if errors.As(err, &mistakes) {
		lines := []string{"The mapping has mistakes. Nothing was read."}
		for _, e := range mistakes {
			lines = append(lines, fmt.Sprintf("  %s, %s", name, e.Error()))
		}
		return nil, &failure{text: strings.Join(lines, "\n")}
	}
	return m, err
}

func (s *session) importFiles(ctx context.Context, f *importFlags, files []string) (err error) {
	m, err := loadMapping(f.mapping)
	if err != nil {
		return err
	}
	t, err := s.workplaces(ctx)
	if err != nil {
		return err
	}
	if err := missingWorkplaces(m, t); err != nil {
		return err
	}
	job := &importer.Job{Mapping: m, Zone: t.importZone, Send: s.sender(f.check), Progress: s.progress()}
	if f.errors != "" {
		if job.Errors, err = importer.OpenErrorFile(f.errors); err != nil {
			return err
		}
		defer func() {
			if cerr := job.Errors.Close(); err == nil {
				err = cerr
			}
		}()
	}
	if f.state != "" {
		if job.State, err = importer.OpenState(f.state, s.config.Address, m); err != nil {
			return err
		}
	}
	r, err := job.Run(ctx, files)
	s.endProgress()
	if err != nil {
		return s.importStopped(err, r, f)
	}
	if s.json {
		return s.importJSON(r)
	}
	showImport(s.page, r, f)
	if r.Refused > 0 {
		if err := s.page.Flush(); err != nil {
			return err
		}
		return failf("%s rows were not taken.", page.Count(float64(r.Refused)))
	}
	return nil
}

// missingWorkplaces says how to add the workplaces that a mapping names and
// the service does not have.
func missingWorkplaces(m *importer.Mapping, t *tree) error {
	var lines []string
	for _, w := range m.Workplaces {
		if t.byName[w.Name] != nil {
			continue
		}
		lines = append(lines, "  "+addHint(w.Name, w.Title, w.Level, w.TimeZone))
		if near := t.near(w.Name); len(near) > 0 {
			lines = append(lines, "    or change it in the mapping; there is "+strings.Join(near, ", "))
		}
	}
	if len(lines) == 0 {
		return nil
	}
	return failf("%s", "The mapping files under workplaces that are not there. Add them first (role administrator):\n"+strings.Join(lines, "\n"))
}

// importZone is the time zone that days of a workplace are counted in.
func (t *tree) importZone(workplace string) (*time.Location, error) {
	if t.byName[workplace] == nil {
		return nil, fmt.Errorf("names the workplace %s, which is not there; add it, or correct it", words.Short(workplace))
	}
	zone, ok := t.zone(workplace)
	if !ok {
		return nil, nil
	}
	return zone, nil
}

func (s *session) sender(check bool) importer.Send {
	return func(ctx context.Context, records []*pb.ImportRecord) ([]*pb.ImportResult, error) {
		r, err := s.client.Reports.ImportReports(ctx, &pb.ImportReportsRequest{Records: records, ValidateOnly: check})
		return r.GetResults(), err
	}
}

// progress prints counts while an import runs: over and over on one line where
// somebody looks on, else a line now and then.
func (s *session) progress() func(importer.Counts) {
	last := s.env.Now()
	return func(c importer.Counts) {
		text := fmt.Sprintf("%s rows: %s stored, %s there already, %s not taken", page.Count(float64(c.Rows)),
			page.Count(float64(c.Created)), page.Count(float64(c.Unchanged)), page.Count(float64(c.Refused)))
		if s.env.Asks {
			fmt.Fprintf(s.env.Err, "\r%-78s", text)
			return
		}
		if now := s.env.Now(); now.Sub(last) >= 10*time.Second {
			last = now
			fmt.Fprintln(s.env.Err, text)
		}
	}
}

func (s *session) endProgress() {
	if s.env.Asks {
		fmt.Fprintf(s.env.Err, "\r%78s\r", "")
	}
}

func (s *session) importStopped(err error, r importer.Result, f *importFlags) error {
	var mistakes importer.MappingErrors
	if errors.As(err, &mistakes) {
		return failf("%s", err.Error())
	}
	text := fmt.Sprintf("Stopped: %s rows read, %s stored, %s not taken. ", page.Count(float64(r.Rows)), page.Count(float64(r.Created)), page.Count(float64(r.Refused)))
	if f.state != "" {
		text += "Run the same command again: it goes on from there."
	} else {
		text += "Run the same command again: what is stored stays as it is."
	}
	if _, known := api.ProblemOf(err); !known && !errors.Is(err, context.Canceled) {
		return failf("%s\n%s", text, err.Error())
	}
	return &failure{text: text, err: err}
}

func showImport(p *page.Page, r importer.Result, f *importFlags) {
	stored := "stored"
	if f.check {
		stored = "would be stored"
	}
	p.Strong(fmt.Sprintf("%s rows: %s %s, %s there already, %s not taken.", page.Count(float64(r.Rows)), page.Count(float64(r.Created)), stored,
		page.Count(float64(r.Unchanged)), page.Count(float64(r.Refused))))
	if r.Skipped > 0 {
		p.Linef("%s of them were dealt with in an earlier run.", page.Count(float64(r.Skipped)))
	}
	if r.Refused > 0 {
		if f.errors != "" {
			p.Linef("What is wrong, line by line: %s", f.errors)
		} else {
			p.Linef("Add --errors FILE to see what is wrong, line by line.")
		}
	}
	for _, file := range slices.Sorted(maps.Keys(r.Unused)) {
		p.Para("Columns of "+file+" that the mapping does not look at: "+strings.Join(r.Unused[file], ", "), 0)
	}
	if len(r.Uncrossed) > 0 {
		p.Linef("Codes that no crosswalk knows, kept as they are in the source codes:")
		names := slices.SortedFunc(maps.Keys(r.Uncrossed), func(a, b string) int {
			if d := r.Uncrossed[b] - r.Uncrossed[a]; d != 0 {
				return d
			}
			return strings.Compare(a, b)
		})
		for i, n := range names {
			if i == 20 {
				p.Linef("  and %d more", len(names)-i)
				break
			}
			p.Linef("  %s  %s", page.Count(float64(r.Uncrossed[n])), n)
		}
	}
}
