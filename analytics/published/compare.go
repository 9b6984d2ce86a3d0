package published

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Result is what a method computed, by the names its fixtures use. Values are
// float64, int, bool, string, []float64, []int, [][]float64, nested Result, or
// nil for infinite, undefined or absent.
type Result map[string]any

// nearZero is the absolute difference always allowed: R and Go round
// differently where a result is zero but for rounding.
const nearZero = 1e-12

// compareExpected lists how got differs from the expected values, in a fixed
// order. Every expected value must have been computed.
func compareExpected(expected map[string]any, got Result, relTol float64) []string {
	var diffs []string
	for _, k := range slices.Sorted(maps.Keys(expected)) {
		v, ok := lookup(got, k, expected[k])
		if !ok {
			diffs = append(diffs, k+": not computed")
			continue
		}
		if strings.HasSuffix(k, "_simulated") {
			diffs = append(diffs, compareShare(k, expected[k], v)...)
			continue
		}
		diffs = append(diffs, compareValue(k, expected[k], v, relTol)...)
	}
	return diffs
}

// shareTolerance is the absolute difference allowed to a probability that the
// fixture found by simulation without stating its standard error (20,000 draws,
// "compare within 0.01").
const shareTolerance = 0.01

func compareShare(path string, want, got any) []string {
	w, ok1 := number(want)
	g, ok2 := toFloat(got)
	if !ok1 || !ok2 || !(math.Abs(w-g) <= shareTolerance) {
		return []string{fmt.Sprintf("%s: got %v, want %v within %g", path, got, want, shareTolerance)}
	}
	return nil
}

// compareSimulated compares values that carry a standard error, to within four
// standard errors of the two simulations together. How many runs each made is
// its own affair.
func compareSimulated(expected map[string]any, got Result) []string {
	want, ok1 := number(expected["standard_error"])
	have, ok2 := toFloat(got["standard_error"])
	if !ok1 || !ok2 {
		return []string{"standard_error: not computed"}
	}
	allowed := 4 * math.Hypot(want, have)
	var diffs []string
	for _, k := range slices.Sorted(maps.Keys(expected)) {
		if k == "standard_error" || k == "runs" {
			continue
		}
		w, ok1 := number(expected[k])
		g, ok2 := toFloat(got[k])
		if !ok1 || !ok2 || !(math.Abs(w-g) <= allowed) {
			diffs = append(diffs, fmt.Sprintf("%s: got %v, want %v within %.3g", k, got[k], expected[k], allowed))
		}
	}
	return diffs
}

// lookup finds a computed value. A lower limit printed as a negative number is
// the one before it was cut off at zero.
func lookup(got Result, key string, want any) (any, bool) {
	if x, ok := number(want); ok && x < 0 {
		if raw, ok := got["raw_"+key]; ok {
			return raw, true
		}
	}
	v, ok := got[key]
	return v, ok
}

func compareValue(path string, want, got any, relTol float64) []string {
	differ := func() []string {
		return []string{fmt.Sprintf("%s: got %v, want %v", path, got, want)}
	}
	switch want := want.(type) {
	case nil:
		if x, isNum := toFloat(got); got == nil || (isNum && (math.IsInf(x, 0) || math.IsNaN(x))) {
			return nil
		}
		return differ()
	case bool:
		if b, ok := got.(bool); ok && b == want {
			return nil
		}
		return differ()
	case string:
		if s, ok := got.(string); ok && s == want {
			return nil
		}
		return differ()
	case []any:
		list, ok := toList(got)
		if !ok {
			return differ()
		}
		if len(list) != len(want) {
			return []string{fmt.Sprintf("%s: got %d values %v, want %d %v", path, len(list), list, len(want), want)}
		}
		var diffs []string
		for i := range want {
			diffs = append(diffs, compareValue(fmt.Sprintf("%s[%d]", path, i+1), want[i], list[i], relTol)...)
		}
		return diffs
	case map[string]any:
		sub, ok := got.(Result)
		if !ok {
			return differ()
		}
		diffs := compareExpected(want, sub, relTol)
		for i := range diffs {
			diffs[i] = path + "." + diffs[i]
		}
		return diffs
	}
	w, ok1 := number(want)
	g, ok2 := toFloat(got)
	if !ok1 || !ok2 {
		return differ()
	}
	if isPValue(path) {
		relTol = max(relTol, tailTolerance(w, relTol))
	}
	if math.Abs(w-g) <= relTol*math.Abs(w)+nearZero && !underflow(w, g, relTol) {
		return nil
	}
	return []string{fmt.Sprintf("%s: got %.15g, want %.15g (relative %.2g, allowed %g)", path, g, w, math.Abs(w-g)/math.Abs(w), relTol)}
}

// isPValue reports whether a value is by its name the p-value of a statistic
// that is compared beside it: p, p[2], lr_p.
func isPValue(path string) bool {
	return path == "p" || strings.HasPrefix(path, "p[") || strings.HasSuffix(path, "_p")
}

// tailTolerance is what a relative tolerance of a statistic makes of its
// p-value: that of z standard deviations is wrong by z squared, which is below
// twice its logarithm, times the error of z.
func tailTolerance(p, relTol float64) float64 {
	if !(p > 1e-300 && p < 1) {
		return 0
	}
	return -2 * math.Log(p) * relTol
}

