package dist

import "math"

// Geometric is the distribution of the number of failures before the first
// success, when each trial succeeds with probability p: days without an event
// between two days with one. The zero value is not valid; make one.
type Geometric struct {
	p  float64
	lq float64 // log(1-p)
}

// NewGeometric returns the geometric distribution with success probability p,
// which must be in [1e-9, 1]; otherwise the error wraps [ErrDomain].
func NewGeometric(p float64) (Geometric, error) {
	if !(p >= 1e-9 && p <= 1) {
		return Geometric{}, BadFloat("dist: geometric", "p", p, "must be at least 1e-9 and at most 1")
	}
	return Geometric{p: p, lq: math.Log1p(-p)}, nil
}

// Mean returns (1-p)/p.
func (d Geometric) Mean() float64 {
	if d.p == 0 {
		return 0
	}
	return (1 - d.p) / d.p
}

// PMF returns P(X = k). It is zero for negative k.
func (d Geometric) PMF(k int) float64 {
	if k < 0 {
		return 0
	}
	return d.p * d.power(k)
}

// CDF returns P(X <= k).
func (d Geometric) CDF(k int) float64 {
	if k < 0 {
		return 0
	}
	if d.p == 1 {
		return 1
	}
	return -math.Expm1(d.lq * (float64(k) + 1))
}

// Survival returns P(X >= k), with k included.
func (d Geometric) Survival(k int) float64 {
	if k <= 0 {
		return 1
	}
	return d.power(k)
}

// power returns (1-p)^k.
func (d Geometric) power(k int) float64 {
	switch {
	case k == 0:
		return 1
	case d.p == 1:
		return 0
	}
	return math.Exp(d.lq * float64(k))
}

// Quantile returns the least k with P(X <= k) >= p, for p in [0, 1). Other p
// return an error that wraps [ErrDomain].
func (d Geometric) Quantile(p float64) (int, error) {
	if !(p >= 0 && p < 1) {
		return 0, BadFloat("dist: geometric quantile", "p", p, "must be at least 0 and below 1")
	}
	tail := 1 - p
	guess := 0
	if p > 0 && d.p > 0 && d.p < 1 {
		guess = int(math.Log(tail)/d.lq) - 1
	}
	return smallest(0, maxSearch, guess, func(k int) bool {
		if p > 0.5 {
			return d.Survival(k+1) <= tail+unitRoundoff
		}
		return d.CDF(k) >= p
	}), nil
}
