package compute

import (
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/analytics/figure"
)

// example returns the inputs of a method's example.
func example(t testing.TB, m Method) map[string]any {
	t.Helper()
	var in map[string]any
	require.NoError(t, json.Unmarshal([]byte(m.Example), &in), "%s: the example is no JSON object", m.Name)
	return in
}

// The table says of each method everything a stranger needs, in the house's
// words, and names nothing twice.
func TestTable(t *testing.T) {
	t.Parallel()
	name := regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	names := map[string]string{}
	for _, m := range Methods() {
		require.Regexp(t, name, m.Name)
		for _, n := range append([]string{m.Name}, m.Also...) {
			require.Regexp(t, name, n)
			require.Empty(t, names[n], "%s and %s share the name %s", m.Name, names[n], n)
			names[n] = m.Name
			found, err := Find(n)
			require.NoError(t, err)
			require.Equal(t, m.Name, found.Name)
		}
		require.Contains(t, Groups(), m.Group)
		require.NotEmpty(t, m.Source, m.Name)
		require.NotContains(t, m.Purpose, "\n")
		require.False(t, strings.HasSuffix(m.Purpose, "."), m.Name)
		require.True(t, strings.HasSuffix(m.How, "."), "%s: %s", m.Name, m.How)
		require.NotNil(t, m.run)
		checkInputs(t, m, name)
		seen := map[string]bool{}
		require.NotEmpty(t, m.Outputs)
		for _, o := range m.Outputs {
			require.Regexp(t, name, o.Name)
			require.False(t, seen[o.Name], "%s: output %s twice", m.Name, o.Name)
			require.NotEmpty(t, o.About, "%s: %s", m.Name, o.Name)
			seen[o.Name] = true
		}
	}
	require.Greater(t, len(names), 60)
}

func checkInputs(t *testing.T, m Method, name *regexp.Regexp) {
	t.Helper()
	seen := map[string]bool{}
	for _, i := range m.Inputs {
		require.Regexp(t, name, i.Name)
		require.False(t, seen[i.Name], "%s: input %s twice", m.Name, i.Name)
		seen[i.Name] = true
		require.NotEmpty(t, i.About, "%s: %s", m.Name, i.Name)
		require.False(t, i.Required && i.Default != nil, "%s: %s is required and has a default", m.Name, i.Name)
		if !i.Type.Scalar() {
			require.Positive(t, i.Longest, "%s: %s is not bounded", m.Name, i.Name)
			require.Nil(t, i.Default)
		}
		if i.Type == Number || i.Type == Whole || i.Type == Numbers || i.Type == Wholes || i.Type == NumberRows || i.Type == WholeRows || i.Type == NumbersBy {
			require.True(t, i.Range.bounded, "%s: %s has no range", m.Name, i.Name)
		}
		if i.Default != nil {
			c := &checker{}
			got, _ := c.read(i, i.Default)
			require.Empty(t, c.problems, "%s: %s: the default is outside its own domain", m.Name, i.Name)
			require.Equal(t, got, i.Default, "%s: %s: the default has another type", m.Name, i.Name)
		}
		if i.Required {
			require.Contains(t, example(t, m), i.Name, "%s: the example lacks %s", m.Name, i.Name)
		}
	}
	for _, set := range m.alike {
		for _, n := range set {
			require.True(t, seen[n] || n == "sizes" || n == "exposures", "%s: %s must be as long as something, but is no input", m.Name, n)
		}
	}
	for _, n := range m.named {
		require.True(t, seen[n] || n == "exposures" || n == "sizes" || n == "phase_starts", "%s: an argument comes from %s, which is no input", m.Name, n)
	}
}

// Every example of the table runs, twice to the same answer, and its answer
// holds exactly what the table says.
func TestExamples(t *testing.T) {
	t.Parallel()
	for _, m := range Methods() {
		t.Run(m.Name, func(t *testing.T) {
			t.Parallel()
			in := example(t, m)
			r, err := Run(m.Name, in)
			require.NoError(t, err)
			require.Equal(t, example(t, m), in, "inputs are not modified")
			sound(t, m, r)
			again, err := Run(m.Name, in)
			require.NoError(t, err)
			require.Equal(t, r.Outputs, again.Outputs)
			require.Equal(t, r.Sentence, again.Sentence)
			if r.Drawing != nil {
				for _, size := range []figure.Size{figure.Wide, figure.Narrow} {
					svg, err := r.SVG(size, "x")
					require.NoError(t, err)
					require.True(t, strings.HasPrefix(svg, "<svg") && strings.HasSuffix(strings.TrimSpace(svg), "</svg>"))
				}
			}
			_, svgErr := Result{}.SVG(figure.Wide, "x")
			require.NoError(t, svgErr)
		})
	}
}

