package cause

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// ConditionalAsR returns the conditional odds ratio and its limits with the
// digits that fisher.test of R 4 prints, for whoever must match a report made
// there. R stops its root finder at 1.2e-4 of the odds or of their reciprocal,
// so that its limits can be off in the third digit: the upper limit of Fisher's
// tea tasting is 621.93 in R and 626.24 in truth. [Associate] gives the latter;
// print that.
//
// The domain is that of [Associate], with at most 20,001 possible counts of one
// cell; otherwise the error wraps [dist.ErrDomain]. Where [Associate] is
// undefined the result is not Bounded.
//
// The steps are those of Brent (1973), Algorithms for Minimization without
// Derivatives, chapter 4, as R's uniroot takes them, because where it stops
// depends on each.
func (t Fourfold) ConditionalAsR(level float64) (Odds, error) {
	const op = "cause: conditional as R"
	if err := dist.CheckLevel(op, level); err != nil {
		return Odds{}, err
	}
	if err := t.check(op); err != nil {
		return Odds{}, err
	}
	o := Odds{Level: level, Method: "exact, given the margins, rounded as in R"}
	if t.obstacle() != "" {
		return o, nil
	}
	lo, hi := t.support()
	if hi-lo > exactSupport {
		return Odds{}, dist.BadInt(op, "total", t.Total(), "is too large: use Woolf's interval")
	}
	d, err := t.hypergeometric(1)
	if err != nil {
		return Odds{}, fmt.Errorf("%s: %w", op, err)
	}
	n := noncentral{lo: lo, logs: make([]float64, hi-lo+1)}
	for i := range n.logs {
		// Not the logarithm of d.PMF, which underflows far out.
		n.logs[i] = -t.withBoth(lo + i).logFactorials()
	}
	tail, x := (1-level)/2, t.Both
	mean := func(odds float64) float64 {
		switch {
		case odds == 0:
			return float64(lo - x)
		case math.IsInf(odds, 1):
			return float64(hi - x)
		}
		return n.sum(odds, lo, hi, func(k int) float64 { return float64(k) }) - float64(x)
	}
	one := func(int) float64 { return 1 }
	below := func(odds float64) float64 { // at most x, less the tail
		if odds == 0 {
			return 1 - tail
		}
		return n.sum(odds, lo, x, one) - tail
	}
	above := func(odds float64) float64 { // at least x, less the tail
		if odds == 0 {
			return -tail
		}
		return n.sum(odds, x, hi, one) - tail
	}
	o.Bounded = true
	if x > lo {
		o.Lo = rootAsR(above, d.Survival(x)-tail > 0)
	}
	if x < hi {
		o.Hi = rootAsR(below, d.CDF(x)-tail < 0)
	} else {
		o.Open, o.HiOpen = true, true
	}
	if x > lo && x < hi {
		o.Value = 1
		if m := mean(1); math.Abs(m) > 1e-12*float64(x) {
			o.Value = rootAsR(mean, m > 0)
		}
	}
	return o, nil
}

// withBoth returns the table of the same margins with k reports of both.
func (t Fourfold) withBoth(k int) Fourfold {
	d := k - t.Both
	return Fourfold{Both: k, ExposureOnly: t.ExposureOnly - d, OutcomeOnly: t.OutcomeOnly - d, Neither: t.Neither + d}
}

// logFactorials is the sum of the log-factorials of the cells: minus the
// logarithm of the table's probability given its margins, up to a constant.
func (t Fourfold) logFactorials() float64 {
	sum := 0.0
	for _, n := range [4]int{t.Both, t.ExposureOnly, t.OutcomeOnly, t.Neither} {
		lg, _ := math.Lgamma(float64(n) + 1)
		sum += lg
	}
	return sum
}

// noncentral holds the logarithms of central probabilities from lo on, up to a
// constant.
type noncentral struct {
	lo   int
	logs []float64
}

// sum adds up weight(k) P(k) for k in [from, to] at the given odds.
func (n noncentral) sum(odds float64, from, to int, weight func(int) float64) float64 {
	top, step := math.Inf(-1), math.Log(odds)
	for i, l := range n.logs {
		top = max(top, l+step*float64(n.lo+i))
	}
	part, all := 0.0, 0.0
	for i, l := range n.logs {
		k := n.lo + i
		w := math.Exp(l + step*float64(k) - top)
		all += w
		if k >= from && k <= to {
			part += w * weight(k)
		}
	}
	return part / all
}

// rootAsR finds where f is zero: among odds in [0, 1], or among their
// reciprocals.
func rootAsR(f func(float64) float64, small bool) float64 {
	if small {
		return stepsAsR(f, 0, 1)
	}
	return 1 / stepsAsR(func(t float64) float64 { return f(1 / t) }, 0x1p-52, 1)
}

// stepsAsR is Brent's method step by step, stopped at R's default tolerance.
func stepsAsR(f func(float64) float64, a, b float64) float64 {
	const eps = 0x1p-52
	tol := math.Pow(eps, 0.25)
	fa, fb := f(a), f(b)
	c, fc := a, fa
	if fa == 0 {
		return a
	}
	for range 1001 {
		previous := b - a
		if math.Abs(fc) < math.Abs(fb) {
			a, b, c = b, c, b
			fa, fb, fc = fb, fc, fb
		}
		enough := 2*eps*math.Abs(b) + tol/2
		step := (c - b) / 2
		if math.Abs(step) <= enough || fb == 0 {
			return b
		}
		if math.Abs(previous) >= enough && math.Abs(fa) > math.Abs(fb) {
			var p, q float64
			cb := c - b
			if a == c {
				t1 := fb / fa
				p, q = cb*t1, 1-t1
			} else {
				t1, t2 := fb/fc, fb/fa
				q = fa / fc
				p = t2 * (cb*q*(q-t1) - (b-a)*(t1-1))
				q = (q - 1) * (t1 - 1) * (t2 - 1)
			}
			if p > 0 {
				q = -q
			} else {
				p = -p
			}
			if p < 0.75*cb*q-math.Abs(enough*q)/2 && p < math.Abs(previous*q/2) {
				step = p / q
			}
		}
		if math.Abs(step) < enough {
			step = math.Copysign(enough, step)
		}
		a, fa = b, fb
		b += step
		fb = f(b)
		if (fb > 0) == (fc > 0) && fb != 0 && fc != 0 {
			c, fc = a, fa
		}
	}
	return b
}
