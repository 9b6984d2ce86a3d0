package dist

import "math"

// Binomial is the distribution of the number of cases among n trials that each
// turn out a case with probability p, independently. The zero value has no
// trials and is valid.
type Binomial struct {
	n int
	p float64
	q float64 // 1-p
}

// NewBinomial returns the binomial distribution of n trials with probability
// p. n must be in [0, 1e9] and p in [0, 1]; otherwise the error wraps
// [ErrDomain].
func NewBinomial(n int, p float64) (Binomial, error) {
	const op = "dist: binomial"
	if n < 0 || n > MaxMean {
		return Binomial{}, BadInt(op, "n", n, "must be at least 0 and at most 1e9 trials")
	}
	if !(p >= 0 && p <= 1) {
		return Binomial{}, BadFloat(op, "p", p, "must be at least 0 and at most 1")
	}
	return Binomial{n: n, p: p, q: 1 - p}, nil
}

// N returns the number of trials.
func (d Binomial) N() int { return d.n }

// P returns the probability of a case in one trial.
func (d Binomial) P() float64 { return d.p }

// PMF returns P(X = k). It is zero outside [0, n].
//
// Loader (2000), saddle-point expansion.
func (d Binomial) PMF(k int) float64 {
	return math.Exp(binomialLogPMF(float64(k), float64(d.n), d.p, d.q))
}

// CDF returns P(X <= k), computed on its own side.
func (d Binomial) CDF(k int) float64 {
	switch {
	case k < 0:
		return 0
	case k >= d.n:
		return 1
	}
	return betaP(float64(d.n-k), float64(k)+1, d.q, d.p)
}

// Survival returns P(X >= k), with k included, computed on its own side.
func (d Binomial) Survival(k int) float64 {
	switch {
	case k <= 0:
		return 1
	case k > d.n:
		return 0
	}
	return betaP(float64(k), float64(d.n-k)+1, d.p, d.q)
}

// Quantile returns the least k with P(X <= k) >= p, for p in [0, 1]. Other p
// return an error that wraps [ErrDomain].
func (d Binomial) Quantile(p float64) (int, error) {
	if !(p >= 0 && p <= 1) {
		return 0, BadFloat("dist: binomial quantile", "p", p, "must be at least 0 and at most 1")
	}
	start := int(float64(d.n) * d.p)
	if p > 0.5 {
		tail := 1 - p + unitRoundoff
		return smallest(0, d.n, start, func(k int) bool { return d.Survival(k+1) <= tail }), nil
	}
	return smallest(0, d.n, start, func(k int) bool { return d.CDF(k) >= p }), nil
}

// BinomialLimits returns the exact lower and upper limits for the probability
// behind count cases in n trials, each with one-sided probability tail. The
// lower limit is 0 for no case and the upper limit is 1 when every trial was a
// case.
//
// n must be in [1, 1e9], count in [0, n] and tail in (0, 0.5]; otherwise the
// error wraps [ErrDomain].
//
// Clopper and Pearson (1934), Biometrika 26:404-413.
func BinomialLimits(count, n int, tail float64) (lo, hi float64, err error) {
	const op = "dist: binomial limits"
	if n < 1 || n > MaxMean {
		return 0, 0, BadInt(op, "n", n, "must be at least 1 and at most 1e9 trials")
	}
	if count < 0 || count > n {
		return 0, 0, BadInt(op, "count", count, "must be at least 0 and at most the number of trials")
	}
	if err := CheckTail(op, "tail", tail); err != nil {
		return 0, 0, err
	}
	k, m := float64(count), float64(n-count)
	hi = 1
	if count > 0 {
		lo = 1 / (1 + math.Exp(-betaLogit(k, m+1, tail)))
	}
	if count < n {
		hi = 1 / (1 + math.Exp(betaLogit(m, k+1, tail)))
	}
	return lo, hi, nil
}
