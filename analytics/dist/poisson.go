package dist

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// MaxMean is the largest mean a distribution here accepts, in cases. Above it
// the incomplete gamma function loses digits, and no register of incidents
// holds as many.
const MaxMean = 1e9

// unitRoundoff is half the distance from 1 to the next float64. A probability
// close to one cannot say more than this about its complement.
const unitRoundoff = 1.0 / (1 << 53)

// Poisson is a Poisson distribution of a number of cases. The zero value has
// mean zero and is valid: it is zero with certainty.
type Poisson struct {
	mean float64
}

// NewPoisson returns the Poisson distribution with the given mean, in cases.
// The mean must be finite and in [0, [MaxMean]]; otherwise the error wraps
// [ErrDomain].
func NewPoisson(mean float64) (Poisson, error) {
	if !(mean >= 0 && mean <= MaxMean) {
		return Poisson{}, BadFloat("dist: poisson", "mean", mean, "must be at least 0 and at most 1e9 cases")
	}
	return Poisson{mean: mean}, nil
}

// Mean returns the mean of d, in cases.
func (d Poisson) Mean() float64 { return d.mean }

// PMF returns P(X = k). It is zero for negative k.
//
// Loader (2000), saddle-point expansion.
func (d Poisson) PMF(k int) float64 { return math.Exp(poissonLogPMF(float64(k), d.mean)) }

// LogPMF returns log P(X = k). Where the probability is exactly zero (negative
// k, or k > 0 with mean 0) ok is false and the value is zero, so that no
// infinity leaves the package.
func (d Poisson) LogPMF(k int) (lp float64, ok bool) {
	lp = poissonLogPMF(float64(k), d.mean)
	if math.IsInf(lp, -1) {
		return 0, false
	}
	return lp, true
}

// CDF returns P(X <= k), computed on its own side as an upper incomplete gamma
// integral. It is zero for negative k.
func (d Poisson) CDF(k int) float64 {
	switch {
	case k < 0:
		return 0
	case d.mean == 0:
		return 1
	}
	return gammaQ(float64(k)+1, d.mean)
}

// Survival returns P(X >= k), with k included. It is a lower incomplete gamma
// integral and not 1-CDF, so that it keeps its relative accuracy down to about
// 1e-300. It is one for k <= 0.
func (d Poisson) Survival(k int) float64 {
	switch {
	case k <= 0:
		return 1
	case d.mean == 0:
		return 0
	}
	return gammaP(float64(k), d.mean)
}

// Quantile returns the least k with P(X <= k) >= p, for p in [0, 1). Other p
// return an error that wraps [ErrDomain]. For probabilities close to one ask
// [Poisson.UpperQuantile] for the small tail instead: 1-p has no more digits
// than p leaves it.
func (d Poisson) Quantile(p float64) (int, error) {
	if !(p >= 0 && p < 1) {
		return 0, BadFloat("dist: poisson quantile", "p", p, "must be at least 0 and below 1")
	}
	if p > 0.5 {
		// A p that came out of CDF is off by up to half a unit in its last
		// place; allow for it, so that Quantile(CDF(k)) is k.
		return d.upper(1 - p + unitRoundoff), nil
	}
	return smallest(0, maxSearch, d.guess(p, false), func(k int) bool { return d.CDF(k) >= p }), nil
}

// UpperQuantile returns the least k with P(X > k) <= tail, for tail in
// (0, 1]. It is the probability upper limit of a chart: a count signals when
// it is greater than k. Other tails return an error that wraps [ErrDomain].
func (d Poisson) UpperQuantile(tail float64) (int, error) {
	if !(tail >= 1e-300 && tail <= 1) {
		return 0, BadFloat("dist: poisson upper quantile", "tail", tail, "must be above 0 and at most 1")
	}
	return d.upper(tail), nil
}

func (d Poisson) upper(tail float64) int {
	return smallest(0, maxSearch, d.guess(tail, true), func(k int) bool { return d.Survival(k+1) <= tail })
}

// LowerLimit returns the largest L with P(X < L) <= tail, for tail in
// (0, 0.5]: a count signals when it is less than L, and L = 0 means that no
// count is low enough to signal. Other tails return an error that wraps
// [ErrDomain].
func (d Poisson) LowerLimit(tail float64) (int, error) {
	if err := CheckTail("dist: poisson lower limit", "tail", tail); err != nil {
		return 0, err
	}
	// The largest L with CDF(L-1) <= tail is the least L with CDF(L) > tail.
	return smallest(0, maxSearch, d.guess(tail, false), func(k int) bool { return d.CDF(k) > tail }), nil
}

// guess returns a first approximation to a quantile by the Cornish-Fisher
// expansion to the skewness.
func (d Poisson) guess(p float64, upper bool) int {
	if d.mean == 0 || p <= 0 || p >= 1 {
		return 0
	}
	z := mathext.NormalQuantile(p)
	if upper {
		z = -z
	}
	s := math.Sqrt(d.mean)
	return int(max(0, d.mean+s*(z+(z*z-1)/(6*s))))
}
