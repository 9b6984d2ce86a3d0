package compute

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fairlead/analytics/figure"
)

// acceptable fails unless the outcome is a sound answer, or an error that names
// what is wrong with the inputs.
func acceptable(t require.TestingT, m Method, in map[string]any, r Result, err error) {
	if err == nil {
		sound(t, m, r)
		_, jerr := json.Marshal(r.Outputs)
		require.NoError(t, jerr)
		return
	}
	var e *InputError
	require.True(t, errors.As(err, &e), "%s: %v is not about the inputs", m.Name, err)
	require.NotEmpty(t, e.Problems)
	for _, p := range e.Problems {
		require.NotEmpty(t, p.Message)
		base, _, _ := strings.Cut(p.Input, ".")
		base, _, _ = strings.Cut(base, "[")
		_, ours := m.Input(base)
		require.True(t, ours || p.Input == "" || strings.Contains(p.Message, "is no input of"), "%s: %s is no input", m.Name, p)
	}
}

// anyValue draws JSON of any kind.
func anyValue(depth int) *rapid.Generator[any] {
	number := rapid.Custom(func(t *rapid.T) any {
		return rapid.OneOf(rapid.Float64(), rapid.Map(rapid.IntRange(-3, 30), func(i int) float64 { return float64(i) }),
			rapid.SampledFrom([]float64{0, 1, -1, 0.5, 1e-9, 1e-300, 1e9, 1e15, 1e300, math.MaxFloat64, math.Inf(1), math.NaN(), 1 << 53})).Draw(t, "number")
	})
	word := rapid.Custom(func(t *rapid.T) any {
		return rapid.OneOf(rapid.SampledFrom([]string{"", "yes", "a", "exact", "nelson", "2024-03"}), rapid.StringN(0, 8, 20)).Draw(t, "word")
	})
	flag := rapid.Custom(func(t *rapid.T) any { return rapid.Bool().Draw(t, "flag") })
	null := rapid.Just[any](nil)
	if depth == 0 {
		return rapid.OneOf(number, word, flag, null)
	}
	list := rapid.Custom(func(t *rapid.T) any { return rapid.SliceOfN(anyValue(depth-1), 0, 6).Draw(t, "list") })
	object := rapid.Custom(func(t *rapid.T) any {
		return rapid.MapOfN(rapid.SampledFrom([]string{"a", "b", "x.y", ""}), anyValue(depth-1), 0, 3).Draw(t, "object")
	})
	return rapid.OneOf(number, word, flag, null, list, object)
}

// listOf makes a list of n values.
func listOf(n int, one func(int) any) []any {
	out := make([]any, n)
	for i := range out {
		out[i] = one(i)
	}
	return out
}

// fitting draws a value within the domain of an input, its edges included.
func fitting(t *rapid.T, i Input, n int) any {
	number := func(k int) any {
		if i.Gaps && !i.Type.Rows() && rapid.IntRange(0, 9).Draw(t, "gap") == 0 {
			return nil
		}
		r := i.Range
		lo, hi := r.Lo, r.Hi
		if !r.bounded {
			lo, hi = -1e9, 1e9
		}
		whole := i.Type == Whole || i.Type == Wholes || i.Type == WholeRows
		x := rapid.OneOf(rapid.SampledFrom([]float64{lo, hi, 0, 1, 2, 3, 5, 12, 100}), rapid.Map(rapid.IntRange(0, 40), func(k int) float64 { return float64(k) }), rapid.Float64Range(max(lo, -1e6), min(hi, 1e6))).Draw(t, "x")
		if whole {
			x = math.Round(x)
		}
		if !r.holds(x) {
			x = min(max(x, lo), hi)
		}
		return x
	}
	text := func(k int) any {
		if len(i.Choices) > 0 {
			return rapid.SampledFrom(i.Choices).Draw(t, "choice")
		}
		return rapid.SampledFrom([]string{"a", "b", "c", "2024-01", "7"}).Draw(t, "text")
	}
	flag := func(int) any { return rapid.Bool().Draw(t, "flag") }
	one := map[Type]func(int) any{Number: number, Whole: number, Numbers: number, Wholes: number, NumberRows: number, WholeRows: number, NumbersBy: number, Text: text, Texts: text, TextRows: text, TextsBy: text, YesNo: flag, YesNos: flag}[i.Type]
	switch {
	case i.Type.Scalar():
		return one(0)
	case i.Type.Rows():
		width := rapid.IntRange(1, 4).Draw(t, "width")
		return listOf(rapid.IntRange(1, 4).Draw(t, "rows"), func(int) any { return listOf(width, one) })
	case i.Type.ByName():
		out := map[string]any{}
		for _, k := range rapid.SampledFrom([][]string{{"a"}, {"a", "b"}, {"b", "c"}}).Draw(t, "names") {
			out[k] = listOf(n, one)
		}
		return out
	}
	return listOf(n, one)
}

// draw draws inputs of a method: mostly fitting ones, some from its example, a
// few of any kind.
func draw(t *rapid.T, m Method, in map[string]any) {
	n := rapid.IntRange(0, 14).Draw(t, "n")
	for _, i := range m.Inputs {
		switch k := rapid.IntRange(0, 99).Draw(t, i.Name); {
		case k < 50 && (i.Required || k < 25):
			in[i.Name] = fitting(t, i, n)
		case k >= 97:
			in[i.Name] = anyValue(2).Draw(t, "any")
		case k >= 94:
			delete(in, i.Name)
		}
		if i.Name == "replicates" {
			in[i.Name] = i.Range.Lo // enough to see whether it works
		}
	}
}

