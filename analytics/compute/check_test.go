package compute

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// problems returns what is wrong with inputs, one line each.
func problems(t *testing.T, method, inputs string) string {
	t.Helper()
	var in map[string]any
	require.NoError(t, json.Unmarshal([]byte(inputs), &in))
	_, err := Run(method, in)
	var e *InputError
	require.ErrorAs(t, err, &e, inputs)
	require.Equal(t, method, e.Method)
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// What is wrong is said by name, with the cure, and all at once.
func TestCheck_refuses(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, method, in, want string }{
		{"nearest name", "rate_ratio", `{"first_count":1,"first_exposure":2,"second_count":3,"second_expsure":4}`,
			"second_expsure is no input of rate_ratio; did you mean second_exposure?\nsecond_exposure is missing: give exposure on the second side, in the same unit, a number"},
		{"missing list", "c_chart", `{}`, "counts is missing: give cases of each period; null where nothing is known, as a list of whole numbers such as [3, 0, 2]"},
		{"text for a list", "c_chart", `{"counts":"abc"}`, `counts is the text "abc": must be a list of whole numbers such as [3, 0, 2]`},
		{"text in a list", "c_chart", `{"counts":[1,"2"]}`, `counts[2] is the text "2": must be a number, without quotes and without marks between thousands`},
		{"marks between thousands", "rate", `{"count":1,"exposure":"412,000"}`, `exposure is the text "412,000": must be a number, without quotes and without marks between thousands`},
		{"fraction", "c_chart", `{"counts":[1,2.5]}`, "counts[2] is 2.5: must be a whole number"},
		{"negative", "c_chart", `{"counts":[1,-1]}`, "counts[2] is -1: must be at least 0 and below 1e9"},
		{"null where there are no gaps", "run_rules", `{"z":[1,null]}`, "z[2] is null: must be a number"},
		{"two at once", "rate", `{"count":-1,"exposure":-2,"level":2}`, "count is -1: must be at least 0 and below 1e9\nexposure is -2: must be 0, or at least 1e-9 and at most 1e15\nlevel is 2: must be at least 0.5 and at most 0.9999"},
		{"lengths", "u_chart", `{"counts":[1,2,3],"exposures":[1,2]}`, "exposures has 2 entries, but counts has 3 entries: give one for each"},
		{"choice", "rate", `{"count":1,"exposure":2,"interval":"exakt"}`, `interval is "exakt": must be one of exact, mid_p, byar, wilson; did you mean exact?`},
		{"yes or no", "hours_to_see", `{"past_count":1,"past_exposure":2,"ratio":0.5,"known_past":"maybe"}`, `known_past is the text "maybe": must be true or false`},
		{"object for a number", "rate", `{"count":{},"exposure":[]}`, "count is an object: must be a number\nexposure is a list: must be a number"},
		{"rows", "table_test", `{"table":[[1,2],3]}`, "table[2] is the number 3: must be a list, because table are rows of whole numbers such as [[3, 0], [2, 5]]"},
		{"ragged rows", "table_test", `{"table":[[1,2],[3]]}`, "table[2] has 1 entry, but table[1] has 2 entries: give every row as many"},
		{"empty table", "table_test", `{"table":[]}`, "table is empty: give at least one row with one count"},
		{"lists by name", "co_occurrence", `{"factors":[1]}`, `factors is a list: must be lists by name such as {"wet floor": ["yes", "no"]}`},
		{"lists by name of different length", "co_occurrence", `{"factors":{"a":["yes"],"b":["yes","no"]}}`, "factors.b has 2 entries, but factors.a has 1 entry: give one for each"},
		{"answer that is none", "co_occurrence", `{"factors":{"a":["perhaps"],"b":["no"]}}`, `factors.a[1] is "perhaps": must be one of yes, no, "", ?; did you mean yes?`},
		{"of two, one", "cohen_kappa", `{"first":["a"]}`, "second and first belong together: give both"},
		{"of two, none", "cohen_kappa", `{}`, "table or both first and second: give the one or the other"},
		{"past the series", "interrupted_series", `{"counts":[1,2,3],"at":9}`, "at is 9: must leave periods on both sides, from 2 to 3"},
		{"position of an exclusion", "c_chart", `{"counts":[1,2,3],"exclude":[4]}`, "exclude[1] is 4: there are only 3 points"},
		{"phases out of order", "c_chart", `{"counts":[1,2,3],"phase_starts":[3,2]}`, "phase_starts[2] is 2: must be after the one before, 3"},
		{"cases without hours", "change_point", `{"counts":[1,2,3],"exposures":[0,1,1]}`, "counts[1] is 1: must be 0 where the exposure is 0: check the hours"},
		{"no change", "hours_to_see", `{"past_count":1,"past_exposure":2,"ratio":1}`, "ratio is 1, which is no change: give a ratio such as 0.5 or 1.5"},
		{"too much work", "poisson_regression", `{"counts":[9999999]}`, "counts[1] is 9,999,999: must be at least 0 and at most 1,000,000"},
		{"more than examined", "p_chart", `{"counts":[3],"sizes":[2]}`, "counts[1] is 3: must be at most the number examined, 2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := problems(t, c.method, c.in)
			require.Equal(t, c.want, got)
		})
	}
}

