package change

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// Family names the distribution of counts around a regression.
type Family string

// The families. NegBinomial lets counts spread more than Poisson ones: their
// variance is mean + mean^2/Theta.
const (
	PoissonFamily     Family = "Poisson"
	NegBinomialFamily Family = "negative binomial"
)

// Fit is a regression of counts on terms, by logarithms: a coefficient of 0.1
// means about 10 % more cases per unit of exposure. Its figures mean something
// only when Defined is true.
type Fit struct {
	Family       Family
	Rows         int // used
	Left         int // left out for having no exposure
	Coefficients []Coefficient
	Deviance     float64
	NullDeviance float64 // with the intercept alone
	DF           int     // rows less coefficients
	LogLik       float64
	AIC          float64
	Pearson      float64 // chi-square of the rows against the fit
	Dispersion   float64 // Pearson / DF: about 1 when counts spread as the family says; 0 when DF is 0
	Theta        float64 // of the negative binomial; 0 otherwise
	ThetaSE      float64
	Fitted       []float64 // expected cases in each row handed in; 0 where left out
	Defined      bool
	Reason       string // why there is no fit; empty when it is defined
	Note         string // what a reader must know: spread beyond the family, no spread beyond Poisson

	covariance [][]float64
	columns    []column // as handed in, with all rows
	parameters int      // coefficients, and Theta
	thetaSEAsR float64
}

// Coefficient is one coefficient of a regression.
type Coefficient struct {
	Term    string // of which it is a part; "(Intercept)"
	Name    string // as "typeB"
	Value   float64
	SE      float64
	Z       float64
	PValue  float64 // two-sided, by the normal distribution
	QuasiSE float64 // SE times the root of the dispersion: for counts that spread more than the family says
}

// Effect is a coefficient as a factor on the rate: 1.1 is 10 % more.
type Effect struct {
	Ratio  float64
	Lo, Hi float64
	Level  float64
	Quasi  bool // the interval is widened by the dispersion
}

const intercept = "(Intercept)"

// Poisson fits a regression of counts with their exposures (nil for equal
// exposure) on terms, with an intercept. Each row's expected count is its
// exposure times a rate whose logarithm is the sum of the terms; rows without
// exposure are left out and must have no case.
//
// There is no fit, and Reason says why, when there is no case, when two terms
// tell the same story (their columns depend on each other), when there are
// fewer rows than coefficients, or when some coefficient has no finite value
// because a level has no case at all.
//
// Terms must have as many rows as counts; the domain of counts and exposures is
// that of [Find]. Other arguments return an error that wraps [dist.ErrDomain].
//
// McCullagh and Nelder (1989), Generalized Linear Models, 2nd edition.
func Poisson(counts []int, exposures []float64, terms ...Term) (Fit, error) {
	const op = "change: poisson regression"
	d, err := newDesign(op, counts, exposures, terms)
	if err != nil {
		return Fit{}, err
	}
	f := Fit{Family: PoissonFamily, Rows: len(d.y), Left: d.left}
	w := working{}
	if f.Reason = d.obstacle(); f.Reason != "" {
		return f, nil
	}
	if f.Reason = w.fit(d, 0); f.Reason != "" {
		return f, nil
	}
	f.fill(d, w)
	for i, y := range d.y {
		f.LogLik += poissonTerm(y, w.mu[i])
	}
	f.AIC = -2*f.LogLik + 2*float64(f.parameters)
	if f.DF > 0 {
		p, err := dist.ChiSquareTail(f.Pearson, float64(f.DF))
		if err != nil {
			return Fit{}, fmt.Errorf("%s: %w", op, err)
		}
		if p < 0.01 && f.Dispersion > 1 {
			f.Note = fmt.Sprintf("counts spread %.2g times as much as chance allows: use the wider standard errors or the negative binomial", f.Dispersion)
		}
	}
	f.Defined = true
	return f, nil
}

