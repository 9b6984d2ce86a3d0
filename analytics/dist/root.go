package dist

import (
	"errors"
	"fmt"
	"math"
)

// ErrNoBracket says that a function does not change sign between the two ends
// handed to [Root].
var ErrNoBracket = errors.New("function does not change sign over the interval")

// ErrNotFinite says that a function handed to [Root] returned NaN.
var ErrNotFinite = errors.New("function has no value inside the interval")

// Root returns a zero of f in [lo, hi] by Brent's method: inverse quadratic
// interpolation that falls back on bisection, so that it always converges. f
// must be continuous with opposite signs (or a zero) at the ends; otherwise
// the error wraps [ErrNoBracket]. f may return infinities, which count by their
// sign; NaN gives [ErrNotFinite]. The zero is located to within tol plus four
// units in its last place; tol may be 0.
//
// Brent (1973), Algorithms for Minimization without Derivatives, chapter 4.
func Root(f func(float64) float64, lo, hi, tol float64) (float64, error) {
	if !finite(lo) || !finite(hi) || lo > hi {
		return 0, fmt.Errorf("dist: root: interval %g to %g: %w", lo, hi, ErrDomain)
	}
	if !(tol >= 0) {
		return 0, BadFloat("dist: root", "tol", tol, "must not be negative")
	}
	a, b := lo, hi
	fa, fb := f(a), f(b)
	if math.IsNaN(fa) || math.IsNaN(fb) {
		return 0, fmt.Errorf("dist: root: ends %g and %g: %w", lo, hi, ErrNotFinite)
	}
	switch {
	case fa == 0:
		return a, nil
	case fb == 0:
		return b, nil
	case (fa > 0) == (fb > 0):
		return 0, fmt.Errorf("dist: root: %g to %g: %w", lo, hi, ErrNoBracket)
	}
	c, fc := a, fa
	d := b - a
	e := d
	const eps = 0x1p-52
	for range 400 {
		if (fb > 0) == (fc > 0) {
			c, fc = a, fa
			d = b - a
			e = d
		}
		if math.Abs(fc) < math.Abs(fb) {
			a, b, c = b, c, b
			fa, fb, fc = fb, fc, fb
		}
		t := 2*eps*math.Abs(b) + 0.5*tol
		m := 0.5 * (c - b)
		if math.Abs(m) <= t || fb == 0 {
			return b, nil
		}
		d, e = brentStep(a, b, c, fa, fb, fc, d, e, m, t)
		a, fa = b, fb
		switch {
		case math.Abs(d) > t:
			b += d
		case m > 0:
			b += max(t, math.SmallestNonzeroFloat64)
		default:
			b -= max(t, math.SmallestNonzeroFloat64)
		}
		if fb = f(b); math.IsNaN(fb) {
			return 0, fmt.Errorf("dist: root: at %g: %w", b, ErrNotFinite)
		}
	}
	return b, nil
}

// brentStep returns the next step and the one before it: interpolated when
// that is safe, else half the bracket.
func brentStep(a, b, c, fa, fb, fc, d, e, m, t float64) (step, last float64) {
	if math.Abs(e) < t || math.Abs(fa) <= math.Abs(fb) || math.IsInf(fa, 0) || math.IsInf(fc, 0) {
		return m, m
	}
	var p, q float64
	s := fb / fa
	if a == c {
		p, q = 2*m*s, 1-s
	} else {
		u, r := fa/fc, fb/fc
		p = s * (2*m*u*(u-r) - (b-a)*(r-1))
		q = (u - 1) * (r - 1) * (s - 1)
	}
	if p > 0 {
		q = -q
	}
	p = math.Abs(p)
	if 2*p < min(3*m*q-math.Abs(t*q), math.Abs(e*q)) {
		return p / q, d
	}
	return m, m
}