// The table's bounds hold: one entry more is refused.
func TestCheck_bounds(t *testing.T) {
	t.Parallel()
	for _, m := range Methods() {
		for _, i := range m.Inputs {
			if !i.Type.List() {
				continue
			}
			_, err := Run(m.Name, map[string]any{i.Name: make([]any, i.Longest+1)})
			var e *InputError
			require.ErrorAs(t, err, &e)
			found := false
			for _, p := range e.Problems {
				found = found || (p.Input == i.Name && strings.Contains(p.Message, "at most"))
			}
			require.True(t, found, "%s: %s: %v", m.Name, i.Name, err)
		}
	}
}

// A hundred problems are not all printed.
func TestCheck_saysNotTooMuch(t *testing.T) {
	t.Parallel()
	bad := make([]any, 1000)
	for i := range bad {
		bad[i] = -1.0
	}
	_, err := Run("c_chart", map[string]any{"counts": bad})
	var e *InputError
	require.ErrorAs(t, err, &e)
	require.Len(t, e.Problems, maxProblems)
	long := strings.Repeat("x", 5000)
	_, err = Run("c_chart", map[string]any{long: 1.0, "counts": []any{1.0}})
	require.ErrorAs(t, err, &e)
	require.Less(t, len(err.Error()), 300)
	_, err = Run(long, nil)
	require.Less(t, len(err.Error()), 300)
}

// Numbers that are none come in through Go, not through JSON.
func TestCheck_notFinite(t *testing.T) {
	t.Parallel()
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		_, err := Run("rate", map[string]any{"count": 1.0, "exposure": x})
		var e *InputError
		require.ErrorAs(t, err, &e)
		require.Equal(t, []Problem{{"exposure", "is no finite number: leave it out where it is not known"}}, e.Problems)
	}
	_, err := Run("rate", map[string]any{"count": 1, "exposure": json.Number("3")})
	require.NoError(t, err, "whole numbers of Go and digits of JSON are numbers too")
	_, err = Run("rate", map[string]any{"count": 1, "exposure": struct{}{}})
	require.Error(t, err)
}

func TestFind_nearest(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"rate-ratio": "rate_ratio", "kaplan meier": "kaplan_meier", "kaplanmeier": "kaplan_meier", "cusum_charts": "cusum", "odds": "association", "U_chart": "u_chart",
		"fleis_kappa": "fleiss_kappa", "funel": "funnel", "krippendorf": "krippendorff_alpha", "": "rate",
	} {
		_, err := Find(name)
		var e *UnknownMethodError
		require.True(t, errors.As(err, &e))
		if name != "" {
			require.Equal(t, want, e.Nearest, name)
		}
		require.NotEmpty(t, e.Nearest)
	}
}