// sound fails unless an answer is fit for a reader: every output of the table
// and no other, no number that is none, a reason wherever something is null, a
// sentence that ends.
func sound(t require.TestingT, m Method, r Result) {
	require.Len(t, r.Outputs, len(m.Outputs))
	for _, o := range m.Outputs {
		v, ok := r.Outputs[o.Name]
		require.True(t, ok, "%s: no output %s", m.Name, o.Name)
		null := finite(t, m.Name+"."+o.Name, v)
		require.Equal(t, null, r.Absent[o.Name] != "", "%s: %s = %v, absent %q", m.Name, o.Name, v, r.Absent[o.Name])
	}
	for name := range r.Absent {
		require.Contains(t, r.Outputs, name)
	}
	require.NotEmpty(t, r.Sentence, m.Name)
	require.True(t, strings.HasSuffix(r.Sentence, "."), "%s: %s", m.Name, r.Sentence)
	require.NotContains(t, r.Sentence, "no value", m.Name)
	require.NotContains(t, r.Sentence, "%!", m.Name)
	require.NotContains(t, r.Sentence, "..", m.Name)
	require.NotContains(t, r.Sentence, "NaN", m.Name)
	require.NotContains(t, r.Sentence, "Inf", m.Name)
	require.NotEmpty(t, r.How)
	require.NotEmpty(t, r.Source)
	for _, n := range r.Notes {
		require.NotEmpty(t, n)
	}
}

// finite fails unless v is decoded JSON without a number that is none, and
// reports whether there is a null in it.
func finite(t require.TestingT, where string, v any) (null bool) {
	switch v := v.(type) {
	case nil:
		return true
	case bool, string:
	case float64:
		require.False(t, math.IsNaN(v) || math.IsInf(v, 0), where)
	case []any:
		for _, x := range v {
			null = finite(t, where, x) || null
		}
	case map[string]any:
		for _, x := range v {
			null = finite(t, where, x) || null
		}
	default:
		require.Fail(t, "is no JSON", "%s: %T", where, v)
	}
	return null
}

// A seed is stated in the answer, and another one gives another one.
func TestSeed(t *testing.T) {
	t.Parallel()
	m, err := Find("krippendorff_alpha")
	require.NoError(t, err)
	in := example(t, m)
	in["replicates"] = 100.0
	first, err := Run(m.Name, in)
	require.NoError(t, err)
	require.Equal(t, 1.0, first.Settings["seed"])
	delete(in, "seed")
	second, err := Run(m.Name, in)
	require.NoError(t, err)
	require.Equal(t, 0.0, second.Settings["seed"], "the default is stated")
	require.NotEqual(t, []any{first.Outputs["lower"], first.Outputs["upper"]}, []any{second.Outputs["lower"], second.Outputs["upper"]})
	require.Equal(t, first.Outputs["alpha"], second.Outputs["alpha"])
	drawn := 0
	for _, m := range Methods() {
		_, seeded := m.Input("seed")
		_, replicated := m.Input("replicates")
		require.Equal(t, seeded, replicated, "%s: draws have a seed", m.Name)
		if seeded {
			drawn++
		}
	}
	require.Positive(t, drawn)
}

// Settings hold single inputs only: what was handed in as a list is not sent
// back.
func TestSettings(t *testing.T) {
	t.Parallel()
	r, err := Run("u_chart", map[string]any{"counts": []any{1.0, 2.0, nil}, "exposures": []any{100.0, 200.0, 300.0}, "baseline": 2.0})
	require.NoError(t, err)
	require.Equal(t, map[string]any{"base": 1e6, "baseline": 2.0, "event": "event", "limits": "sigma", "period": "month", "run_above": 8.0, "run_below": 8.0, "sigmas": 3.0, "tail": 0.00135, "unit": "hours"}, r.Settings)
	require.True(t, slices.Contains([]string{"too few to say"}, r.Outputs["finding"].(string)))
}
