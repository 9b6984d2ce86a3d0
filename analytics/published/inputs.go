package published

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"strconv"
)

// Inputs are the inputs of one case, read by name. The first thing that is
// missing or of the wrong kind is remembered and returned by Err, so that a
// method can read all it needs and check once.
type Inputs struct {
	values map[string]any
	files  fs.FS // where "file" points; nil when there are none
	table  *Table
	err    error
}

// NewInputs returns the inputs held by a decoded JSON object. Numbers may be
// json.Number or float64. files serves the data files that inputs may name.
func NewInputs(values map[string]any, files fs.FS) *Inputs {
	return &Inputs{values: values, files: files}
}

// Err returns the first error met while reading, naming the input.
func (in *Inputs) Err() error { return in.err }

func (in *Inputs) fail(name, format string, args ...any) {
	if in.err == nil {
		in.err = fmt.Errorf("published: input %s: %s", name, fmt.Sprintf(format, args...))
	}
}

// Has reports whether the input is there and not null.
func (in *Inputs) Has(name string) bool { return in.values[name] != nil }

// Float returns a number.
func (in *Inputs) Float(name string) float64 {
	v, ok := in.values[name]
	if !ok {
		in.fail(name, "is missing")
		return 0
	}
	x, ok := number(v)
	if !ok {
		in.fail(name, "is %v, want a number", v)
	}
	return x
}

// FloatOr returns a number, or otherwise when the input is absent or null.
func (in *Inputs) FloatOr(name string, otherwise float64) float64 {
	if !in.Has(name) {
		return otherwise
	}
	return in.Float(name)
}

// Int returns a whole number.
func (in *Inputs) Int(name string) int {
	x := in.Float(name)
	if x != math.Trunc(x) || math.Abs(x) > 1<<53 {
		in.fail(name, "is %v, want a whole number", x)
		return 0
	}
	return int(x)
}

// IntOr returns a whole number, or otherwise when the input is absent or null.
func (in *Inputs) IntOr(name string, otherwise int) int {
	if !in.Has(name) {
		return otherwise
	}
	return in.Int(name)
}

// String returns a text.
func (in *Inputs) String(name string) string {
	s, ok := in.values[name].(string)
	if !ok {
		in.fail(name, "is %v, want a text", in.values[name])
	}
	return s
}

// StringOr returns a text, or otherwise when the input is absent or null.
func (in *Inputs) StringOr(name, otherwise string) string {
	if !in.Has(name) {
		return otherwise
	}
	return in.String(name)
}

// Floats returns a list of numbers: the input of that name, or of one of the
// other names given (a single number counts as a list of one), or else the
// column of that name in the data file of the case.
func (in *Inputs) Floats(name string, others ...string) []float64 {
	names := append([]string{name}, others...)
	var v any
	for _, n := range names {
		if v = in.values[n]; v != nil {
			break
		}
	}
	if v == nil {
		if t := in.Table(); t != nil {
			for _, n := range names {
				if col, ok := t.Floats(n); ok {
					return col
				}
			}
		}
		in.fail(name, "is missing")
		return nil
	}
	if x, ok := number(v); ok {
		return []float64{x}
	}
	list, ok := v.([]any)
	if !ok {
		in.fail(name, "is %v, want a list of numbers", v)
		return nil
	}
	out := make([]float64, len(list))
	for i, e := range list {
		if out[i], ok = number(e); !ok {
			in.fail(name, "element %d is %v, want a number", i+1, e)
			return nil
		}
	}
	return out
}

// Ints returns a list of whole numbers, found as by Floats.
func (in *Inputs) Ints(name string, others ...string) []int {
	fs := in.Floats(name, others...)
	out := make([]int, len(fs))
	for i, x := range fs {
		if x != math.Trunc(x) || math.Abs(x) > 1<<53 {
			in.fail(name, "element %d is %v, want a whole number", i+1, x)
			return nil
		}
		out[i] = int(x)
	}
	return out
}

// HasList reports whether Floats would find the list.
func (in *Inputs) HasList(name string, others ...string) bool {
	t := in.Table()
	for _, n := range append([]string{name}, others...) {
		if in.Has(n) {
			return true
		}
		if t != nil {
			if _, ok := t.Floats(n); ok {
				return true
			}
		}
	}
	return false
}

// Positions returns a list of 1-based positions as 0-based indices; an absent
// or null input is an empty list.
func (in *Inputs) Positions(name string) []int {
	if !in.Has(name) {
		return nil
	}
	ps := in.Ints(name)
	for i := range ps {
		ps[i]--
	}
	return ps
}

// Rows returns a list of lists of numbers. A null element becomes NaN: it
// stands for a missing observation, and methods must handle it as one.
func (in *Inputs) Rows(name string) [][]float64 {
	list, ok := in.values[name].([]any)
	if !ok {
		in.fail(name, "is %v, want a list of rows", in.values[name])
		return nil
	}
	out := make([][]float64, len(list))
	for i, r := range list {
		row, ok := r.([]any)
		if !ok {
			in.fail(name, "row %d is %v, want a list", i+1, r)
			return nil
		}
		for _, e := range row {
			x, ok := number(e)
			if e == nil {
				x = math.NaN()
			} else if !ok {
				in.fail(name, "row %d holds %v, want a number", i+1, e)
			}
			out[i] = append(out[i], x)
		}
	}
	return out
}

// Raw returns the decoded JSON of an input, for shapes that none of the other
// readers fits.
func (in *Inputs) Raw(name string) any { return in.values[name] }

func number(v any) (float64, bool) {
	switch v := v.(type) {
	case json.Number:
		x, err := v.Float64()
		return x, err == nil
	case float64:
		return v, true
	}
	return 0, false
}

// Table is a data file: a header and text cells.
type Table struct {
	Header []string
	Rows   [][]string
}

// Table returns the data file named by the input "file", or nil when the case
// names none.
func (in *Inputs) Table() *Table {
	name, ok := in.values["file"].(string)
	if !ok || in.files == nil {
		return nil
	}
	if in.table == nil {
		t, err := readTable(in.files, name)
		if err != nil {
			in.fail("file", "%v", err)
			t = &Table{}
		}
		in.table = t
	}
	return in.table
}

func readTable(files fs.FS, name string) (*Table, error) {
	b, err := fs.ReadFile(files, name)
	if err != nil {
		return nil, err
	}
	r := csv.NewReader(bytes.NewReader(b))
	r.FieldsPerRecord = -1
	lines, err := r.ReadAll()
	if err != nil {
		return nil, err
	}
	if len(lines) == 0 {
		return nil, fmt.Errorf("%s is empty", name)
	}
	return &Table{Header: lines[0], Rows: lines[1:]}, nil
}

// Strings returns a column as text; ok is false when there is none of that
// name.
func (t *Table) Strings(column string) (cells []string, ok bool) {
	for j, h := range t.Header {
		if h != column {
			continue
		}
		for _, r := range t.Rows {
			if j >= len(r) {
				return nil, false
			}
			cells = append(cells, r[j])
		}
		return cells, true
	}
	return nil, false
}

// Floats returns a column as numbers; ok is false when there is none of that
// name or it holds anything else.
func (t *Table) Floats(column string) (values []float64, ok bool) {
	cells, ok := t.Strings(column)
	if !ok {
		return nil, false
	}
	values = make([]float64, len(cells))
	for i, c := range cells {
		x, err := strconv.ParseFloat(c, 64)
		if err != nil {
			return nil, false
		}
		values[i] = x
	}
	return values, true
}
