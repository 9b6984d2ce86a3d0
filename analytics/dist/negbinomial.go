package dist

import "math"

// NegativeBinomial is a distribution of counts that spread more than Poisson
// ones: a Poisson whose mean itself varies by a gamma distribution. It is also
// the predictive distribution of next year's count. Its variance is mean +
// mean^2/size. The zero value is not valid; make one.
type NegativeBinomial struct {
	size float64
	p    float64 // "probability of success": size/(size+mean)
	q    float64 // 1-p
}

// NewNegativeBinomial returns the negative binomial distribution of the number
// of failures before the size-th success, where a success has probability p.
// size may be fractional and must be in (0, 1e9]; p must be in (0, 1].
// Otherwise the error wraps [ErrDomain].
func NewNegativeBinomial(size, p float64) (NegativeBinomial, error) {
	const op = "dist: negative binomial"
	if !(size > 0 && size <= MaxMean) {
		return NegativeBinomial{}, BadFloat(op, "size", size, "must be above 0 and at most 1e9")
	}
	if !(p > 0 && p <= 1) {
		return NegativeBinomial{}, BadFloat(op, "p", p, "must be above 0 and at most 1")
	}
	if size*(1-p) > MaxMean*p {
		return NegativeBinomial{}, BadFloat(op, "p", p, "is too small: the mean would be above 1e9 cases")
	}
	return NegativeBinomial{size: size, p: p, q: 1 - p}, nil
}

// NewNegativeBinomialMean returns the negative binomial distribution with the
// given mean and size. mean must be in [0, 1e9] cases and size in (0, 1e9];
// otherwise the error wraps [ErrDomain].
func NewNegativeBinomialMean(mean, size float64) (NegativeBinomial, error) {
	const op = "dist: negative binomial"
	if !(size > 0 && size <= MaxMean) {
		return NegativeBinomial{}, BadFloat(op, "size", size, "must be above 0 and at most 1e9")
	}
	if !(mean >= 0 && mean <= MaxMean) {
		return NegativeBinomial{}, BadFloat(op, "mean", mean, "must be at least 0 and at most 1e9 cases")
	}
	if size+mean == mean {
		return NegativeBinomial{}, BadFloat(op, "size", size, "is too small beside the mean")
	}
	return NegativeBinomial{size: size, p: size / (size + mean), q: mean / (size + mean)}, nil
}

// Mean returns the mean of d, in cases.
func (d NegativeBinomial) Mean() float64 {
	if d.p == 0 {
		return 0
	}
	return d.size * d.q / d.p
}

// PMF returns P(X = k). It is zero for negative k.
func (d NegativeBinomial) PMF(k int) float64 {
	switch {
	case k < 0 || d.size == 0:
		return 0
	case k == 0:
		return math.Exp(d.size * math.Log1p(-d.q))
	}
	x := float64(k)
	return d.size / (d.size + x) * math.Exp(binomialLogPMF(d.size, d.size+x, d.p, d.q))
}

// CDF returns P(X <= k), computed on its own side.
func (d NegativeBinomial) CDF(k int) float64 {
	if k < 0 || d.size == 0 {
		return 0
	}
	return betaP(d.size, float64(k)+1, d.p, d.q)
}

// Survival returns P(X >= k), with k included, computed on its own side.
func (d NegativeBinomial) Survival(k int) float64 {
	if k <= 0 {
		return 1
	}
	if d.size == 0 {
		return 0
	}
	return betaP(float64(k), d.size, d.q, d.p)
}

// Quantile returns the least k with P(X <= k) >= p, for p in [0, 1). Other p
// return an error that wraps [ErrDomain].
func (d NegativeBinomial) Quantile(p float64) (int, error) {
	if !(p >= 0 && p < 1) {
		return 0, BadFloat("dist: negative binomial quantile", "p", p, "must be at least 0 and below 1")
	}
	start := int(min(d.Mean(), MaxMean))
	if p > 0.5 {
		tail := 1 - p + unitRoundoff
		return smallest(0, maxSearch, start, func(k int) bool { return d.Survival(k+1) <= tail }), nil
	}
	return smallest(0, maxSearch, start, func(k int) bool { return d.CDF(k) >= p }), nil
}
