package agree

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// Kappa is the agreement of two coders beyond chance. The figures mean
// something only when Defined is true.
type Kappa struct {
	Items    int     // coded by both
	Observed float64 // share on which they agree, weighted
	Expected float64 // share on which chance alone would make them agree
	Value    float64 // (Observed - Expected) / (1 - Expected)
	SE       float64 // standard error
	SENull   float64 // standard error if they agreed by chance only
	ZNull    float64 // Value / SENull; 0 when SENull is 0
	Lo, Hi   float64 // Value and SE by the normal distribution; Hi may exceed 1, see Limits
	Level    float64
	Method   string
	Defined  bool
	Reason   string // why it is undefined; empty when it is defined
	Note     string // what a reader of the interval must know; often empty
}

const defaultLevel = 0.95

// Limits returns the interval cut to what a kappa can be.
func (k Kappa) Limits() (lo, hi float64) { return max(-1, k.Lo), min(1, k.Hi) }

// Cohen returns the agreement of two coders from their cross-table: table[i][j]
// items were put into category i by the first and into category j by the
// second. level is that of the interval; 0 means 0.95.
//
// Without items, or when both used one and the same category throughout, kappa
// is undefined. table must be square with at least two categories and counts in
// [0, 1e9]; otherwise the error wraps [dist.ErrDomain].
//
// Cohen (1960), Educational and Psychological Measurement 20:37-46; standard
// errors by Fleiss, Cohen and Everitt (1969), Psychological Bulletin
// 72:323-327.
func Cohen(table [][]int, level float64) (Kappa, error) {
	k, err := kappa("agree: cohen", table, identity(len(table)), level)
	k.Method = "Cohen's kappa"
	return k, err
}

// CohenWeighted returns the agreement of two coders when some disagreements are
// less than others: weights[i][j] is how far codes i and j agree, 1 on the
// diagonal and from 0 to 1 elsewhere. See [Linear] and [Quadratic].
//
// A category that nobody used still widens the scale when it lies between two
// others: keep it in the table. The domain is that of [Cohen]; weights must be
// of the size of table.
//
// Cohen (1968), Psychological Bulletin 70:213-220; standard errors by Fleiss,
// Cohen and Everitt (1969).
func CohenWeighted(table [][]int, weights [][]float64, level float64) (Kappa, error) {
	const op = "agree: weighted kappa"
	if len(weights) != len(table) {
		return Kappa{}, dist.BadInt(op, "weights", len(weights), fmt.Sprintf("must have a row for each of the %d categories", len(table)))
	}
	for i, row := range weights {
		if len(row) != len(table) {
			return Kappa{}, dist.BadInt(op, fmt.Sprintf("weights[%d]", i), len(row), fmt.Sprintf("must have a value for each of the %d categories", len(table)))
		}
		for j, w := range row {
			arg := fmt.Sprintf("weights[%d][%d]", i, j)
			if !(w >= 0 && w <= 1) {
				return Kappa{}, dist.BadFloat(op, arg, w, "must be at least 0 and at most 1")
			}
			if i == j && w != 1 {
				return Kappa{}, dist.BadFloat(op, arg, w, "must be 1: a code agrees with itself")
			}
		}
	}
	k, err := kappa(op, table, weights, level)
	k.Method = "weighted kappa"
	return k, err
}

// Linear returns weights that fall evenly with the distance of two of k ordered
// categories. k below 2 gives the identity.
func Linear(k int) [][]float64 { return byDistance(k, 1) }

// Quadratic returns weights that fall with the square of the distance of two of
// k ordered categories. k below 2 gives the identity.
func Quadratic(k int) [][]float64 { return byDistance(k, 2) }

func byDistance(k int, power float64) [][]float64 {
	w := identity(k)
	for i := range w {
		for j := range w {
			if i != j {
				w[i][j] = 1 - math.Pow(math.Abs(float64(i-j))/float64(k-1), power)
			}
		}
	}
	return w
}

func identity(k int) [][]float64 {
	w := make([][]float64, max(0, k))
	for i := range w {
		w[i] = make([]float64, k)
		w[i][i] = 1
	}
	return w
}

func kappa(op string, table [][]int, w [][]float64, level float64) (Kappa, error) {
	if level == 0 {
		level = defaultLevel
	}
	if err := dist.CheckLevel(op, level); err != nil {
		return Kappa{}, err
	}
	k := len(table)
	if k < 2 {
		return Kappa{}, dist.BadInt(op, "table", k, "must have at least two categories")
	}
	out := Kappa{Level: level}
	rows, cols := make([]float64, k), make([]float64, k)
	for i, r := range table {
		if len(r) != k {
			return Kappa{}, dist.BadInt(op, fmt.Sprintf("table[%d]", i), len(r), fmt.Sprintf("must have %d counts: the table must be square", k))
		}
		for j, n := range r {
			if n < 0 || n > dist.MaxMean {
				return Kappa{}, dist.BadInt(op, fmt.Sprintf("table[%d][%d]", i, j), n, "must be at least 0 and at most 1e9")
			}
			out.Items += n
			rows[i] += float64(n)
			cols[j] += float64(n)
		}
	}
	if out.Items == 0 {
		out.Reason = "no item was coded by both"
		return out, nil
	}
	n := float64(out.Items)
	for i := range k {
		rows[i] /= n
		cols[i] /= n
	}
	out.Observed, out.Expected = 0, 0
	wi, wj := make([]float64, k), make([]float64, k) // mean agreement of a code with the other's codes
	for i := range k {
		for j := range k {
			out.Observed += w[i][j] * float64(table[i][j]) / n
			out.Expected += w[i][j] * rows[i] * cols[j]
			wi[i] += w[i][j] * cols[j]
			wj[j] += w[i][j] * rows[i]
		}
	}
	left := 1 - out.Expected
	if left < 1e-12 {
		out.Reason = "both used one category throughout: there is nothing to agree on beyond chance"
		return out, nil
	}
	out.Value = (out.Observed - out.Expected) / left
	var sum, null float64
	for i := range k {
		for j := range k {
			b := wi[i] + wj[j]
			d := w[i][j] - b*(1-out.Value)
			sum += float64(table[i][j]) / n * d * d
			null += rows[i] * cols[j] * (w[i][j] - b) * (w[i][j] - b)
		}
	}
	e := out.Value - out.Expected*(1-out.Value)
	out.SE = math.Sqrt(max(0, sum-e*e)/n) / left
	out.SENull = math.Sqrt(max(0, null-out.Expected*out.Expected)/n) / left
	if out.SENull > 1e-12 {
		out.ZNull = out.Value / out.SENull
	}
	z := -mathext.NormalQuantile((1 - level) / 2)
	out.Lo, out.Hi = out.Value-z*out.SE, out.Value+z*out.SE
	if out.SE < 1e-12 {
		out.Note = fmt.Sprintf("no spread to work out an interval from: with %d items, disagreement on up to %.2g %% of them could still have gone unseen", out.Items, 100*(1-math.Pow((1-level)/2, 1/n)))
	}
	out.Defined = true
	return out, nil
}
