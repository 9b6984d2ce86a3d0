package agree

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// FleissKappa is the agreement of several coders beyond chance when each item
// was coded by the same number of them. The figures mean something only when
// Defined is true.
type FleissKappa struct {
	Items      int
	Coders     int     // for each item
	Observed   float64 // mean share of pairs of coders that agree on an item
	Expected   float64 // share of pairs that chance alone would make agree
	Value      float64
	SENull     float64 // standard error if they agreed by chance only
	ZNull      float64 // Value / SENull; 0 when SENull is 0
	Categories []Category
	Defined    bool
	Reason     string // why it is undefined; empty when it is defined
}

// Category is how well one category is told apart from all others. Kappa means
// something only when Defined is true: a category that nobody used, or
// everybody always, cannot be judged.
type Category struct {
	Share   float64 // of all codes
	Kappa   float64
	Defined bool
}

// Fleiss returns the agreement of several coders from counts[i][j], the number
// of coders who put item i into category j. It has no interval of its own
// besides the standard error under chance; [Krippendorff] on the same codes has
// one.
//
// Without items, or when one category was used throughout, kappa is undefined.
// Each item must have been coded by the same number of coders, at least two; if
// not, use [Krippendorff]. Counts must be in [0, 1e6]; otherwise the error
// wraps [dist.ErrDomain].
//
// Fleiss (1971), Psychological Bulletin 76:378-382; the standard error as
// corrected by Fleiss, Nee and Landis (1979), Psychological Bulletin
// 86:974-977.
func Fleiss(counts [][]int) (FleissKappa, error) {
	const op = "agree: fleiss"
	f := FleissKappa{Items: len(counts)}
	if len(counts) == 0 {
		f.Reason = "no items were coded"
		return f, nil
	}
	k := len(counts[0])
	if k < 2 {
		return FleissKappa{}, dist.BadInt(op, "counts[0]", k, "must have at least two categories")
	}
	share, within := make([]float64, k), make([]float64, k)
	agree := 0.0 // pairs that agree, in and against all pairs
	for i, row := range counts {
		if len(row) != k {
			return FleissKappa{}, dist.BadInt(op, fmt.Sprintf("counts[%d]", i), len(row), fmt.Sprintf("must have %d categories like the first", k))
		}
		m := 0
		for j, n := range row {
			if n < 0 || n > 1_000_000 {
				return FleissKappa{}, dist.BadInt(op, fmt.Sprintf("counts[%d][%d]", i, j), n, "must be at least 0 and at most 1,000,000")
			}
			m += n
		}
		if i == 0 {
			f.Coders = m
			if m < 2 {
				return FleissKappa{}, dist.BadInt(op, "counts[0]", m, "must add up to at least two coders")
			}
		}
		if m != f.Coders {
			return FleissKappa{}, dist.BadInt(op, fmt.Sprintf("counts[%d]", i), m, fmt.Sprintf("must add up to %d coders like the first; use Krippendorff's alpha where some codes are missing", f.Coders))
		}
		for j, n := range row {
			share[j] += float64(n)
			within[j] += float64(n) * float64(m-n)
			agree += float64(n) * float64(n-1)
		}
	}
	items, n := float64(f.Items), float64(f.Coders)
	pairs := items * n * (n - 1)
	f.Observed = agree / pairs
	var q, skew float64 // sums of p(1-p) and of p(1-p)(1-2p)
	for j := range share {
		p := share[j] / (items * n)
		c := Category{Share: p}
		pq := p * (1 - p)
		f.Expected += p * p
		q += pq
		skew += pq * (1 - 2*p)
		if pq > 1e-15 {
			c.Kappa, c.Defined = 1-within[j]/(pairs*pq), true
		}
		f.Categories = append(f.Categories, c)
	}
	if q < 1e-15 {
		f.Reason = "one category was used throughout: there is nothing to agree on beyond chance"
		return f, nil
	}
	f.Value = (f.Observed - f.Expected) / q
	f.SENull = math.Sqrt2 / (q * math.Sqrt(pairs)) * math.Sqrt(max(0, q*q-skew))
	if f.SENull > 1e-12 {
		f.ZNull = f.Value / f.SENull
	}
	f.Defined = true
	return f, nil
}
