package cause

import (
	"math"

	"fairlead/analytics/dist"
)

// support returns the least and greatest count of both that the margins allow.
func (t Fourfold) support() (lo, hi int) {
	row, col := t.Both+t.ExposureOnly, t.Both+t.OutcomeOnly
	return max(0, row+col-t.Total()), min(row, col)
}

// hypergeometric returns the distribution of both, given the margins.
func (t Fourfold) hypergeometric(odds float64) (dist.Hypergeometric, error) {
	return dist.NewHypergeometric(t.Both+t.OutcomeOnly, t.ExposureOnly+t.Neither, t.Both+t.ExposureOnly, odds)
}

// fisher returns the p-values of Fisher's exact test; for a table too large to
// follow every count it stands in the chi-square value handed in.
func (t Fourfold) fisher(pearson float64) (FisherP, error) {
	lo, hi := t.support()
	if hi-lo > fisherSupport {
		p := FisherP{TwoSided: pearson, Less: pearson / 2, Greater: 1 - pearson/2}
		if float64(t.Both)*float64(t.Neither) > float64(t.ExposureOnly)*float64(t.OutcomeOnly) {
			p.Less, p.Greater = p.Greater, p.Less
		}
		return p, nil
	}
	d, err := t.hypergeometric(1)
	if err != nil {
		return FisherP{}, err
	}
	p := FisherP{Less: d.CDF(t.Both), Greater: d.Survival(t.Both), Exact: true}
	limit := d.PMF(t.Both) * tieAllowance
	// Probabilities fall away from the mode on both sides: each tail of tables
	// no more probable is found from its own end.
	low := lo
	for low <= hi && d.PMF(low) <= limit {
		low++
	}
	if low > hi {
		p.TwoSided = 1
		return p, nil
	}
	high := hi
	for high > low && d.PMF(high) <= limit {
		high--
	}
	p.TwoSided = min(1, d.CDF(low-1)+d.Survival(high+1))
	return p, nil
}

// conditional returns the odds ratio that makes the table seen most probable
// given its margins, with the exact interval by Fisher's noncentral
// distribution. At either end of what the margins allow the estimate is 0 or
// has no bound, and so has one of the limits.
func (t Fourfold) conditional(level float64) (Odds, error) {
	o := Odds{Bounded: true, Level: level, Method: "exact, given the margins"}
	lo, hi := t.support()
	tail := (1 - level) / 2
	at := func(f func(dist.Hypergeometric) float64) (float64, error) {
		var failed error
		g := func(logOdds float64) float64 {
			d, err := t.hypergeometric(math.Exp(logOdds))
			if err != nil {
				failed = err
				return math.NaN()
			}
			return f(d)
		}
		// Widen until the function changes sign; it is monotone in the odds.
		width := 4.0
		for width < 600 && g(-width) > 0 == (g(width) > 0) {
			width *= 2
		}
		x, err := dist.Root(g, -min(width, 680), min(width, 680), 0)
		if failed != nil {
			return 0, failed
		}
		return math.Exp(x), err
	}
	var err error
	if t.Both == lo {
		o.Value, o.Lo = 0, 0
	} else {
		if o.Lo, err = at(func(d dist.Hypergeometric) float64 { return d.Survival(t.Both) - tail }); err != nil {
			return Odds{}, err
		}
	}
	if t.Both == hi {
		o.Open, o.HiOpen = true, true
	} else {
		if o.Hi, err = at(func(d dist.Hypergeometric) float64 { return tail - d.CDF(t.Both) }); err != nil {
			return Odds{}, err
		}
	}
	if t.Both > lo && t.Both < hi {
		if o.Value, err = at(func(d dist.Hypergeometric) float64 { return d.Mean() - float64(t.Both) }); err != nil {
			return Odds{}, err
		}
	}
	return o, nil
}