// underflow catches tiny probabilities that the absolute allowance would let
// pass: 0 is not 2.8e-56.
func underflow(want, got, relTol float64) bool {
	size := math.Abs(want)
	return size > 1e-300 && size < 1e-20 && math.Abs(want-got) > max(tailTolerance(size, relTol), 1e-6)*size
}

func toFloat(v any) (float64, bool) {
	switch v := v.(type) {
	case float64:
		return v, true
	case int:
		return float64(v), true
	}
	return 0, false
}

func toList(v any) ([]any, bool) {
	var out []any
	switch v := v.(type) {
	case []float64:
		for _, x := range v {
			out = append(out, x)
		}
	case []int:
		for _, x := range v {
			out = append(out, x)
		}
	case []bool:
		for _, x := range v {
			out = append(out, x)
		}
	case []string:
		for _, x := range v {
			out = append(out, x)
		}
	case [][]float64:
		for _, x := range v {
			out = append(out, x)
		}
	case []any:
		out = v
	default:
		return nil, false
	}
	return out, true
}

// printed is what became of the published values of a case.
type printed struct {
	diffs []string // differ by more than the source's rounding
	near  []string // agree to a whole unit of the last place, not to half of one
	left  []string // could not be compared: a text, or a name no method computes
}

// comparePublished compares with values as printed in a source, each to its own
// rounding. A value off by more than half but no more than a whole unit of its
// last place counts as agreeing, and is reported: sources work from rounded
// intermediate values. Where the case's note states how far the source can be
// trusted, that is used.
func comparePublished(published map[string]any, got Result, alias map[string]string, note string) printed {
	var out printed
	for _, k := range slices.Sorted(maps.Keys(published)) {
		v, ok := findPublished(got, k, alias)
		if _, isText := published[k].(string); isText || !ok {
			out.left = append(out.left, k)
			continue
		}
		out.compare(k, published[k], v, note)
	}
	return out
}

// element names one element of a list by its 1-based position: ucl_roll_3, or
// ucl_3.
var element = regexp.MustCompile(`^([a-z]+)(?:_[a-z]+)?_(\d+)$`)

// findPublished finds the computed value a printed one stands for: by its own
// name, by another name it goes by in that topic, or as an element of a list.
func findPublished(got Result, key string, alias map[string]string) (any, bool) {
	if v, ok := got[key]; ok {
		return v, true
	}
	if v, ok := got[alias[key]]; ok {
		return v, true
	}
	if m := element.FindStringSubmatch(key); m != nil {
		list, ok := toList(got[m[1]])
		i, err := strconv.Atoi(m[2])
		if ok && err == nil && i >= 1 && i <= len(list) {
			return list[i-1], true
		}
	}
	return nil, false
}

// compare compares one printed value. One number printed for a list stands for
// each of its elements.
func (o *printed) compare(path string, want, got any, note string) {
	values, isList := toList(got)
	if list, ok := want.([]any); ok {
		if !isList || len(values) != len(list) {
			o.diffs = append(o.diffs, fmt.Sprintf("%s: got %v, published %v", path, got, want))
			return
		}
		for i := range list {
			o.compare(fmt.Sprintf("%s[%d]", path, i+1), list[i], values[i], note)
		}
		return
	}
	n, ok := want.(json.Number)
	if !ok {
		o.diffs = append(o.diffs, compareValue(path, want, got, 0)...)
		return
	}
	if isList && len(values) > 0 {
		for i := range values {
			o.compare(fmt.Sprintf("%s[%d]", path, i+1), want, values[i], note)
		}
		return
	}
	g, ok := toFloat(got)
	w, err := n.Float64()
	half, whole := printedTolerance(n.String(), w, note)
	switch d := math.Abs(g - w); {
	case !ok || err != nil || d > whole:
		o.diffs = append(o.diffs, fmt.Sprintf("%s: got %v, published %s", path, got, n))
	case d > half:
		o.near = append(o.near, fmt.Sprintf("%s %s for %.6g", path, n, g))
	}
}

var (
	withinNote = regexp.MustCompile(`to within ([0-9.]+(?:e-?\d+)?)`)
	digitsNote = regexp.MustCompile(`agrees to (\d+) digits`)
)

// printedTolerance returns half and a whole unit of the last printed place, or
// for both what the note says ("to within 5e-4", "agrees to 5 digits").
func printedTolerance(text string, value float64, note string) (half, whole float64) {
	mantissa, exponent, _ := strings.Cut(strings.ToLower(text), "e")
	_, decimals, _ := strings.Cut(mantissa, ".")
	e, err := strconv.Atoi(exponent)
	if err != nil {
		e = 0
	}
	// The unit itself is no exact float64; and fifteen printed digits are a
	// float64 written out rather than a rounding.
	unit := math.Pow(10, float64(e-len(decimals))) * (1 + 1e-9)
	exact := 1e-9 * math.Abs(value)
	half, whole = max(unit/2, exact), max(unit, exact)
	stated := 0.0
	if m := withinNote.FindStringSubmatch(note); m != nil {
		if x, err := strconv.ParseFloat(m[1], 64); err == nil {
			stated = x
		}
	}
	if m := digitsNote.FindStringSubmatch(note); m != nil {
		if d, err := strconv.Atoi(m[1]); err == nil {
			stated = math.Abs(value) * math.Pow(10, float64(1-d))
		}
	}
	return max(half, stated), max(whole, stated)
}
