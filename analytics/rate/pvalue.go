package rate

import (
	"math"

	"fairlead/analytics/dist"
)

// PValues holds the chances, under a hypothesis, of data at least as far from
// it as those seen, each by its own notion of "as far". They differ, so print
// which one is shown, and show it with the interval of the same kind: Central
// with the exact interval, MidP with the mid-P interval. MinLike is what some
// statistics packages print; it can fall below 5 % while the 95 % interval
// still covers the hypothesis.
type PValues struct {
	Less    float64 // one-sided: as few or fewer
	Greater float64 // one-sided: as many or more
	Central float64 // twice the smaller one-sided value, at most 1
	MinLike float64 // all outcomes no more likely than the one seen
	MidP    float64 // twice the smaller one-sided value with half the outcome seen, at most 1

	// One-sided values that count the outcome seen by half.
	MidPLess    float64
	MidPGreater float64
}

// For returns the p-value that belongs to the interval made by m: Central for
// the exact interval and for its approximations, MidP for the mid-P interval.
func (p PValues) For(m Method) float64 {
	if m == MidP {
		return p.MidP
	}
	return p.Central
}

func pValues(less, greater, term, minLike float64) PValues {
	// Tail and term come from different series: deep in the tail half the term
	// can exceed the tail by a rounding.
	midLess, midGreater := max(0, less-term/2), max(0, greater-term/2)
	return PValues{
		Less: less, Greater: greater,
		Central:  min(1, 2*min(less, greater)),
		MinLike:  min(1, minLike),
		MidPLess: midLess, MidPGreater: midGreater,
		MidP: min(1, 2*min(midLess, midGreater)),
	}
}

// TestMean returns the p-values of count cases when mean cases were to be
// expected: last year's rate times this year's hours, or a stated target.
// count must be in [0, 1e9) and mean in [0, 1e9]; otherwise the error wraps
// [dist.ErrDomain].
//
// MinLike follows the definition of R's poisson.test, with its relative
// allowance of 1e-7 for ties. Central: Fay (2010), R Journal 2(1):53-58.
func TestMean(count int, mean float64) (PValues, error) {
	const op = "rate: test mean"
	if count < 0 || count >= dist.MaxMean {
		return PValues{}, dist.BadInt(op, "count", count, "must be at least 0 and below 1e9 cases")
	}
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return PValues{}, dist.BadFloat(op, "mean", mean, "must be at least 0 and at most 1e9 cases")
	}
	less, greater := d.CDF(count), d.Survival(count)
	return pValues(less, greater, d.PMF(count), minLikePoisson(d, count)), nil
}

const tieAllowance = 1 + 1e-7

// minLikePoisson sums the outcomes no more likely than count. The mass function
// rises to its mode and falls after it, so that the outcomes on the far side
// are a tail whose end is found by bisection.
func minLikePoisson(d dist.Poisson, count int) float64 {
	mean, limit := d.Mean(), d.PMF(count)*tieAllowance
	switch x := float64(count); {
	case x == mean:
		return 1
	case x < mean:
		// The far side begins at the first k above the mean with pmf <= limit.
		k := firstInt(int(math.Ceil(mean)), func(k int) bool { return d.PMF(k) <= limit })
		return d.CDF(count) + d.Survival(k)
	default:
		// The far side ends at the last k below the mean with pmf <= limit.
		top := int(math.Floor(mean))
		n := firstInt(0, func(k int) bool { return k > top || d.PMF(k) > limit })
		return d.Survival(count) + d.CDF(n-1)
	}
}

// firstInt returns the least k >= lo with ok(k), for a condition that stays true
// once it is.
func firstInt(lo int, ok func(int) bool) int {
	step := 1
	bad := lo - 1
	// Further out nothing has any probability, and integers would overflow.
	const far = 1 << 60
	for !ok(bad + step) {
		if bad += step; bad >= far {
			return bad
		}
		step *= 2
	}
	good := bad + step
	for good-bad > 1 {
		if mid := bad + (good-bad)/2; ok(mid) {
			good = mid
		} else {
			bad = mid
		}
	}
	return good
}
