package change

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// noSpread is the theta past which a negative binomial cannot be told from a
// Poisson distribution.
const noSpread = 1e7

// NegativeBinomial fits a regression of counts that spread more than Poisson
// ones: their variance is mean + mean^2/Theta, with Theta found by maximum
// likelihood together with the coefficients. Standard errors are those at the
// Theta found, as is customary; PValue of a Poisson comparison is in
// [Fit.SpreadTest].
//
// Where counts spread no more than chance makes them, Theta has no finite value:
// there is no fit, and Reason says to use [Poisson]. Otherwise the domain and
// the obstacles are those of [Poisson].
//
// Lawless (1987), Canadian Journal of Statistics 15:209-225; Venables and
// Ripley (2002), Modern Applied Statistics with S, section 7.4.
func NegativeBinomial(counts []int, exposures []float64, terms ...Term) (Fit, error) {
	const op = "change: negative binomial regression"
	d, err := newDesign(op, counts, exposures, terms)
	if err != nil {
		return Fit{}, err
	}
	f := Fit{Family: NegBinomialFamily, Rows: len(d.y), Left: d.left}
	if f.Reason = d.obstacle(); f.Reason != "" {
		return f, nil
	}
	var w working
	if f.Reason = w.fit(d, 0); f.Reason != "" {
		return f, nil
	}
	const poisson = "counts spread no more than chance makes them: use the Poisson regression"
	theta, ok := bestTheta(d.y, w.mu)
	for round := 0; ok; round++ {
		if f.Reason = w.fit(d, theta); f.Reason != "" {
			return f, nil
		}
		next, found := bestTheta(d.y, w.mu)
		if ok = found; !ok {
			break
		}
		done := math.Abs(next-theta) < 1e-11*theta
		theta = next
		if done || round == 500 {
			break
		}
	}
	if !ok {
		f.Reason = poisson
		return f, nil
	}
	if f.Reason = w.fit(d, theta); f.Reason != "" {
		return f, nil
	}
	f.fill(d, w)
	f.Theta = theta
	f.parameters++
	_, information := thetaScore(d.y, w.mu, theta)
	if !(information > 0) {
		f.Reason = poisson
		return f, nil
	}
	f.ThetaSE = 1 / math.Sqrt(information)
	f.thetaSEAsR = thetaSEAsR(d.y, w.mu)
	for i, y := range d.y {
		f.LogLik += negBinomialTerm(y, w.mu[i], theta)
	}
	f.AIC = -2*f.LogLik + 2*float64(f.parameters)
	if theta < 0.01 {
		f.Note = "counts spread so much that this model hardly describes them"
	}
	f.Defined = true
	return f, nil
}

// bestTheta returns the theta that maximises the likelihood at given means; ok
// is false when it has no finite one.
func bestTheta(y, mu []float64) (theta float64, ok bool) {
	// The score in log theta is positive at small theta; a zero of it past which
	// it is negative is the maximum. From far out it tells whether there is one.
	score := func(t float64) float64 {
		s, _ := thetaScore(y, mu, math.Exp(t))
		return s * math.Exp(t)
	}
	lo, hi := math.Log(1e-6), math.Log(noSpread)
	// Counts that spread no more than Poisson ones raise the likelihood all the
	// way: sum((y-mu)^2 - y) tells without rounding.
	spread := 0.0
	for i := range y {
		spread += (y[i]-mu[i])*(y[i]-mu[i]) - y[i]
	}
	if spread <= 0 {
		return 0, false
	}
	for hi > lo && score(hi) >= 0 {
		hi -= 1
	}
	if score(lo) <= 0 || hi <= lo {
		return 0, false
	}
	t, err := dist.Root(score, lo, hi, 0)
	if err != nil {
		return 0, false
	}
	return math.Exp(t), true
}

