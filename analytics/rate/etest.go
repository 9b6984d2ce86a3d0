package rate

import (
	"math"

	"fairlead/analytics/dist"
)

// ETestResult is the outcome of an unconditional test of two equal rates.
type ETestResult struct {
	Statistic float64 // difference of rates over its standard error
	PTwoSided float64
	PGreater  float64 // one-sided: the first rate is not above the second
	Pooled    bool    // which standard error
	Defined   bool
	Reason    string
}

// maxETest bounds the counts of an E-test, whose work grows with their square
// root.
const maxETest = 10_000_000

// ETest returns the E-test of equal rates: the probability, at the common rate
// estimated from both sides, of a statistic at least as extreme as the one
// seen. It has more power than the conditional test of [Compare] and can
// exceed its nominal level a little; it has no interval of its own, so show it
// only beside one that says what it is. pooled takes the standard error from
// the pooled rate, otherwise from each side's own.
//
// A side without exposure gives an undefined result. Counts must be in
// [0, 1e7] and exposures 0 or in [1e-9, 1e15]; otherwise the error wraps
// [dist.ErrDomain].
//
// Krishnamoorthy and Thomson (2004), Journal of Statistical Planning and
// Inference 119:23-35.
func ETest(a, b Sample, pooled bool) (ETestResult, error) {
	const op = "rate: e-test"
	if _, _, err := blankComparison(op, a, b, 1, Options{}); err != nil {
		return ETestResult{}, err
	}
	if a.Count > maxETest || b.Count > maxETest {
		return ETestResult{}, dist.BadInt(op, "count", max(a.Count, b.Count), "must be at most 10,000,000 cases")
	}
	r := ETestResult{Pooled: pooled}
	if a.Exposure == 0 || b.Exposure == 0 {
		r.Reason = "one side has no hours: there is no rate to compare"
		return r, nil
	}
	t := eStatistic{a.Exposure, b.Exposure, pooled}
	r.Statistic = t.at(a.Count, b.Count)
	common := float64(a.Count+b.Count) / (a.Exposure + b.Exposure)
	d1, err := dist.NewPoisson(common * a.Exposure)
	if err != nil {
		return ETestResult{}, err
	}
	d2, err := dist.NewPoisson(common * b.Exposure)
	if err != nil {
		return ETestResult{}, err
	}
	// Ties are decided with the allowance of the published computation.
	const tie = 1e-10
	high, low := math.Abs(r.Statistic)-tie, -math.Abs(r.Statistic)+tie
	from, to, err := window(d1)
	if err != nil {
		return ETestResult{}, err
	}
	for x := from; x <= to; x++ {
		p := d1.PMF(x)
		// For a given first count the statistic falls as the second rises.
		r.PGreater += p * d2.CDF(firstInt(0, func(y int) bool { return t.at(x, y) < r.Statistic-tie })-1)
		above := d2.CDF(firstInt(0, func(y int) bool { return t.at(x, y) < high }) - 1)
		below := d2.Survival(firstInt(0, func(y int) bool { return t.at(x, y) <= low }))
		r.PTwoSided += p * min(1, above+below)
	}
	r.PTwoSided, r.PGreater, r.Defined = min(1, r.PTwoSided), min(1, r.PGreater), true
	return r, nil
}

// window returns the counts outside which d has less than 1e-18 on each side.
func window(d dist.Poisson) (from, to int, err error) {
	const negligible = 1e-18
	if from, err = d.LowerLimit(negligible); err != nil {
		return 0, 0, err
	}
	to, err = d.UpperQuantile(negligible)
	return from, to, err
}

// eStatistic is the difference of two rates over its standard error.
type eStatistic struct {
	t1, t2 float64
	pooled bool
}

func (t eStatistic) at(x, y int) float64 {
	a, b := float64(x), float64(y)
	variance := a/t.t1/t.t1 + b/t.t2/t.t2
	if t.pooled {
		variance = (a + b) / (t.t1 + t.t2) * (1/t.t1 + 1/t.t2)
	}
	if variance == 0 {
		return 0
	}
	return (a/t.t1 - b/t.t2) / math.Sqrt(variance)
}
