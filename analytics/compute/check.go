package compute

import (
	"fmt"
	"maps"
	"slices"

	"fairlead/analytics/spc"
)

// longestText bounds a text, in bytes; maxProblems how many problems are said at once.
const (
	longestText = 200
	maxProblems = 20
)

// biggestWhole is the largest whole number a JSON number keeps exactly.
const biggestWhole = 1 << 53

// checker reads inputs and collects what is wrong.
type checker struct{ problems []Problem }

func (c *checker) add(input, message string, args ...any) {
	if len(c.problems) < maxProblems {
		c.problems = append(c.problems, Problem{Input: input, Message: fmt.Sprintf(message, args...)})
	}
}

// check reads raw inputs by the table.
func (m Method) check(raw map[string]any) (*inputs, error) {
	c := &checker{}
	in := &inputs{method: m, values: map[string]any{}, known: map[string][]bool{}}
	for _, name := range sorted(raw) {
		if _, ok := m.Input(name); !ok {
			c.add(clip(name), "is no input of %s; did you mean %s?", m.Name, m.nearestInput(name))
		}
	}
	for _, i := range m.Inputs {
		v, given := raw[i.Name]
		if !given || v == nil {
			if i.Required {
				c.add(i.Name, "is missing: %s", i.want())
			} else if i.Default != nil {
				in.values[i.Name] = i.Default
			}
			continue
		}
		before := len(c.problems)
		value, known := c.read(i, v)
		if len(c.problems) == before {
			in.values[i.Name], in.known[i.Name] = value, known
		}
	}
	if len(c.problems) == 0 {
		c.lengths(m, in)
	}
	if len(c.problems) > 0 {
		return nil, &InputError{Method: m.Name, Problems: c.problems}
	}
	return in, nil
}

// want says what to give.
func (i Input) want() string {
	s := "give " + i.About + ", a " + string(i.Type)
	if i.Type.List() || i.Type.Rows() || i.Type.ByName() {
		s = "give " + i.About + ", as " + i.shape()
	}
	return s
}

// shape shows the JSON of a type.
func (i Input) shape() string {
	switch i.Type {
	case Wholes:
		return "a list of whole numbers such as [3, 0, 2]"
	case Numbers:
		return "a list of numbers such as [1.5, 2, 0.25]"
	case Texts:
		return `a list of texts such as ["a", "b"]`
	case YesNos:
		return "a list such as [true, false]"
	case WholeRows:
		return "rows of whole numbers such as [[3, 0], [2, 5]]"
	case NumberRows:
		return "rows of numbers such as [[1.5, 2], [0.25, 3]]"
	case TextRows:
		return `rows of texts such as [["a", "b"], ["a", "a"]]`
	case NumbersBy:
		return `lists by name such as {"load": [1.5, 2]}`
	case TextsBy:
		return `lists by name such as {"wet floor": ["yes", "no"]}`
	case YesNo:
		return "true or false"
	}
	return "a " + string(i.Type)
}

// lengths holds lists that belong together to the same number of entries.
func (c *checker) lengths(m Method, in *inputs) {
	for _, set := range m.alike {
		first, n := "", 0
		for _, name := range set {
			v, ok := in.values[name]
			if !ok {
				continue
			}
			for label, l := range lengthsOf(name, v) {
				switch {
				case first == "":
					first, n = label, l
				case l != n:
					c.add(label, "has %s, but %s has %s: give one for each", entries(l), first, entries(n))
				}
			}
		}
	}
}

func entries(n int) string {
	if n == 1 {
		return "1 entry"
	}
	return spc.Number(float64(n)) + " entries"
}

// lengthsOf returns how many entries a list has; of lists by name, how many each.
func lengthsOf(name string, v any) func(yield func(string, int) bool) {
	return func(yield func(string, int) bool) {
		switch v := v.(type) {
		case []float64:
			yield(name, len(v))
		case []int:
			yield(name, len(v))
		case []string:
			yield(name, len(v))
		case []bool:
			yield(name, len(v))
		case map[string][]float64:
			for _, k := range sorted(v) {
				if !yield(name+"."+k, len(v[k])) {
					return
				}
			}
		case map[string][]string:
			for _, k := range sorted(v) {
				if !yield(name+"."+k, len(v[k])) {
					return
				}
			}
		}
	}
}

func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
