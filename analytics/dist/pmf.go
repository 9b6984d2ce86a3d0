package dist

import "math"

// The probability of a single count is computed by the saddle-point expansion
// of C. Loader (2000), "Fast and Accurate Computation of Binomial
// Probabilities". The textbook form exp(k log m - m - lgamma(k+1)) subtracts
// numbers that grow with k log k and has lost seven digits by a mean of 1e6.

// stirlingError returns log(n!) minus Stirling's approximation
// log(sqrt(2 pi n) (n/e)^n), for n > 0.
func stirlingError(n float64) float64 {
	if n <= 15 {
		lg, _ := math.Lgamma(n + 1)
		return lg - (n+0.5)*math.Log(n) + n - 0.5*math.Log(2*math.Pi)
	}
	const (
		s0 = 1.0 / 12
		s1 = 1.0 / 360
		s2 = 1.0 / 1260
		s3 = 1.0 / 1680
		s4 = 1.0 / 1188
	)
	nn := n * n
	return (s0 - (s1-(s2-(s3-s4/nn)/nn)/nn)/nn) / n
}

// deviance returns x log(x/m) + m - x for x > 0 and m > 0, without cancellation
// when x is close to m.
func deviance(x, m float64) float64 {
	if math.Abs(x-m) >= 0.1*(x+m) {
		return x*math.Log(x/m) + m - x
	}
	v := (x - m) / (x + m)
	s := (x - m) * v
	ej := 2 * x * v
	v *= v
	for j := 1; j < 1000; j++ {
		ej *= v
		s1 := s + ej/float64(2*j+1)
		if s1 == s {
			return s
		}
		s = s1
	}
	return s
}

// poissonLogPMF returns log P(X = k) for X Poisson with mean m >= 0, and -Inf
// where the probability is zero. It is internal: exported functions never
// return an infinity.
func poissonLogPMF(k, m float64) float64 {
	switch {
	case k < 0:
		return math.Inf(-1)
	case m == 0:
		if k == 0 {
			return 0
		}
		return math.Inf(-1)
	case k == 0:
		return -m
	}
	return -stirlingError(k) - deviance(k, m) - 0.5*math.Log(2*math.Pi*k)
}

// binomialLogPMF returns log P(X = k) for X binomial(n, p), and -Inf where the
// probability is zero. q is 1-p, handed in so that a p close to one keeps its
// digits.
func binomialLogPMF(k, n, p, q float64) float64 {
	switch {
	case k < 0 || k > n:
		return math.Inf(-1)
	case p == 0:
		if k == 0 {
			return 0
		}
		return math.Inf(-1)
	case q == 0:
		if k == n {
			return 0
		}
		return math.Inf(-1)
	case k == 0:
		if p < 0.1 {
			return n * math.Log1p(-p)
		}
		return n * math.Log(q)
	case k == n:
		if q < 0.1 {
			return n * math.Log1p(-q)
		}
		return n * math.Log(p)
	}
	lc := stirlingError(n) - stirlingError(k) - stirlingError(n-k) - deviance(k, n*p) - deviance(n-k, n*q)
	return lc + 0.5*(math.Log(n/(2*math.Pi*k))-math.Log(n-k))
}
