package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fairlead/analytics/compute"
	"fairlead/analytics/figure"
)

// mostInput bounds what is read as inputs of one computation.
const mostInput = 64 << 20

// computeFlags are where the inputs of a computation come from and where its
// drawing goes.
type computeFlags struct {
	in, csv, svg    string
	set             []string
	narrow, example bool
}

func (s *session) computeCommand() *cobra.Command {
	f := &computeFlags{}
	c := &cobra.Command{
		Use:   "compute METHOD",
		Short: "Work out a rate, chart, test or forecast on your own numbers, without a server",
		Long: `Work out a rate, chart, test or forecast on your own numbers, without a server:
the same mathematics that the service uses.

` + "`fairlead compute list`" + ` lists the methods, ` + "`fairlead compute list METHOD`" + ` what one of them
wants and gives.

Inputs are a JSON object, from --in FILE or standard input; --set name=value adds
or replaces one (lists with commas: counts=3,0,2; rows with semicolons); --csv FILE
reads lists from columns that are named as the inputs. Positions count from 1. An
empty cell, or null, means not known.`,
		Example: "  fairlead compute rate --set count=3 --set exposure=412000 --set event=\"lost-time injury\"\n" +
			"  fairlead compute u_chart --csv months.csv --set events=\"near misses\" --svg chart.svg\n" +
			"  fairlead compute kaplan_meier --example",
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return usagef("name one method; `fairlead compute list` lists them")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error { return s.compute(args[0], f) },
	}
	fl := c.Flags()
	fl.StringVar(&f.in, "in", "", "read the inputs as a JSON object from this file; - is standard input")
	fl.StringArrayVar(&f.set, "set", nil, "set one input, name=value; may be given many times")
	fl.StringVar(&f.csv, "csv", "", "read lists from this file of columns, named as the inputs; - is standard input")
	fl.StringVar(&f.svg, "svg", "", "write the drawing to this file; - is standard output, instead of the answer")
	fl.BoolVar(&f.narrow, "narrow", false, "lay the drawing out for a narrow screen")
	fl.BoolVar(&f.example, "example", false, "run the example of the method")
	c.AddCommand(&cobra.Command{
		Use:   "list [METHOD]",
		Short: "List the methods by group, or say all about one",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return s.listMethods()
			}
			return s.describeMethod(args[0])
		},
	})
	return c
}

// compute works one method out and shows the answer.
func (s *session) compute(name string, f *computeFlags) error {
	m, err := compute.Find(name)
	if err != nil {
		return noMethod(err)
	}
	inputs, err := s.inputsOf(m, f)
	if err != nil {
		return s.refused(m, err)
	}
	r, err := compute.Run(m.Name, inputs)
	if err != nil {
		return s.refused(m, err)
	}
	if f.svg != "" {
		if err := s.drawTo(r, f); err != nil || f.svg == "-" {
			return err
		}
	}
	msg, err := computeMessage(r)
	if err != nil {
		return err
	}
	if s.json {
		return s.printJSON(msg)
	}
	showComputed(s.page, m, r, labelsOf(inputs))
	if f.svg != "" && r.Drawing != nil {
		s.page.Linef("Drawing: %s", f.svg)
	}
	return nil
}

// noMethod says that there is no such method.
func noMethod(err error) error {
	var e *compute.UnknownMethodError
	if errors.As(err, &e) {
		return usagef("%s is no method; did you mean %s? `fairlead compute list` lists them", e.Name, e.Nearest)
	}
	return err
}

// refused says what is wrong with the inputs, as the service would.
func (s *session) refused(m compute.Method, err error) error {
	var e *compute.InputError
	if !errors.As(err, &e) {
		return err
	}
	if s.json {
		return refusalStatus(e)
	}
	lines := []string{"Not accepted. Mend this and try again:"}
	for _, p := range e.Problems {
		lines = append(lines, "  "+p.String())
	}
	lines = append(lines, "What it wants: fairlead compute list "+m.Name)
	return &failure{text: strings.Join(lines, "\n")}
}

