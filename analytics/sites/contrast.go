package sites

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// side is the totals of one group of places.
type side struct {
	places                        []Place
	before, after                 int
	beforeExposure, afterExposure float64
}

// contrast is the two groups of places and what their rates before probably
// were.
type contrast struct {
	changed, others side
	alpha, beta     float64 // gamma distribution of rates before; alpha 0 for one rate for all
	plain           bool    // too few places: rates are taken as counted
	curvature       [2][2]float64
	luck            float64
	method, note    string
}

func newContrast(op string, changed, others []Place) (c contrast, err error) {
	for _, g := range []struct {
		name   string
		places []Place
		to     *side
	}{{"changed", changed, &c.changed}, {"others", others, &c.others}} {
		if len(g.places) > 10_000 {
			return c, dist.BadInt(op, g.name, len(g.places), "must be at most 10,000 places")
		}
		g.to.places = g.places
		for i, p := range g.places {
			for _, s := range []struct {
				name string
				n    int
				e    float64
			}{{"before", p.Before, p.BeforeExposure}, {"after", p.After, p.AfterExposure}} {
				where := fmt.Sprintf("%s[%d] %s", g.name, i, s.name)
				switch {
				case s.n < 0 || s.n > 1_000_000:
					return c, dist.BadInt(op, where, s.n, "must be at least 0 and at most 1,000,000 cases")
				case !(s.e == 0 || (s.e >= minExposure && s.e <= maxExposure)):
					return c, dist.BadFloat(op, where+" exposure", s.e, "must be 0, or at least 1e-9 and at most 1e15 units, such as hours worked")
				case s.e == 0 && s.n > 0:
					return c, dist.BadInt(op, where, s.n, "must be 0 where the exposure is 0: check the hours")
				}
			}
			g.to.before += p.Before
			g.to.after += p.After
			g.to.beforeExposure += p.BeforeExposure
			g.to.afterExposure += p.AfterExposure
		}
	}
	return c, nil
}

// obstacle says in words why there is no answer, or nothing.
func (c contrast) obstacle() string {
	switch {
	case c.changed.beforeExposure == 0 || c.changed.afterExposure == 0:
		return "the places that changed have no hours on one side of the change"
	case c.others.beforeExposure == 0 || c.others.afterExposure == 0:
		return "the other places have no hours on one side of the change: there is nothing to compare with"
	case c.others.before == 0 || c.others.after == 0:
		return "the other places have no case on one side of the change: how things went anyway cannot be told"
	}
	return ""
}

// fit learns how true rates before were spread over all places. Those that
// changed are in it too: having been picked for their count they would bias it
// if they were left out.
func (c *contrast) fit() error {
	var counts []int
	var exposures []float64
	for _, s := range []side{c.changed, c.others} {
		for _, p := range s.places {
			if p.BeforeExposure > 0 {
				counts, exposures = append(counts, p.Before), append(exposures, p.BeforeExposure)
			}
		}
	}
	c.luck = 1
	if len(counts) < minGroup {
		c.plain, c.method = true, "rates before and after against other places, exact limits"
		c.note = fmt.Sprintf("%d places are too few to tell luck from risk: if the places that changed were picked after a bad spell, part of a fall would have come anyway", len(counts))
		return nil
	}
	s, err := fitGroup("sites: before and after", counts, exposures, 0)
	if err != nil {
		return err
	}
	c.method = "empirical Bayes with a comparison group"
	if !s.NoSpread {
		c.alpha, c.beta = s.Alpha, s.Beta
		c.curvature = newGroup(counts, exposures).curvature(c.alpha, c.beta)
	}
	if c.changed.before > 0 {
		// What their hours before should have brought, over what they did.
		sum := 0.0
		pooled := s.PooledRate
		for _, p := range c.changed.places {
			sum += p.BeforeExposure * c.rate(p, c.alpha, c.beta, pooled)
		}
		c.luck = sum / float64(c.changed.before)
	}
	return nil
}

