package dist

import "math"

// gonum's incomplete beta function takes its prefactor from log-gamma and has
// lost six digits by 300,000 trials. Here it is the continued fraction with
// Loader's prefactor, always on the side of the smaller tail.

// betaP returns the regularised incomplete beta function I_x(a, b) for a, b > 0
// and y = 1-x, both handed in so that neither loses digits near its end.
func betaP(a, b, x, y float64) float64 {
	switch {
	case x <= 0:
		return 0
	case y <= 0:
		return 1
	case x*(a+b+2) > a+1:
		return 1 - betaFraction(b, a, y, x)
	}
	return betaFraction(a, b, x, y)
}

// betaFraction evaluates I_x(a, b) by its continued fraction in Lentz's form,
// for x below about a/(a+b). It needs some sqrt(max(a, b)) steps.
func betaFraction(a, b, x, y float64) float64 {
	first := b / (a + b) * math.Exp(binomialLogPMF(a, a+b, x, y))
	if first == 0 {
		return 0
	}
	const tiny = 1e-300
	c, d := 1.0, 1-(a+b)*x/(a+1)
	if math.Abs(d) < tiny {
		d = tiny
	}
	d = 1 / d
	h := d
	for m := 1.0; m < 1e6; m++ {
		even := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		d, c = lentz(even, d, c, tiny)
		h *= d * c
		odd := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		d, c = lentz(odd, d, c, tiny)
		h *= d * c
		if math.Abs(d*c-1) < 4e-16 {
			break
		}
	}
	return min(1, first*h)
}

// lentz advances the two running ratios of a continued fraction by one term,
// keeping them off zero.
func lentz(term, d, c, tiny float64) (nd, nc float64) {
	nd, nc = 1+term*d, 1+term/c
	if math.Abs(nd) < tiny {
		nd = tiny
	}
	if math.Abs(nc) < tiny {
		nc = tiny
	}
	return 1 / nd, nc
}

// BetaQuantile returns x with P(B <= x) = p for B beta-distributed with shapes
// a and b, and also odds = x/(1-x), which keeps its digits when x is close to
// one. a and b must be in (0, 1e9] and p in (0, 1); otherwise the error wraps
// [ErrDomain].
func BetaQuantile(a, b, p float64) (x, odds float64, err error) {
	const op = "dist: beta quantile"
	switch {
	case !(a > 0 && a <= MaxMean):
		return 0, 0, BadFloat(op, "a", a, "must be above 0 and at most 1e9")
	case !(b > 0 && b <= MaxMean):
		return 0, 0, BadFloat(op, "b", b, "must be above 0 and at most 1e9")
	case !(p >= 1e-300 && p < 1):
		return 0, 0, BadFloat(op, "p", p, "must be above 0 and below 1")
	}
	var t float64
	if p <= 0.5 {
		t = betaLogit(a, b, p)
	} else {
		t = -betaLogit(b, a, 1-p)
	}
	return 1 / (1 + math.Exp(-t)), math.Exp(t), nil
}

// betaLogit solves I_x(a, b) = p for p <= 1/2 and returns log(x/(1-x)).
func betaLogit(a, b, p float64) float64 {
	lp := math.Log(p)
	f := func(t float64) (float64, float64) {
		x, y := 1/(1+math.Exp(-t)), 1/(1+math.Exp(t))
		q := betaP(a, b, x, y)
		if q <= 0 {
			return math.Inf(-1), 0
		}
		slope := a * b / (a + b) * math.Exp(binomialLogPMF(a, a+b, x, y))
		return math.Log(q) - lp, slope / q
	}
	// Start at the mean of the distribution and let the bracket do the rest;
	// e^700 is as far as odds can be told from infinity.
	return newton(-700, 700, math.Log(a/b), f)
}
