package compute

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"fairlead/analytics/spc"
)

// Bounds of a file of columns.
const (
	mostCSVRows    = 200_000
	mostCSVColumns = 500
)

// FromCSV reads lists from a file of columns into inputs. The first row names
// the inputs; "factors.wet floor" is one of the lists by name, "table.slip" a
// column of rows. An empty cell is a gap where the input may have them; a list
// that is shorter than the file ends with its last filled cell. Separators may
// be commas, semicolons or tabs.
func (m Method) FromCSV(r io.Reader, inputs map[string]any) error {
	b := bufio.NewReader(r)
	if mark, err := b.Peek(3); err == nil && string(mark) == "\ufeff" {
		if _, err := b.Discard(3); err != nil {
			return fmt.Errorf("compute: read columns: %w", err)
		}
	}
	c := csv.NewReader(b)
	c.Comma = separator(b)
	c.FieldsPerRecord, c.ReuseRecord = -1, false
	c.TrimLeadingSpace = true
	head, err := c.Read()
	if errors.Is(err, io.EOF) {
		return m.problem("", "the file is empty: the first row must name the inputs")
	}
	if err != nil {
		return m.csvError(err)
	}
	columns, err := m.columns(head, inputs)
	if err != nil {
		return err
	}
	for line := 2; ; line++ {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		switch {
		case err != nil:
			return m.csvError(err)
		case line-1 > mostCSVRows:
			return m.problem("", "the file has more than %s rows: at most that many are taken", spc.Number(mostCSVRows))
		case len(row) > len(head):
			return m.problem("", "row %d of the file has %d cells, but the first row names %d columns", line, len(row), len(head))
		}
		for k, col := range columns {
			cell := ""
			if k < len(row) {
				cell = row[k]
			}
			if err := col.add(cell); err != nil {
				return m.problem(col.name, "in row %d of the file %s", line, err)
			}
		}
	}
	m.place(columns, inputs)
	return nil
}

// separator guesses what stands between cells from the first line.
func separator(b *bufio.Reader) rune {
	// Peek returns what there is when the file is short.
	first, _ := b.Peek(4096)
	line, _, _ := strings.Cut(string(first), "\n")
	best, most := ',', strings.Count(line, ",")
	for _, s := range ";\t" {
		if n := strings.Count(line, string(s)); n > most {
			best, most = s, n
		}
	}
	return best
}

func (m Method) csvError(err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return m.problem("", "line %d of the file is no row of cells: close every quotation mark, and write a mark within a cell twice", p.Line)
	}
	return fmt.Errorf("compute: read columns: %w", err)
}

// column is one column under way. Cells after the last filled one are held back:
// a shorter list ends there.
type column struct {
	input     Input
	name, key string
	cells     []any
	blank     int
}

func (m Method) columns(head []string, inputs map[string]any) ([]*column, error) {
	if len(head) > mostCSVColumns {
		return nil, m.problem("", "the file has %d columns: at most %d are taken", len(head), mostCSVColumns)
	}
	var out []*column
	seen := map[string]bool{}
	for k, h := range head {
		h = strings.TrimSpace(h)
		name, key, dotted := strings.Cut(h, ".")
		i, ok := m.Input(name)
		switch {
		case h == "":
			return nil, m.problem("", "column %d of the file has no name: name the input it holds", k+1)
		case !ok:
			return nil, m.noInput(h)
		case seen[h]:
			return nil, m.problem(h, "names two columns of the file: name each once")
		case i.Type.Scalar():
			return nil, m.problem(h, "is a single %s: give it beside the file, not as a column", i.Type)
		case (i.Type.ByName() || i.Type.Rows()) && !dotted:
			return nil, m.problem(h, "takes several columns: name each %s.NAME", h)
		case i.Type.List() && dotted:
			return nil, m.problem(h, "has a part after a dot, but %s is one column", name)
		}
		if _, given := inputs[name]; given {
			return nil, m.problem(name, "is given twice, in the file and beside it: give it once")
		}
		seen[h] = true
		out = append(out, &column{input: i, name: h, key: key})
	}
	return out, nil
}

// add takes one cell.
func (c *column) add(cell string) error {
	if strings.TrimSpace(cell) == "" {
		c.blank++
		return nil
	}
	for ; c.blank > 0; c.blank-- {
		v, err := c.input.entry("", "")
		if err != nil {
			return errors.New("is below an empty cell: fill it, or leave the row out")
		}
		c.cells = append(c.cells, v)
	}
	v, err := c.input.entry(cell, "")
	if err != nil {
		return err
	}
	c.cells = append(c.cells, v)
	return nil
}

// place puts finished columns into inputs.
func (m Method) place(columns []*column, inputs map[string]any) {
	longest := map[string]int{}
	for _, c := range columns {
		longest[c.input.Name] = max(longest[c.input.Name], len(c.cells))
	}
	for _, c := range columns {
		name := c.input.Name
		// Gaps at the end of one column are gaps, where others it belongs to go on.
		if c.input.Gaps || c.input.Type == Texts || c.input.Type == TextsBy {
			all := 0
			for _, o := range columns {
				if m.together(name, o.input.Name) {
					all = max(all, len(o.cells))
				}
			}
			for len(c.cells) < all {
				v, err := c.input.entry("", "")
				if err != nil {
					break
				}
				c.cells = append(c.cells, v)
			}
		}
		switch {
		case c.input.Type.ByName():
			lists, ok := inputs[name].(map[string]any)
			if !ok {
				lists = map[string]any{}
				inputs[name] = lists
			}
			lists[c.key] = c.list()
		case c.input.Type.Rows():
			rows, ok := inputs[name].([]any)
			if !ok {
				rows = make([]any, longest[name])
				for i := range rows {
					rows[i] = []any{}
				}
				inputs[name] = rows
			}
			for i := range rows {
				var v any
				if i < len(c.cells) {
					v = c.cells[i]
				}
				rows[i] = append(rows[i].([]any), v)
			}
		default:
			inputs[name] = c.list()
		}
	}
}

// together reports whether two inputs must have as many entries as each other.
func (m Method) together(a, b string) bool {
	return slices.ContainsFunc(m.alike, func(set []string) bool { return slices.Contains(set, a) && slices.Contains(set, b) })
}

func (c *column) list() []any {
	if c.cells == nil {
		return []any{}
	}
	return c.cells
}