// rate is what the rate of a place before the change probably was.
func (c *contrast) rate(p Place, alpha, beta, pooled float64) float64 {
	if alpha == 0 {
		return pooled
	}
	return (alpha + float64(p.Before)) / (beta + p.BeforeExposure)
}

// curvature is minus the second derivatives of the marginal log-likelihood by
// the logarithms of alpha and beta, by differences.
func (g group) curvature(alpha, beta float64) (h [2][2]float64) {
	const step = 1e-3
	at := func(i, j float64) float64 { return g.logLik(alpha*math.Exp(i*step), beta*math.Exp(j*step)) }
	mid := at(0, 0)
	h[0][0] = -(at(1, 0) - 2*mid + at(-1, 0)) / step / step
	h[1][1] = -(at(0, 1) - 2*mid + at(0, -1)) / step / step
	h[0][1] = -(at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / 4 / step / step
	h[1][0] = h[0][1]
	return h
}

// forecast is what there would have been without the change, with the variance
// of its logarithm in two parts: one that stays, and one that falls as the
// record after the change grows.
type forecast struct {
	expected       float64
	fixed, running float64
	trend, wobble  float64
}

// size is the shape of the expectation, were the record after the change times
// as long: one over the variance of its logarithm.
func (f forecast) size(times float64) float64 {
	return min(1e8, max(1e-6, 1/(f.fixed+f.running/times)))
}

// forecast carries the rates before over to the hours after.
func (c *contrast) forecast() forecast {
	here, hereVar := c.carry(c.changed, c.alpha, c.beta)
	there, thereVar := c.carry(c.others, c.alpha, c.beta)
	f := forecast{trend: float64(c.others.after) / there}
	f.expected = here * f.trend
	f.fixed = hereVar/here/here + thereVar/there/there
	if c.alpha > 0 {
		f.fixed += c.hyper()
	}
	if w := c.wobble(f.trend); w > 0 {
		f.wobble = math.Sqrt(w)
		f.fixed += w * (c.share(c.changed) + c.share(c.others))
	}
	f.running = 1 / float64(c.others.after)
	return f
}

// carry returns the cases to be expected after the change at the rates before,
// and the variance of that.
func (c *contrast) carry(s side, alpha, beta float64) (cases, variance float64) {
	switch {
	case c.plain:
		// The group's own rate as counted; half a case keeps a group without any
		// from being certain of it.
		n := math.Max(float64(s.before), 0.5)
		cases = n / s.beforeExposure * s.afterExposure
		return cases, cases * cases / n
	case alpha == 0:
		// One rate for all, the same on both sides: it cancels, and so does its
		// uncertainty.
		pooled := float64(c.changed.before+c.others.before) / (c.changed.beforeExposure + c.others.beforeExposure)
		return pooled * s.afterExposure, 0
	}
	for _, p := range s.places {
		a, b := alpha+float64(p.Before), beta+p.BeforeExposure
		cases += a / b * p.AfterExposure
		variance += a / b / b * p.AfterExposure * p.AfterExposure
	}
	return cases, variance
}

// hyper is the variance of the logarithm of the expectation that comes from the
// distribution of rates being itself estimated.
func (c *contrast) hyper() float64 {
	const step = 1e-3
	log := func(a, b float64) float64 {
		here, _ := c.carry(c.changed, c.alpha*math.Exp(a*step), c.beta*math.Exp(b*step))
		there, _ := c.carry(c.others, c.alpha*math.Exp(a*step), c.beta*math.Exp(b*step))
		return math.Log(here) - math.Log(there)
	}
	ga, gb := (log(1, 0)-log(-1, 0))/2/step, (log(0, 1)-log(0, -1))/2/step
	h := c.curvature
	det := h[0][0]*h[1][1] - h[0][1]*h[1][0]
	if !(h[0][0] > 0 && det > 1e-12*h[0][0]*h[1][1]) {
		return 0.25 * (ga*ga + gb*gb) // hardly determined: as if each were known to a factor of 1.6
	}
	return max(0, (ga*ga*h[1][1]-2*ga*gb*h[0][1]+gb*gb*h[0][0])/det)
}

// wobble is the variance of the logarithm of each place's own change, learnt
// from how differently the other places changed: what chance leaves
// unexplained, and 0 when it explains all. With fewer than six of them it is not
// judged. The scatter is only estimated, from few places: the square of
// Student's quantile over the normal one says by how much that widens it.
func (c *contrast) wobble(trend float64) float64 {
	q, scale, n := 0.0, 0.0, 0
	for _, p := range c.others.places {
		if p.BeforeExposure == 0 || p.AfterExposure == 0 {
			continue
		}
		one, variance := c.carry(alone(p), c.alpha, c.beta)
		e := one * trend
		v := e + variance*trend*trend
		q += (float64(p.After) - e) * (float64(p.After) - e) / v
		scale += e * e / v
		n++
	}
	if n < 6 || q <= float64(n-1) {
		return 0
	}
	student := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}
	wide := student.Quantile(0.975) / -mathext.NormalQuantile(0.025)
	return (q - float64(n-1)) / scale * wide * wide
}

