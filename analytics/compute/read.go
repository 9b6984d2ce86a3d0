package compute

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"fairlead/analytics/spc"
)

// read reads one value. known is for lists: which entries are there.
func (c *checker) read(i Input, v any) (value any, known []bool) {
	switch i.Type {
	case Number:
		return c.number(i, i.Name, v), nil
	case Whole:
		return c.whole(i, i.Name, v), nil
	case Text:
		return c.text(i, i.Name, v), nil
	case YesNo:
		return c.yes(i.Name, v), nil
	}
	if i.Type.ByName() {
		return c.byName(i, v), nil
	}
	list, ok := v.([]any)
	if !ok {
		c.add(i.Name, "is %s: must be %s", kindOf(v), i.shape())
		return nil, nil
	}
	if !i.Type.Rows() && i.Longest > 0 && len(list) > i.Longest {
		c.add(i.Name, "has %s: at most %s are taken", entries(len(list)), spc.Number(float64(i.Longest)))
		return nil, nil
	}
	switch i.Type {
	case Numbers:
		return readList(c, i, i.Name, list, c.number)
	case Wholes:
		return readList(c, i, i.Name, list, c.whole)
	case Texts:
		return readList(c, i, i.Name, list, c.text)
	case YesNos:
		return readList(c, i, i.Name, list, func(_ Input, name string, v any) bool { return c.yes(name, v) })
	case NumberRows:
		return readRows(c, i, list, func(_ Input, name string, v any) float64 {
			if v == nil && i.Gaps {
				return math.NaN() // stays inside: the method leaves it out
			}
			return c.number(i, name, v)
		}), nil
	case WholeRows:
		return readRows(c, i, list, c.whole), nil
	default:
		return readRows(c, i, list, func(_ Input, name string, v any) string {
			if v == nil && i.Gaps {
				return ""
			}
			return c.text(i, name, v)
		}), nil
	}
}

// readList reads the entries of a list.
func readList[T any](c *checker, i Input, name string, list []any, one func(Input, string, any) T) ([]T, []bool) {
	out, known := make([]T, len(list)), make([]bool, len(list))
	for k, v := range list {
		if v == nil && i.Gaps {
			continue
		}
		known[k] = true
		out[k] = one(i, name+"["+strconv.Itoa(k+1)+"]", v)
		if len(c.problems) >= maxProblems {
			break
		}
	}
	return out, known
}

// readRows reads a list of lists.
func readRows[T any](c *checker, i Input, list []any, one func(Input, string, any) T) [][]T {
	out, all := make([][]T, len(list)), 0
	for k, v := range list {
		name := i.Name + "[" + strconv.Itoa(k+1) + "]"
		row, ok := v.([]any)
		if !ok {
			c.add(name, "is %s: must be a list, because %s are %s", kindOf(v), i.Name, i.shape())
			return nil
		}
		if all += len(row); i.Longest > 0 && all > i.Longest {
			c.add(i.Name, "has more than %s entries in all: that many are taken", spc.Number(float64(i.Longest)))
			return nil
		}
		out[k] = make([]T, len(row))
		for j, x := range row {
			out[k][j] = one(i, name+"["+strconv.Itoa(j+1)+"]", x)
		}
		if len(c.problems) >= maxProblems {
			return nil
		}
	}
	// Rows without any entry count as well: a million of them are no table.
	if i.Longest > 0 && len(list) > i.Longest {
		c.add(i.Name, "has %s rows: at most %s are taken", spc.Number(float64(len(list))), spc.Number(float64(i.Longest)))
		return nil
	}
	return out
}

