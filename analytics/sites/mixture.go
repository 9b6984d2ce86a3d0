package sites

// How crews or places differ is never known, only more or less probable. What
// follows keeps all gamma distributions of rates that the data leave possible,
// each with its weight, so that a forecast or an interval allows for that too.

import (
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// mixture is the possible distributions of true rates between crews, with how
// far the data speak for each.
type mixture struct {
	parts []part
	terms [][]float64 // log-likelihood of each crew under each part
	whole []float64   // log of prior and likelihood of all crews together
}

// part is one gamma distribution of rates: mean, and shape; shape 0 stands for
// no spread at all.
type part struct{ mean, shape float64 }

// The grid over which the spread between places (the coefficient of variation of
// their true rates) and the mean rate are integrated.
const (
	spreads     = 16
	gridStep    = 0.125
	usualSpread = 0.7 // half-normal scale; common practice, no published source
	means       = 9
	reach       = 3.5 // standard deviations of the mean rate to either side
)

// newMixture lays a grid over spread and mean rate.
func newMixture(g group, pooled float64) mixture {
	var m mixture
	cases := 0.0
	for _, y := range g.y {
		cases += y
	}
	for s := range spreads + 1 {
		cv := gridStep * float64(s)
		weight := math.Exp(-cv * cv / (2 * usualSpread * usualSpread))
		if s == 0 || s == spreads {
			weight /= 2 // trapezoid
		}
		// How well the mean rate is known given the spread.
		sd := math.Sqrt(1/cases + cv*cv/float64(len(g.y)))
		for k := range means {
			p := part{mean: pooled * math.Exp(reach*sd*(2*float64(k)/(means-1)-1))}
			if cv > 0 {
				p.shape = 1 / (cv * cv)
			}
			log := make([]float64, len(g.y))
			all := math.Log(weight * sd)
			for i, y := range g.y {
				log[i] = p.logProb(y, g.t[i])
				all += log[i]
			}
			m.parts, m.terms, m.whole = append(m.parts, p), append(m.terms, log), append(m.whole, all)
		}
	}
	return m
}

// logProb is the log-probability of y reports in exposure t.
func (p part) logProb(y, t float64) float64 {
	mean := p.mean * t
	lg, _ := math.Lgamma(y + 1)
	if p.shape == 0 {
		if y == 0 {
			return -mean
		}
		return y*math.Log(mean) - mean - lg
	}
	sum := logRising(p.shape, y) - lg - (p.shape+y)*math.Log1p(mean/p.shape)
	if y > 0 {
		sum += y * math.Log(mean/p.shape)
	}
	return sum
}

// predictive is a weighting of the parts.
type predictive struct {
	parts   []part
	weights []float64 // add up to 1
}

// all returns what all crews together lead to expect.
func (m mixture) all() predictive { return m.weigh(m.whole) }

// without returns what the crews other than crew i lead to expect.
func (m mixture) without(i int) predictive {
	logs := make([]float64, len(m.parts))
	for k := range logs {
		logs[k] = m.whole[k] - m.terms[k][i]
	}
	return m.weigh(logs)
}

// weigh turns logarithms of weights into weights, leaving out parts that do not
// matter.
func (m mixture) weigh(logs []float64) predictive {
	top, sum := math.Inf(-1), 0.0
	for _, l := range logs {
		top = max(top, l)
	}
	var d predictive
	for k, l := range logs {
		if w := math.Exp(l - top); w > 1e-7 {
			d.parts, d.weights = append(d.parts, m.parts[k]), append(d.weights, w)
			sum += w
		}
	}
	for k := range d.weights {
		d.weights[k] /= sum
	}
	return d
}

func (d predictive) mean() float64 {
	sum := 0.0
	for k, w := range d.weights {
		sum += w * d.parts[k].mean
	}
	return sum
}

// atMost returns the chance of at most n reports in exposure t.
func (d predictive) atMost(n int, t float64) (float64, error) {
	sum := 0.0
	for k, w := range d.weights {
		p := d.parts[k]
		if n <= 1000 {
			sum += w * p.atMost(n, p.mean*t)
			continue
		}
		if p.shape == 0 {
			x, err := dist.NewPoisson(p.mean * t)
			if err != nil {
				return 0, err
			}
			sum += w * x.CDF(n)
			continue
		}
		x, err := dist.NewNegativeBinomialMean(p.mean*t, p.shape)
		if err != nil {
			return 0, err
		}
		sum += w * x.CDF(n)
	}
	return min(1, sum), nil
}

// atMost adds up the chances of 0 to n reports where mean are expected, each
// from the one before.
func (p part) atMost(n int, mean float64) float64 {
	q, step := -mean, mean // log of the chance of none, and the factor to the next
	odds := 0.0
	if p.shape > 0 {
		q = -p.shape * math.Log1p(mean/p.shape)
		odds = mean / (p.shape + mean)
		step = odds * p.shape
	}
	// Kept as a multiple of the first, which may underflow by itself.
	sum, term := 1.0, 1.0
	for k := 0; k < n; k++ {
		term *= (step + odds*float64(k)) / float64(k+1)
		sum += term
		if sum > 1e200 {
			q, sum, term = q+200*math.Ln10, sum/1e200, term/1e200
		}
	}
	return math.Min(1, math.Exp(q+math.Log(sum)))
}

// none returns the chance of no report in exposure t.
func (d predictive) none(t float64) float64 {
	sum := 0.0
	for k, w := range d.weights {
		if p := d.parts[k]; p.shape == 0 {
			sum += w * math.Exp(-p.mean*t)
		} else {
			sum += w * math.Exp(-p.shape*math.Log1p(p.mean*t/p.shape))
		}
	}
	return sum
}

// hoursToTell returns the exposure at which no report at all has at most the
// given chance; never is true when that takes more than a million times the
// exposure in which one report is expected.
func (d predictive) hoursToTell(chance float64) (hours float64, never bool) {
	lo, hi := 0.0, 1/d.mean()
	limit := hi * 1e6
	for d.none(hi) > chance {
		if lo, hi = hi, hi*2; hi > limit {
			return 0, true
		}
	}
	for range 20 {
		mid := (lo + hi) / 2
		if d.none(mid) > chance {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, false
}

// gammaOf is the gamma distribution of a part's rates after n cases in exposure
// t. No spread at all stands in as hardly any, so that it has a density.
func (p part) gammaOf(n int, t float64) (shape, rate float64) {
	shape = p.shape
	if shape == 0 {
		shape = 4 / (gridStep * gridStep)
	}
	return shape + float64(n), shape/p.mean + t
}

// estimate returns what the rate of a place probably is, with its interval, over
// all parts.
func (m mixture) estimate(n int, t, level float64) (Estimate, error) {
	d := m.all()
	shapes, rates := make([]float64, len(d.parts)), make([]float64, len(d.parts))
	var e Estimate
	top := 0.0
	for k, p := range d.parts {
		shapes[k], rates[k] = p.gammaOf(n, t)
		e.Mean += d.weights[k] * shapes[k] / rates[k]
		// Past this every part has less than 1e-13 left: Chernoff's bound, or the
		// exponential one for small shapes.
		top = max(top, (shapes[k]+8*math.Sqrt(shapes[k])+33)/rates[k])
	}
	tail := (1 - level) / 2
	at := func(below float64) (float64, error) {
		x, err := dist.Root(func(x float64) float64 {
			sum := -below
			for k, w := range d.weights {
				sum += w * mathext.GammaIncReg(shapes[k], x*rates[k])
			}
			return sum
		}, 0, top, 1e-12*e.Mean)
		return x, err
	}
	var err error
	if e.Lo, err = at(tail); err != nil {
		return e, err
	}
	e.Hi, err = at(1 - tail)
	return e, err
}
