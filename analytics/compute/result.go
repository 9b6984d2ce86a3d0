package compute

import (
	"bytes"
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/figure"
)

// Drawing is a figure that can be laid out for any size.
type Drawing interface {
	Layout(size figure.Size) *figure.Figure
	Table() figure.Table
}

// Result is the answer of a method.
type Result struct {
	Method string
	// Settings are the single inputs as used, defaults filled in. Lists are left
	// out: whoever sent them has them.
	Settings map[string]any
	// Outputs hold nil, bool, float64, string, []any and map[string]any only, and
	// every output of the table.
	Outputs map[string]any
	// Absent says, by name of the output, why it or some entry of it is null.
	Absent map[string]string
	// Sentence says the answer in plain words.
	Sentence string
	// How is the method in words, Source where it was published.
	How, Source string
	// Notes are what must be read with the answer.
	Notes []string
	// Drawing is nil where there is nothing to draw.
	Drawing Drawing
}

// SVG draws the result for a size, "" where there is nothing to draw. id is a
// prefix that is unique on the page.
func (r Result) SVG(size figure.Size, id string) (string, error) {
	if r.Drawing == nil {
		return "", nil
	}
	var b bytes.Buffer
	if err := r.Drawing.Layout(size).SVG(&b, id); err != nil {
		return "", fmt.Errorf("compute: draw: %w", err)
	}
	return b.String(), nil
}

// answer is what a method fills in.
type answer struct {
	out      map[string]any
	absent   map[string]string
	sentence string
	how      string // instead of the table's
	notes    []string
	draw     Drawing
}

func newAnswer() *answer { return &answer{out: map[string]any{}, absent: map[string]string{}} }

// put sets an output.
func (a *answer) put(name string, v any) { a.out[name] = v }

// puts sets outputs in pairs of name and value.
func (a *answer) puts(pairs ...any) {
	for i := 0; i+1 < len(pairs); i += 2 {
		a.out[pairs[i].(string)] = pairs[i+1]
	}
}

// none says why outputs have no value.
func (a *answer) none(reason string, names ...string) {
	for _, n := range names {
		a.out[n], a.absent[n] = nil, reason
	}
}

// noneLeft says why all outputs not set so far have no value.
func (a *answer) noneLeft(m Method, reason string) {
	for _, o := range m.Outputs {
		if _, ok := a.out[o.Name]; !ok {
			a.none(reason, o.Name)
		}
	}
}

// note adds what must be read with the answer.
func (a *answer) note(texts ...string) {
	for _, t := range texts {
		if t != "" && !slices.Contains(a.notes, t) {
			a.notes = append(a.notes, t)
		}
	}
}

// result finishes an answer: JSON types only, nothing without a value that does
// not say why.
func (m Method) result(in *inputs, a *answer) (Result, error) {
	r := Result{
		Method: m.Name, Settings: m.settings(in), Outputs: map[string]any{}, Absent: map[string]string{},
		Sentence: a.sentence, How: m.How, Source: m.Source, Notes: a.notes, Drawing: a.draw,
	}
	if a.how != "" {
		r.How = a.how
	}
	for _, o := range m.Outputs {
		v, ok := a.out[o.Name]
		if !ok {
			return Result{}, fmt.Errorf("compute: %s: output %s was not worked out", m.Name, o.Name)
		}
		j, null, err := toJSON(v)
		if err != nil {
			return Result{}, fmt.Errorf("compute: %s: output %s: %w", m.Name, o.Name, err)
		}
		r.Outputs[o.Name] = j
		if null {
			why := a.absent[o.Name]
			if why == "" {
				why = o.Null
			}
			if why == "" {
				return Result{}, fmt.Errorf("compute: %s: output %s has no value and no reason", m.Name, o.Name)
			}
			r.Absent[o.Name] = why
		}
	}
	for name := range a.out {
		if _, ok := m.Output(name); !ok {
			return Result{}, fmt.Errorf("compute: %s: output %s is not in the table", m.Name, name)
		}
	}
	return r, nil
}

func (m Method) settings(in *inputs) map[string]any {
	out := map[string]any{}
	for _, i := range m.Inputs {
		if v, ok := in.values[i.Name]; ok && i.Type.Scalar() {
			if n, whole := v.(int); whole {
				v = float64(n)
			}
			out[i.Name] = v
		}
	}
	return out
}

// toJSON turns a value into the types of decoded JSON. A number without a value
// becomes nil; null reports whether there is any nil in it.
func toJSON(v any) (out any, null bool, err error) {
	switch v := v.(type) {
	case nil:
		return nil, true, nil
	case bool, string:
		return v, false, nil
	case int:
		return float64(v), false, nil
	case uint64:
		return float64(v), false, nil
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, true, nil
		}
		return v, false, nil
	case *float64:
		if v == nil {
			return nil, true, nil
		}
		return toJSON(*v)
	case []any:
		return listJSON(v)
	case []float64:
		return listJSON(v)
	case []*float64:
		return listJSON(v)
	case []int:
		return listJSON(v)
	case []bool:
		return listJSON(v)
	case []string:
		return listJSON(v)
	case [][]float64:
		return listJSON(v)
	case [][]int:
		return listJSON(v)
	case [][]any:
		return listJSON(v)
	case []map[string]any:
		return listJSON(v)
	case map[string]any:
		object := make(map[string]any, len(v))
		for k, x := range v {
			j, n, err := toJSON(x)
			if err != nil {
				return nil, false, err
			}
			object[k], null = j, null || n
		}
		return object, null, nil
	}
	return nil, false, fmt.Errorf("%T is no JSON", v)
}

func listJSON[T any](list []T) (out any, null bool, err error) {
	items := make([]any, len(list))
	for i, x := range list {
		j, n, err := toJSON(any(x))
		if err != nil {
			return nil, false, err
		}
		items[i], null = j, null || n
	}
	return items, null, nil
}

// some returns a pointer to a value that is there, nil otherwise.
func some(x float64, there bool) *float64 {
	if !there {
		return nil
	}
	return &x
}