// byName reads an object of lists.
func (c *checker) byName(i Input, v any) any {
	object, ok := v.(map[string]any)
	if !ok {
		c.add(i.Name, "is %s: must be %s", kindOf(v), i.shape())
		return nil
	}
	numbers, texts, all := map[string][]float64{}, map[string][]string{}, 0
	for _, key := range sorted(object) {
		name := i.Name + "." + clip(key)
		if key == "" || len(key) > longestText {
			c.add(i.Name, "has a name of %d bytes: names have 1 to %d", len(key), longestText)
			continue
		}
		list, ok := object[key].([]any)
		if !ok {
			c.add(name, "is %s: must be a list", kindOf(object[key]))
			continue
		}
		if all += len(list); i.Longest > 0 && all > i.Longest {
			c.add(i.Name, "has more than %s entries in all: that many are taken", spc.Number(float64(i.Longest)))
			return nil
		}
		if i.Type == NumbersBy {
			numbers[key], _ = readList(c, i, name, list, c.number)
		} else {
			texts[key], _ = readList(c, i, name, list, c.text)
		}
		if len(c.problems) >= maxProblems {
			return nil
		}
	}
	if i.Type == NumbersBy {
		return numbers
	}
	return texts
}

func (c *checker) number(i Input, name string, v any) float64 {
	x, ok := numberOf(v)
	switch {
	case !ok:
		c.add(name, "is %s: must be a number%s", kindOf(v), hint(v))
	case math.IsNaN(x) || math.IsInf(x, 0):
		c.add(name, "is no finite number: leave it out where it is not known")
		return 0
	case !i.Range.holds(x):
		c.add(name, "is %s: must be %s", plain(x), i.Range)
	}
	return x
}

func (c *checker) whole(i Input, name string, v any) int {
	x := c.number(i, name, v)
	if x != math.Trunc(x) {
		c.add(name, "is %s: must be a whole number", plain(x))
		return 0
	}
	if math.Abs(x) > biggestWhole {
		c.add(name, "is %s: must be at most 2^53 in size, to keep its digits", plain(x))
		return 0
	}
	return int(x)
}

func (c *checker) text(i Input, name string, v any) string {
	s, ok := v.(string)
	if !ok {
		// A label may look like a number: 2024.
		x, isNumber := numberOf(v)
		if !isNumber || len(i.Choices) > 0 || math.IsNaN(x) || math.IsInf(x, 0) {
			c.add(name, "is %s: must be a text", kindOf(v))
			return ""
		}
		s = strconv.FormatFloat(x, 'g', -1, 64)
	}
	if len(s) > longestText {
		c.add(name, "has %d bytes: at most %d are taken", len(s), longestText)
		return ""
	}
	if len(i.Choices) > 0 && !slices.Contains(i.Choices, s) {
		c.add(name, "is %q: must be one of %s; did you mean %s?", clip(s), i.choices(), nearest(s, i.Choices))
	}
	return s
}

func (c *checker) yes(name string, v any) bool {
	switch v := v.(type) {
	case bool:
		return v
	case string:
		if b, ok := yesOf(v); ok {
			return b
		}
	default:
		if x, ok := numberOf(v); ok && (x == 0 || x == 1) {
			return x == 1
		}
	}
	c.add(name, "is %s: must be true or false", kindOf(v))
	return false
}

func yesOf(s string) (value, ok bool) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "true", "yes", "1":
		return true, true
	case "false", "no", "0":
		return false, true
	}
	return false, false
}

func numberOf(v any) (float64, bool) {
	switch v := v.(type) {
	case float64:
		return v, true
	case int:
		return float64(v), true
	case json.Number:
		x, err := v.Float64()
		return x, err == nil
	}
	return 0, false
}

// kindOf says what a JSON value is, without repeating what may be long.
func kindOf(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case string:
		return fmt.Sprintf("the text %q", clip(v))
	case bool:
		return strconv.FormatBool(v)
	case []any:
		return "a list"
	case map[string]any:
		return "an object"
	}
	if x, ok := numberOf(v); ok {
		return "the number " + plain(x)
	}
	return "of an unknown kind"
}

// hint helps with numbers written as text.
func hint(v any) string {
	s, ok := v.(string)
	if !ok {
		return ""
	}
	if _, err := strconv.ParseFloat(strings.NewReplacer(",", "", " ", "", "\u00a0", "").Replace(s), 64); err == nil && strings.ContainsAny(s, "0123456789") {
		return ", without quotes and without marks between thousands"
	}
	return ""
}