// ThetaSEAsR returns the standard error of Theta with the digits that glm.nb of
// R's MASS prints, for whoever must match a report made there: it takes the
// curvature one Newton step before the end, which shows in the fifth digit.
// ThetaSE is the one to print. It is 0 for a fit without Theta.
//
// Venables and Ripley (2002), Modern Applied Statistics with S, section 7.4.
func (f Fit) ThetaSEAsR() float64 { return f.thetaSEAsR }

func thetaSEAsR(y, mu []float64) float64 {
	sum := 0.0
	for i := range y {
		sum += (y[i]/mu[i] - 1) * (y[i]/mu[i] - 1)
	}
	theta, information := float64(len(y))/sum, 0.0
	enough := math.Pow(0x1p-52, 0.25)
	for step := 1.0; math.Abs(step) > enough; theta += step {
		theta = math.Abs(theta)
		var slope float64
		if slope, information = thetaScore(y, mu, theta); !(information > 0) {
			return 0
		}
		step = slope / information
	}
	return 1 / math.Sqrt(information)
}

// thetaScore returns the slope of the log-likelihood in theta and minus its
// curvature. Digamma differences are taken so that large theta keep digits.
func thetaScore(y, mu []float64, theta float64) (slope, information float64) {
	for i := range y {
		s := theta + mu[i]
		slope += digammaDiff(theta, y[i]) + math.Log(theta/s) + (mu[i]-y[i])/s
		information += trigammaDiff(theta, y[i]) - 1/theta + 2/s - (theta+y[i])/(s*s)
	}
	return slope, information
}

// digammaDiff returns digamma(theta+y) - digamma(theta) for whole y: a sum of
// reciprocals while that is short.
func digammaDiff(theta, y float64) float64 {
	if y <= 1000 {
		sum := 0.0
		for k := 0.0; k < y; k++ {
			sum += 1 / (theta + k)
		}
		return sum
	}
	return mathext.Digamma(theta+y) - mathext.Digamma(theta)
}

// trigammaDiff returns trigamma(theta) - trigamma(theta+y) for whole y.
func trigammaDiff(theta, y float64) float64 {
	sum := 0.0
	if y <= 1000 {
		for k := 0.0; k < y; k++ {
			sum += 1 / ((theta + k) * (theta + k))
		}
		return sum
	}
	return mathext.Zeta(2, theta) - mathext.Zeta(2, theta+y)
}

// poissonTerm returns log P(X = y) for a Poisson mean.
func poissonTerm(y, mu float64) float64 { return logPoisson(int(y), mu) }

// negBinomialTerm returns log P(X = y) for a negative binomial count.
func negBinomialTerm(y, mu, theta float64) float64 {
	a, _ := math.Lgamma(theta + y)
	b, _ := math.Lgamma(theta)
	c, _ := math.Lgamma(y + 1)
	return a - b - c - theta*math.Log1p(mu/theta) + y*math.Log(mu/(mu+theta))
}

// SpreadTest tests whether the counts spread more than a Poisson regression on
// the same terms allows: f must be a negative binomial fit and poisson the
// Poisson fit of the same counts. The p-value is halved, because Theta at its
// bound makes the statistic zero half of the time.
//
// Other fits return an error that wraps [dist.ErrDomain].
func (f Fit) SpreadTest(poisson Fit) (Test, error) {
	const op = "change: spread test"
	if !f.Defined || !poisson.Defined || f.Family != NegBinomialFamily || poisson.Family != PoissonFamily || f.Rows != poisson.Rows || f.parameters != poisson.parameters+1 {
		return Test{}, &dist.DomainError{Op: op, Arg: "fits", Value: string(f.Family) + " and " + string(poisson.Family), Need: "must be a negative binomial and a Poisson fit of the same rows and terms"}
	}
	t := Test{Statistic: max(0, 2*(f.LogLik-poisson.LogLik)), DF: 1}
	p, err := dist.ChiSquareTail(t.Statistic, 1)
	if err != nil {
		return Test{}, fmt.Errorf("%s: %w", op, err)
	}
	t.PValue = p / 2
	return t, nil
}
