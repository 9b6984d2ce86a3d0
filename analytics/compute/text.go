package compute

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// FromText reads one value of an input as a person types it: a number, a word,
// yes or no; lists with commas between entries; rows with semicolons between
// them; an empty entry, or "-", where a list may have gaps and nothing is known.
// Anything that begins with a bracket is read as JSON.
//
// name may have a part after a dot, for lists by name: "numbers.load". The value
// goes into inputs under the name before the dot.
func (m Method) FromText(name, text string, inputs map[string]any) error {
	base, key, dotted := strings.Cut(name, ".")
	i, ok := m.Input(base)
	switch {
	case !ok:
		return m.noInput(base)
	case dotted != i.Type.ByName() && !strings.HasPrefix(strings.TrimSpace(text), "{"):
		if dotted {
			return m.problem(name, "has a part after a dot, but %s is %s", base, i.shape())
		}
		return m.problem(name, "holds lists by name: write %s.NAME=..., or %s", base, i.shape())
	}
	v, err := i.fromText(text)
	if err != nil {
		return m.problem(name, "%s", err)
	}
	if !dotted {
		inputs[base] = v
		return nil
	}
	lists, ok := inputs[base].(map[string]any)
	if !ok {
		lists = map[string]any{}
		inputs[base] = lists
	}
	lists[key] = v
	return nil
}

func (m Method) problem(name, message string, args ...any) error {
	return &InputError{Method: m.Name, Problems: []Problem{{Input: clip(name), Message: fmt.Sprintf(message, args...)}}}
}

func (m Method) noInput(name string) error {
	return m.problem(name, "is no input of %s; did you mean %s?", m.Name, m.nearestInput(name))
}

// fromText reads a value of the type of an input.
func (i Input) fromText(text string) (any, error) {
	trimmed := strings.TrimSpace(text)
	if strings.HasPrefix(trimmed, "[") || strings.HasPrefix(trimmed, "{") {
		var v any
		if err := json.Unmarshal([]byte(trimmed), &v); err != nil {
			return nil, fmt.Errorf("begins with a bracket but is no JSON: must be %s", i.shape())
		}
		return v, nil
	}
	switch {
	case i.Type.Scalar():
		return i.entry(text, "")
	case i.Type.Rows():
		rows := []any{}
		for n, line := range strings.Split(trimmed, ";") {
			row, err := i.entries(line, fmt.Sprintf("row %d, ", n+1))
			if err != nil {
				return nil, err
			}
			rows = append(rows, row)
		}
		return rows, nil
	}
	return i.entries(trimmed, "")
}

// entries reads a list with commas.
func (i Input) entries(line, where string) ([]any, error) {
	out := []any{}
	if strings.TrimSpace(line) == "" {
		return out, nil
	}
	for n, cell := range strings.Split(line, ",") {
		v, err := i.entry(cell, fmt.Sprintf("%sentry %d ", where, n+1))
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

// entry reads one entry. where says where it stands, for errors.
func (i Input) entry(cell, where string) (any, error) {
	trimmed := strings.TrimSpace(cell)
	switch i.Type {
	case Text, Texts, TextRows, TextsBy:
		return trimmed, nil
	case YesNo, YesNos:
		if b, ok := yesOf(trimmed); ok {
			return b, nil
		}
		return nil, fmt.Errorf("%sis %q: must be yes or no", where, clip(trimmed))
	}
	if (trimmed == "" || trimmed == "-") && i.Gaps {
		return nil, nil
	}
	x, err := strconv.ParseFloat(trimmed, 64)
	if err != nil || strings.ContainsAny(trimmed, "_xXpPnN") {
		// Infinities, hexadecimal and underscores are numbers to Go alone.
		return nil, fmt.Errorf("%sis %q: must be a number, without marks between thousands", where, clip(trimmed))
	}
	return x, nil
}
