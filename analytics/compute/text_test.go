package compute

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func method(t *testing.T, name string) Method {
	t.Helper()
	m, err := Find(name)
	require.NoError(t, err)
	return m
}

// What a person types becomes what JSON would have said.
func TestFromText(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		method, name, text string
		want               any
	}{
		{"rate", "count", "3", 3.0},
		{"rate", "exposure", " 412000 ", 412000.0},
		{"rate", "event", " near miss ", "near miss"},
		{"hours_to_see", "known_past", "yes", true},
		{"u_chart", "counts", "3, 0,-,2,", []any{3.0, 0.0, nil, 2.0, nil}},
		{"u_chart", "counts", "[3, null]", []any{3.0, nil}},
		{"u_chart", "labels", "Jan,Feb", []any{"Jan", "Feb"}},
		{"run_rules", "z", "", []any{}},
		{"kaplan_meier", "closed", "yes,no,1,0,true,false", []any{true, false, true, false, true, false}},
		{"table_test", "table", "1,2; 3,4", []any{[]any{1.0, 2.0}, []any{3.0, 4.0}}},
		{"poisson_regression", "numbers", `{"load":[1,2]}`, map[string]any{"load": []any{1.0, 2.0}}},
	} {
		in := map[string]any{}
		require.NoError(t, method(t, c.method).FromText(c.name, c.text, in), c.text)
		require.Equal(t, map[string]any{c.name: c.want}, in)
	}
	m, in := method(t, "poisson_regression"), map[string]any{}
	require.NoError(t, m.FromText("numbers.load", "1.5,2", in))
	require.NoError(t, m.FromText("numbers.age", "30,40", in))
	require.NoError(t, m.FromText("factors.depot", "a,b", in))
	require.Equal(t, map[string]any{"numbers": map[string]any{"load": []any{1.5, 2.0}, "age": []any{30.0, 40.0}}, "factors": map[string]any{"depot": []any{"a", "b"}}}, in)
}

func TestFromText_refuses(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ method, name, text, want string }{
		{"rate", "cuont", "3", "cuont is no input of rate; did you mean count?"},
		{"rate", "count", "three", `count is "three": must be a number, without marks between thousands`},
		{"rate", "count", "0x10", `count is "0x10": must be a number`},
		{"rate", "exposure", "Inf", `exposure is "Inf": must be a number`},
		{"rate", "count.x", "3", "count.x has a part after a dot, but count is a whole number"},
		{"run_rules", "z", "1,,2", `z entry 2 is "": must be a number`},
		{"table_test", "table", "1,2;x", `table row 2, entry 1 is "x": must be a number`},
		{"poisson_regression", "numbers", "1,2", "numbers holds lists by name: write numbers.NAME=..., or "},
		{"u_chart", "counts", "[1,", "counts begins with a bracket but is no JSON: must be a list of whole numbers"},
		{"kaplan_meier", "closed", "yes,perhaps", `closed entry 2 is "perhaps": must be yes or no`},
	} {
		err := method(t, c.method).FromText(c.name, c.text, map[string]any{})
		var e *InputError
		require.ErrorAs(t, err, &e, c.text)
		require.Len(t, e.Problems, 1)
		require.Contains(t, e.Problems[0].String(), c.want)
	}
}

// Files of columns, as spreadsheets save them.
func TestFromCSV(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, method, file string
		want               map[string]any
	}{
		{"columns", "u_chart", "counts,exposures,labels\n3,34000,2024-01\n,33000,2024-02\n5,,2024-03\n",
			map[string]any{"counts": []any{3.0, nil, 5.0}, "exposures": []any{34000.0, 33000.0, nil}, "labels": []any{"2024-01", "2024-02", "2024-03"}}},
		{"semicolons, byte order mark, line ends of Windows", "c_chart", "\ufeffcounts;labels\r\n3;a\r\n4;b\r\n", map[string]any{"counts": []any{3.0, 4.0}, "labels": []any{"a", "b"}}},
		{"tabs", "c_chart", "counts\tlabels\n3\ta\n", map[string]any{"counts": []any{3.0}, "labels": []any{"a"}}},
		{"a shorter list of its own", "c_chart", "counts,exclude\n3,2\n4,\n5,\n", map[string]any{"counts": []any{3.0, 4.0, 5.0}, "exclude": []any{2.0}}},
		{"lists by name", "co_occurrence", "factors.wet floor,factors.hurry\nyes,no\nno,\n", map[string]any{"factors": map[string]any{"wet floor": []any{"yes", "no"}, "hurry": []any{"no", ""}}}},
		{"levels beside longer columns", "poisson_regression", "counts,factors.depot,levels.depot\n1,a,b\n2,b,a\n3,a,\n",
			map[string]any{"counts": []any{1.0, 2.0, 3.0}, "factors": map[string]any{"depot": []any{"a", "b", "a"}}, "levels": map[string]any{"depot": []any{"b", "a"}}}},
		{"a table", "table_test", "table.none,table.some\n1,2\n3,4\n", map[string]any{"table": []any{[]any{1.0, 2.0}, []any{3.0, 4.0}}}},
		{"only a head", "c_chart", "counts\n", map[string]any{"counts": []any{}}},
		{"a name in quotation marks", "log_rank", "times,closed,groups\n3,yes,\"low, by rule\"\n", map[string]any{"times": []any{3.0}, "closed": []any{true}, "groups": []any{"low, by rule"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			in := map[string]any{}
			require.NoError(t, method(t, c.method).FromCSV(strings.NewReader(c.file), in))
			require.Equal(t, c.want, in)
		})
	}
}

func TestFromCSV_refuses(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, method, file, want string }{
		{"empty", "c_chart", "", "the file is empty: the first row must name the inputs"},
		{"unknown column", "c_chart", "cuonts\n3\n", "cuonts is no input of c_chart; did you mean counts?"},
		{"column without a name", "c_chart", "counts,\n3,4\n", "column 2 of the file has no name: name the input it holds"},
		{"single value as a column", "c_chart", "counts,sigmas\n3,2\n", "sigmas is a single number: give it beside the file, not as a column"},
		{"twice", "c_chart", "counts,counts\n3,4\n", "counts names two columns of the file: name each once"},
		{"not a number", "c_chart", "counts\n3\nfour\n", `counts in row 3 of the file is "four": must be a number, without marks between thousands`},
		{"hole where there may be none", "run_rules", "z\n3\n\"\"\n4\n", "z in row 4 of the file is below an empty cell: fill it, or leave the row out"},
		{"too many cells", "c_chart", "counts\n3,4\n", "row 2 of the file has 2 cells, but the first row names 1 columns"},
		{"open quotation mark", "c_chart", "counts\n\"3\n", "is no row of cells: close every quotation mark"},
		{"table without names", "table_test", "table\n3\n", "table takes several columns: name each table.NAME"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			err := method(t, c.method).FromCSV(strings.NewReader(c.file), map[string]any{})
			var e *InputError
			require.ErrorAs(t, err, &e)
			require.Len(t, e.Problems, 1)
			require.Contains(t, e.Problems[0].String(), c.want)
		})
	}
	err := method(t, "c_chart").FromCSV(strings.NewReader("counts\n3\n"), map[string]any{"counts": []any{}})
	require.ErrorContains(t, err, "counts is given twice, in the file and beside it")
}
