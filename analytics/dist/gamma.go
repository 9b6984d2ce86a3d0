package dist

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// gonum's inverses of the incomplete gamma function panic below p = 1e-300 and
// return zero for small shapes with small p (GammaIncRegInv(0.5, 1e-10) is
// 7.85e-21, not 0). The quantiles here therefore use only its forward
// functions and solve for the quantile themselves, in logarithms on both axes,
// where the tail is nearly a straight line.

// GammaQuantile returns x with P(G <= x) = p for G gamma-distributed with the
// given shape and scale 1. shape must be in (0, 1e9] and p in (0, 1);
// otherwise the error wraps [ErrDomain]. A quantile below the smallest
// positive float64 is returned as 0.
func GammaQuantile(shape, p float64) (float64, error) {
	if err := checkGamma("dist: gamma quantile", shape, p); err != nil {
		return 0, err
	}
	if p > 0.5 {
		return gammaUpper(shape, 1-p), nil
	}
	return gammaLower(shape, p), nil
}

// GammaUpperQuantile returns x with P(G > x) = tail for G gamma-distributed
// with the given shape and scale 1, keeping the digits of a small tail. The
// domain is that of [GammaQuantile].
func GammaUpperQuantile(shape, tail float64) (float64, error) {
	if err := checkGamma("dist: gamma upper quantile", shape, tail); err != nil {
		return 0, err
	}
	if tail > 0.5 {
		return gammaLower(shape, 1-tail), nil
	}
	return gammaUpper(shape, tail), nil
}

func checkGamma(op string, shape, p float64) error {
	if !(shape > 0 && shape <= MaxMean) {
		return BadFloat(op, "shape", shape, "must be above 0 and at most 1e9")
	}
	if !(p >= 1e-300 && p < 1) {
		return BadFloat(op, "p", p, "must be above 0 and below 1")
	}
	return nil
}

// gammaLower solves P(a, x) = p for p <= 1/2.
func gammaLower(a, p float64) float64 {
	if a == 1 {
		return -math.Log1p(-p)
	}
	lg, _ := math.Lgamma(a + 1)
	// P(a, x) <= x^a / Gamma(a+1), so this start lies at or below the answer.
	t0 := (math.Log(p) + lg) / a
	if t0 < -745 {
		return 0 // e^t0 underflows
	}
	lp := math.Log(p)
	hi := math.Log(a + 1) // the median lies below a+1 and p is at most 1/2
	return math.Exp(newton(t0, max(hi, t0), startGamma(a, p, false, t0), func(t float64) (float64, float64) {
		x := math.Exp(t)
		q := gammaP(a, x)
		if q <= 0 {
			return math.Inf(-1), 0
		}
		return math.Log(q) - lp, gammaDensityX(a, x) / q
	}))
}

// gammaUpper solves Q(a, x) = tail for tail <= 1/2.
func gammaUpper(a, tail float64) float64 {
	if a == 1 {
		return -math.Log(tail)
	}
	lt := math.Log(tail)
	f := func(t float64) (float64, float64) {
		x := math.Exp(t)
		q := gammaQ(a, x)
		if q <= 0 {
			return math.Inf(1), 0
		}
		return lt - math.Log(q), gammaDensityX(a, x) / q
	}
	// Bracket by doubling: the quantile of any tail >= 1e-300 lies below
	// a + 38 sqrt(2a) + 700 (Chernoff), the lower end by the left tail bound.
	lg, _ := math.Lgamma(a + 1)
	lo := max(-745, (math.Log(0.5)+lg)/a)
	if a > 1 {
		lo = max(lo, math.Log(a-1))
	}
	hi := math.Log(a + 40*math.Sqrt(2*a) + 720)
	return math.Exp(newton(lo, hi, startGamma(a, tail, true, lo), f))
}

// gammaDensityX returns x times the density of gamma(a) at x.
func gammaDensityX(a, x float64) float64 {
	if x == 0 {
		return 0
	}
	// x^a e^-x / Gamma(a) is a times the Poisson-like term at a with mean x.
	return a * math.Exp(-stirlingError(a)-deviance(a, x)-0.5*math.Log(2*math.Pi*a))
}

// startGamma returns the logarithm of the Wilson-Hilferty approximation to the
// quantile, or the left-tail start where that approximation breaks down.
func startGamma(a, p float64, upper bool, fallback float64) float64 {
	z := mathext.NormalQuantile(p)
	if upper {
		z = -z
	}
	w := 1 - 1/(9*a) + z/(3*math.Sqrt(a))
	if w <= 0.05 {
		return fallback
	}
	return math.Log(a) + 3*math.Log(w)
}

// newton finds the zero of an increasing function in [lo, hi] from a start. f
// returns value and slope; steps that leave the bracket, or that do not shrink
// it, become bisections. It stops when the step no longer moves the result.
func newton(lo, hi, start float64, f func(float64) (float64, float64)) float64 {
	t := min(max(start, lo), hi)
	for range 200 {
		v, slope := f(t)
		switch {
		case v == 0:
			return t
		case v < 0:
			lo = t
		default:
			hi = t
		}
		next, tol := t-v/slope, 1e-9
		if !(slope > 0 && next > lo && next < hi) {
			next, tol = lo+0.5*(hi-lo), 1e-16
		}
		// Newton doubles the digits: a step of 1e-9 leaves an error of 1e-18.
		if math.Abs(next-t) <= tol*max(1, math.Abs(t)) {
			return next
		}
		t = next
	}
	return t
}