// inputsOf collects the inputs from wherever they are given.
func (s *session) inputsOf(m compute.Method, f *computeFlags) (map[string]any, error) {
	inputs := map[string]any{}
	switch {
	case f.example && (f.in != "" || f.csv != ""):
		return nil, usagef("--example has its own inputs: leave --in and --csv out")
	case f.example:
		if err := json.Unmarshal([]byte(m.Example), &inputs); err != nil {
			return nil, fmt.Errorf("cli: example of %s: %w", m.Name, err)
		}
	case f.in == "-" && f.csv == "-":
		return nil, usagef("--in and --csv cannot both be standard input")
	case f.in != "":
		if err := s.readJSON(f.in, &inputs); err != nil {
			return nil, err
		}
	case f.csv == "" && len(f.set) == 0:
		if s.env.Asks {
			return nil, usagef("no inputs are given: use --set, --in, --csv, or --example; `fairlead compute list %s` says what it wants", m.Name)
		}
		if err := s.readJSON("-", &inputs); err != nil {
			return nil, err
		}
	}
	if f.csv != "" {
		if err := s.withFile(f.csv, func(r io.Reader) error { return m.FromCSV(r, inputs) }); err != nil {
			return nil, err
		}
	}
	for _, set := range f.set {
		name, value, found := strings.Cut(set, "=")
		if !found {
			return nil, usagef("--set %s: write name=value", set)
		}
		if err := m.FromText(strings.TrimSpace(name), value, inputs); err != nil {
			return nil, err
		}
	}
	return inputs, nil
}

// readJSON reads one object and nothing after it.
func (s *session) readJSON(path string, into *map[string]any) error {
	return s.withFile(path, func(r io.Reader) error {
		where := path
		if path == "-" {
			where = "standard input"
		}
		d := json.NewDecoder(r)
		err := d.Decode(into)
		if errors.Is(err, io.EOF) {
			return failf("No inputs on %s: give a JSON object, or use --set.", where)
		}
		if err == nil && *into == nil {
			err = errors.New("null")
		}
		if err == nil {
			if _, more := d.Token(); !errors.Is(more, io.EOF) {
				err = errors.New("more than one value")
			}
		}
		if err != nil {
			return failf(`The inputs on %s are no JSON object, such as {"count": 3}%s.`, where, jsonPlace(err))
		}
		return nil
	})
}

// jsonPlace says where JSON went wrong, without quoting it.
func jsonPlace(err error) string {
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		return fmt.Sprintf(" (byte %d)", syntax.Offset)
	}
	return ""
}

// withFile opens a file, or standard input for "-".
func (s *session) withFile(path string, use func(io.Reader) error) error {
	if path == "-" {
		return use(io.LimitReader(s.env.In, mostInput))
	}
	f, err := os.Open(path)
	if err != nil {
		return failf("Cannot read %s: %s.", path, reason(err))
	}
	// Nothing was written to it.
	defer func() { _ = f.Close() }()
	return use(io.LimitReader(f, mostInput))
}

// reason is the cause of a failed file operation without its path.
func reason(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err.Error()
	}
	return err.Error()
}

// drawTo writes the drawing of a result.
func (s *session) drawTo(r compute.Result, f *computeFlags) error {
	size, id := figure.Wide, "compute-"+r.Method
	if f.narrow {
		size, id = figure.Narrow, id+"-narrow"
	}
	svg, err := r.SVG(size, id)
	switch {
	case err != nil:
		return err
	case svg == "" && f.svg == "-":
		return failf("There is nothing to draw for %s.", r.Method)
	case svg == "":
		s.warn("there is nothing to draw; " + f.svg + " was not written")
		return nil
	case f.svg == "-":
		_, err := io.WriteString(s.env.Out, svg)
		return err
	}
	if err := writeWhole(f.svg, svg); err != nil {
		return failf("Cannot write %s: %s.", f.svg, reason(err))
	}
	return nil
}

// writeWhole writes a file whole or not at all.
func writeWhole(path, content string) error {
	f, err := os.CreateTemp(folderOf(path), ".fairlead-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone already when all went well
	_, err = f.WriteString(content)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	return err
}

// labelsOf returns the labels among the inputs, for the rows of a series.
func labelsOf(inputs map[string]any) []any {
	labels, _ := inputs["labels"].([]any)
	return labels
}
