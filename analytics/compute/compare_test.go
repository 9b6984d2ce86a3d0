package compute

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// at follows a path into an output: a name, a position from 1 in a list, or a
// field of every object of a list.
func at(v any, path string) any {
	for _, step := range strings.Split(path, ".") {
		switch x := v.(type) {
		case map[string]any:
			v = x[step]
		case []any:
			if i, err := strconv.Atoi(step); err == nil {
				if i > len(x) {
					return "too short"
				}
				v = x[i-1]
				continue
			}
			var column []any
			for _, e := range x {
				column = append(column, e.(map[string]any)[step])
			}
			v = column
		}
	}
	return v
}

// same compares values of JSON. A limit at 0 in the fixtures may be no limit
// here.
func same(t *testing.T, what string, want, got any, tol float64) {
	t.Helper()
	if w, ok := want.(float64); ok && w == 0 && got == nil && (strings.Contains(what, "lcl") || strings.Contains(what, "against or_lower")) {
		return // a lower limit at zero is no limit, and with an empty cell Woolf has none
	}
	switch w := want.(type) {
	case []any:
		g, ok := got.([]any)
		require.True(t, ok && len(g) == len(w), "%s: got %v, want %v", what, got, want)
		for i := range w {
			same(t, fmt.Sprintf("%s[%d]", what, i+1), w[i], g[i], tol)
		}
	case float64:
		g, ok := got.(float64)
		if !ok {
			// An expected list of one element may have lost its brackets.
			if l, isList := got.([]any); isList && len(l) == 1 {
				g, ok = l[0].(float64)
			}
		}
		require.True(t, ok, "%s: got %v, want %v", what, got, want)
		allowed := tol*math.Abs(w) + 1e-12
		if w != 0 && math.Abs(w) < 1e-9 {
			// Far tails must keep their digits: tiny is not zero.
			allowed = max(tol, 1e-5) * math.Abs(w)
		}
		require.LessOrEqual(t, math.Abs(g-w), allowed, "%s: got %v, want %v", what, g, w)
	default:
		require.Equal(t, want, got, what)
	}
}