// Whatever is handed in, there is a sound answer or an error that names the
// input: no panic, no number that is none.
func TestRun_anything(t *testing.T) {
	t.Parallel()
	for _, m := range Methods() {
		t.Run(m.Name, func(t *testing.T) {
			t.Parallel()
			rapid.Check(t, func(t *rapid.T) {
				in := map[string]any{}
				if rapid.Bool().Draw(t, "example") {
					require.NoError(t, json.Unmarshal([]byte(m.Example), &in))
				}
				draw(t, m, in)
				if skip(m.Name, in) {
					return
				}
				r, err := Run(m.Name, in)
				acceptable(t, m, in, r, err)
				if err == nil && rapid.IntRange(0, 4).Draw(t, "drawn") == 0 {
					svg, err := r.SVG(figure.Narrow, "x")
					require.NoError(t, err)
					require.NotContains(t, svg, "NaN")
				}
			})
		})
	}
}

// skip leaves out designs that take a second each: there is nothing random about
// them, and the bounds are timed in the benchmarks.
func skip(name string, in map[string]any) bool {
	if !slices.Contains([]string{"ewma_design", "ewma_run_length", "cusum_design", "cusum", "cusum_run_length"}, name) {
		return false
	}
	heavy := func(k string, over float64) bool { x, ok := in[k].(float64); return ok && x > over }
	return heavy("mean", 30) || heavy("center", 30) || heavy("false_alarm_every", 500) || heavy("decision_interval", 30)
}

// Counts and exposure scaled together scale the rate's interval as they should,
// and a gap is never a zero.
func TestRun_identities(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n, hours := rapid.IntRange(0, 5000).Draw(t, "n"), rapid.Float64Range(1e3, 1e7).Draw(t, "hours")
		a, err := Run("rate", map[string]any{"count": float64(n), "exposure": hours, "base": 1e6})
		require.NoError(t, err)
		b, err := Run("rate", map[string]any{"count": float64(n), "exposure": hours, "base": 2e5})
		require.NoError(t, err)
		for _, k := range []string{"rate", "lower", "upper"} {
			require.InEpsilon(t, a.Outputs[k].(float64)+1, b.Outputs[k].(float64)*5+1, 1e-9)
		}
		counts := []any{}
		for range rapid.IntRange(12, 20).Draw(t, "periods") {
			counts = append(counts, float64(rapid.IntRange(0, 9).Draw(t, "count")))
		}
		whole, err := Run("c_chart", map[string]any{"counts": counts})
		require.NoError(t, err)
		gap, err := Run("c_chart", map[string]any{"counts": append(slices.Clone(counts), nil)})
		require.NoError(t, err)
		require.Equal(t, whole.Outputs["center"], gap.Outputs["center"])
		values := gap.Outputs["values"].([]any)
		require.Nil(t, values[len(values)-1])
	})
}

// FuzzRun runs any method on any JSON.
func FuzzRun(f *testing.F) {
	for _, m := range Methods() {
		f.Add(m.Name, []byte(m.Example))
	}
	f.Add("rate", []byte(`{"count":1e400}`))
	f.Add("c_chart", []byte(`{"counts":[0]}`))
	f.Fuzz(func(t *testing.T, name string, raw []byte) {
		m, err := Find(name)
		if err != nil {
			return
		}
		var in map[string]any
		if json.Unmarshal(raw, &in) != nil || skip(m.Name, in) {
			return
		}
		if i, ok := m.Input("replicates"); ok && in != nil {
			in["replicates"] = i.Range.Lo
		}
		r, err := Run(name, in)
		acceptable(t, m, in, r, err)
	})
}

// FuzzCSV reads any file of columns: what it takes runs or is refused by name.
func FuzzCSV(f *testing.F) {
	f.Add("u_chart", []byte("counts,exposures\n3,1000\n,2000\n5,\n"))
	f.Add("u_chart", []byte("\ufeffcounts;exposures;labels\n3;1000;2024-01\n"))
	f.Add("co_occurrence", []byte("factors.a,factors.b\nyes,no\nno,\n"))
	f.Add("table_test", []byte("table.a\ttable.b\n1\t2\n3\t4\n"))
	f.Add("c_chart", []byte("counts\n\"3\n"))
	f.Fuzz(func(t *testing.T, name string, raw []byte) {
		m, err := Find(name)
		if err != nil || len(raw) > 4000 {
			return
		}
		in := map[string]any{}
		if err := m.FromCSV(bytes.NewReader(raw), in); err != nil {
			acceptable(t, m, in, Result{}, err)
			return
		}
		if i, ok := m.Input("replicates"); ok {
			in["replicates"] = i.Range.Lo
		}
		r, err := Run(name, in)
		acceptable(t, m, in, r, err)
	})
}

// FuzzText reads any value as a person types it.
func FuzzText(f *testing.F) {
	for _, s := range []string{"3", "1,2,-", "1,2;3,4", "yes", "[1,2]", `{"a":["yes"]}`, "", "1e999", "0x10", "NaN"} {
		f.Add("u_chart", "counts", s)
		f.Add("co_occurrence", "factors.a", s)
		f.Add("table_test", "table", s)
	}
	f.Fuzz(func(t *testing.T, name, input, text string) {
		m, err := Find(name)
		if err != nil || len(text) > 2000 {
			return
		}
		in := map[string]any{}
		if err := m.FromText(input, text, in); err != nil {
			acceptable(t, m, in, Result{}, err)
			return
		}
		r, err := Run(name, in)
		acceptable(t, m, in, r, err)
	})
}
