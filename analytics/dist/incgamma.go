package dist

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// gonum's incomplete gamma functions stop after 2,000 terms. Beyond about four
// standard deviations of a large shape that is too early (at a mean of 1e7 a
// tail six deviations out is wrong by 1.7 %), so there the series and the
// continued fraction are summed here, with Loader's prefactor.

const farShape = 1000

// gammaP returns the regularised lower incomplete gamma function P(a, x), for
// a > 0 and x >= 0.
func gammaP(a, x float64) float64 {
	if a > farShape {
		switch d := 4 * math.Sqrt(a); {
		case x < a-d:
			return gammaSeries(a, x)
		case x > a+d:
			return 1 - gammaFraction(a, x)
		}
	}
	return mathext.GammaIncReg(a, x)
}

// gammaQ returns 1 - P(a, x), computed on its own side.
func gammaQ(a, x float64) float64 {
	if a > farShape {
		switch d := 4 * math.Sqrt(a); {
		case x < a-d:
			return 1 - gammaSeries(a, x)
		case x > a+d:
			return gammaFraction(a, x)
		}
	}
	return mathext.GammaIncRegComp(a, x)
}

// gammaTerm returns x^a e^-x / Gamma(a+1).
func gammaTerm(a, x float64) float64 { return math.Exp(poissonLogPMF(a, x)) }

// gammaSeries sums P(a, x) upwards from its first term, for x below a.
func gammaSeries(a, x float64) float64 {
	first := gammaTerm(a, x)
	if first == 0 {
		return 0
	}
	sum, term := 1.0, 1.0
	for n := 1.0; term > sum*1e-17; n++ {
		term *= x / (a + n)
		sum += term
	}
	return first * sum
}

// gammaFraction evaluates Q(a, x) by Legendre's continued fraction in Lentz's
// form, for x above a+1.
func gammaFraction(a, x float64) float64 {
	first := a * gammaTerm(a, x)
	if first == 0 {
		return 0
	}
	b := x + 1 - a
	c, d := math.Inf(1), 1/b
	h := d
	for i := 1.0; i < 1e7; i++ {
		an := -i * (i - a)
		b += 2
		d = 1 / (an*d + b)
		c = b + an/c
		del := c * d
		h *= del
		if math.Abs(del-1) < 4e-16 {
			break
		}
	}
	return first * h
}