// fill takes over what both families share.
func (f *Fit) fill(d design, w working) {
	f.DF = len(d.y) - len(d.columns)
	f.parameters = len(d.columns)
	f.Deviance, f.Pearson = w.deviance, w.pearson(d.y)
	f.NullDeviance = d.nullDeviance(w.theta)
	if f.DF > 0 {
		f.Dispersion = f.Pearson / float64(f.DF)
	}
	f.covariance, f.columns = w.covariance, d.full
	f.Coefficients = make([]Coefficient, len(d.columns))
	for j, c := range d.columns {
		k := Coefficient{Term: d.term[j], Name: c.name, Value: w.beta[j], SE: math.Sqrt(w.covariance[j][j])}
		k.Z = k.Value / k.SE
		k.PValue = math.Erfc(math.Abs(k.Z) / math.Sqrt2)
		k.QuasiSE = k.SE * math.Sqrt(f.Dispersion)
		f.Coefficients[j] = k
	}
	f.Fitted = make([]float64, d.rows)
	for i, row := range d.row {
		f.Fitted[row] = w.mu[i]
	}
}

// Effect returns the coefficient of the given name as a factor on the rate,
// over the given number of steps of its term (1 for a factor, 12 for a year of
// a monthly trend). quasi widens the interval by the dispersion, when that is
// above 1, as is right for a Poisson fit to counts that spread more than
// Poisson ones.
//
// An unknown name, an undefined fit, a level outside [0.5, 1 - 1e-12] or steps
// that are not finite return an error that wraps [dist.ErrDomain]; so does an
// effect past 1e300.
func (f Fit) Effect(name string, steps, level float64, quasi bool) (Effect, error) {
	const op = "change: effect"
	if err := dist.CheckLevel(op, level); err != nil {
		return Effect{}, err
	}
	for _, c := range f.Coefficients {
		if c.Name != name {
			continue
		}
		e := Effect{Level: level, Quasi: quasi}
		se := c.SE
		if quasi && f.Dispersion > 1 {
			se = c.QuasiSE
		}
		w := -mathext.NormalQuantile((1-level)/2) * se * math.Abs(steps)
		if !(math.Abs(steps*c.Value)+w < 690) {
			return Effect{}, dist.BadFloat(op, "steps", steps, "must be finite and not so many that the effect overflows")
		}
		e.Ratio = math.Exp(steps * c.Value)
		e.Lo, e.Hi = math.Exp(steps*c.Value-w), math.Exp(steps*c.Value+w)
		return e, nil
	}
	return Effect{}, &dist.DomainError{Op: op, Arg: "name", Value: name, Need: "must be the name of a coefficient of this fit"}
}

// Test is a likelihood ratio test of one regression against a smaller one.
type Test struct {
	Statistic float64
	DF        int
	PValue    float64
}

// Against tests whether f explains the counts better than chance would make
// it, compared with a fit of the same counts and family with some terms left
// out. For Poisson fits whose counts spread more than chance allows the p-value
// is too small.
//
// Undefined fits, fits of different families or rows, and a smaller fit with
// as many coefficients return an error that wraps [dist.ErrDomain].
func (f Fit) Against(smaller Fit) (Test, error) {
	const op = "change: likelihood ratio"
	switch {
	case !f.Defined || !smaller.Defined:
		return Test{}, &dist.DomainError{Op: op, Arg: "fit", Value: "undefined", Need: "must be defined"}
	case f.Family != smaller.Family || f.Rows != smaller.Rows:
		return Test{}, &dist.DomainError{Op: op, Arg: "smaller fit", Value: string(smaller.Family), Need: "must be of the same family and rows"}
	case smaller.parameters >= f.parameters:
		return Test{}, dist.BadInt(op, "smaller fit", smaller.parameters, "must have fewer coefficients")
	}
	t := Test{Statistic: max(0, 2*(f.LogLik-smaller.LogLik)), DF: f.parameters - smaller.parameters}
	p, err := dist.ChiSquareTail(t.Statistic, float64(t.DF))
	if err != nil {
		return Test{}, fmt.Errorf("%s: %w", op, err)
	}
	t.PValue = p
	return t, nil
}

// at returns the value of column j in row k of the data handed in.
func (f Fit) at(j, k int) float64 { return f.columns[j].values[k] }

// Coefficient returns the coefficient of the given name.
func (f Fit) Coefficient(name string) (Coefficient, bool) {
	for _, c := range f.Coefficients {
		if c.Name == name {
			return c, true
		}
	}
	return Coefficient{}, false
}
