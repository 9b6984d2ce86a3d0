package cli

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func folderOf(path string) string { return filepath.Dir(path) }

func (s *session) tableCommand() *cobra.Command {
	f, past := &filterFlags{}, &pastFlag{}
	var rows, columns enumFlag[pb.Dimension]
	var level int32
	var people bool
	c := &cobra.Command{
		Use:   "table",
		Short: "Count reports, or people hurt, by one or two things",
		Long: `Count reports, or with --people the people hurt, by one or two of:
` + words.Choices[pb.Dimension]() + `.
What has no value is a row or column of its own, first.`,
		Example: "  fairlead table --rows mechanism --columns outcome --level 1 --people\n  fairlead table --rows month --columns kind --since 2026",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if rows.value == 0 {
				return usagef("--rows is needed: one of %s", words.Choices[pb.Dimension]())
			}
			filter, err := f.message()
			if err != nil {
				return err
			}
			as, err := past.read(cmd.Context(), s)
			if err != nil {
				return err
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Measures.Tabulate(cmd.Context(), &pb.TabulateRequest{Filter: filter, Rows: rows.value, Columns: columns.value,
				CodeLevel: level, CountHarms: people, AsAt: as})
			if err != nil {
				return err
			}
			return s.show(r, func(p *page.Page) { past.show(p); showTable(p, r) })
		},
	}
	f.add(c)
	past.add(c)
	fl := c.Flags()
	fl.Var(&rows, "rows", "what the rows are")
	fl.Var(&columns, "columns", "what the columns are; without it, one column of counts")
	fl.Int32Var(&level, "level", 0, "level of codes: 1 groups, 2 and 3 finer, 0 as coded")
	fl.BoolVar(&people, "people", false, "count people hurt instead of reports")
	return c
}

func showTable(p *page.Page, t *pb.Table) {
	if len(t.GetRows()) == 0 && t.GetHeldBackReason() != "" {
		p.Para(t.GetHeldBackReason(), 0)
		return
	}
	if len(t.GetRows()) == 0 {
		p.Linef("Nothing to count. %s", t.GetMethod())
		return
	}
	one := len(t.GetColumns()) <= 1
	if one {
		var bars []page.Bar
		for i, h := range t.GetRows() {
			n := h.GetTotal()
			if i < len(t.GetCounts()) {
				n = t.GetCounts()[i]
			}
			bars = append(bars, page.Bar{Name: rowTitle(h), Value: max(n, 0), Text: cell(n)})
		}
		p.Bars(bars)
	} else {
		cols := []page.Column{{Head: ""}}
		for _, h := range t.GetColumns() {
			cols = append(cols, page.Column{Head: headTitle(h), Right: true})
		}
		cols = append(cols, page.Column{Head: "all", Right: true})
		var rows [][]string
		for i, h := range t.GetRows() {
			row := []string{rowTitle(h)}
			for j := range t.GetColumns() {
				row = append(row, cell(t.GetCounts()[i*len(t.GetColumns())+j]))
			}
			rows = append(rows, append(row, cell(h.GetTotal())))
		}
		all := []string{"all"}
		for _, h := range t.GetColumns() {
			all = append(all, cell(h.GetTotal()))
		}
		rows = append(rows, append(all, cell(t.GetTotal())))
		p.Table(cols, rows)
	}
	p.Blank()
	unknown := cell(t.GetTotal()) + " in all; " + valueless(t.GetRowsUnknown(), "the rows")
	if !one {
		unknown += ", " + valueless(t.GetColumnsUnknown(), "the columns")
	}
	p.Para(unknown+". "+t.GetMethod(), 0)
	if why := t.GetHeldBackReason(); why != "" {
		p.Para(why, 0)
	}
	p.Linef("As at change %d.", t.GetSequenceNumber())
}

// valueless says how many have no value on a side, to whoever may know.
func valueless(n int64, side string) string {
	if n < 0 {
		return "how many have no value on " + side + " is held back"
	}
	return fmt.Sprintf("%s without a value on %s", cell(n), side)
}

// rowTitle names a row; a code stands before its title.
func rowTitle(h *pb.TableHead) string {
	if h.GetFacet() != 0 && h.GetKey() != "" && h.GetTitle() != "" {
		return h.GetKey() + " " + h.GetTitle()
	}
	return headTitle(h)
}

// cell writes a count; -1 is one that is held back.
func cell(n int64) string {
	if n < 0 {
		return "held back"
	}
	return page.Count(float64(n))
}