func alone(p Place) side {
	return side{places: []Place{p}, before: p.Before, after: p.After, beforeExposure: p.BeforeExposure, afterExposure: p.AfterExposure}
}

// share is the sum of squared shares of the places in what is to be expected: 1
// for a single place, one over their number for equal ones.
func (c *contrast) share(s side) float64 {
	sum, squares := 0.0, 0.0
	for _, p := range s.places {
		if p.BeforeExposure == 0 && c.plain {
			continue
		}
		e, _ := c.carry(alone(p), c.alpha, c.beta)
		sum += e
		squares += e * e
	}
	if sum == 0 {
		return 1
	}
	return squares / sum / sum
}

// wait works out how long the record after the change must be until the effect
// hoped for would show with the chance asked for.
func (f forecast) wait(o EffectOptions) (Wait, error) {
	w := Wait{Hoped: o.Hoped, Times: 1}
	power := func(times float64) (float64, error) { return f.power(times, o) }
	p, err := power(1)
	if err != nil {
		return w, err
	}
	if w.Power = p; p >= o.Power {
		return w, nil
	}
	lo, hi := 1.0, 2.0
	for {
		if p, err = power(hi); err != nil {
			return w, err
		}
		if p >= o.Power {
			break
		}
		if lo, hi = hi, 2*hi; hi > 1e4 || f.expected*hi > 1e7 {
			w.Never = true
			w.Times = 0
			return w, nil
		}
	}
	for range 20 {
		mid := (lo + hi) / 2
		if p, err = power(mid); err != nil {
			return w, err
		}
		if p >= o.Power {
			hi = mid
		} else {
			lo = mid
		}
	}
	if w.Power, err = power(hi); err != nil {
		return w, err
	}
	w.Times = hi
	return w, nil
}

// power is the chance that a record after the change, times as long, shows the
// ratio hoped for on its side.
func (f forecast) power(times float64, o EffectOptions) (float64, error) {
	tail, size := (1-o.Level)/2, f.size(times)
	none, err := dist.NewNegativeBinomialMean(f.expected*times, size)
	if err != nil {
		return 0, err
	}
	real, err := dist.NewNegativeBinomialMean(f.expected*times*o.Hoped, size)
	if err != nil {
		return 0, err
	}
	if o.Hoped < 1 {
		// The largest count that is remarkably small.
		k, err := none.Quantile(tail)
		if err != nil {
			return 0, err
		}
		for k >= 0 && none.CDF(k) > tail {
			k--
		}
		return real.CDF(k), nil
	}
	k, err := none.Quantile(1 - tail)
	if err != nil {
		return 0, err
	}
	for none.Survival(k) > tail {
		k++
	}
	return real.Survival(k), nil
}
