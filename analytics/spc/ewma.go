package spc

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mat"
)

// EwmaDesign is a two-sided Poisson EWMA: an average in which each period weighs
// Lambda and all before it the rest. It is an alternative to a CUSUM that reads
// more like an ordinary chart.
type EwmaDesign struct {
	Mean   float64 // in-control mean, cases per period (or per Base of exposure)
	Lambda float64 // weight of the newest period, in (0, 1]
	Width  float64 // limits are Mean plus and minus so many sigma of the average
}

func (d EwmaDesign) check(op string) error {
	switch {
	case !(d.Mean > 0 && d.Mean <= maxExposure):
		return dist.BadFloat(op, "mean", d.Mean, "must be above 0 and finite")
	case !(d.Lambda >= 1e-6 && d.Lambda <= 1):
		return dist.BadFloat(op, "lambda", d.Lambda, "must be above 0 and at most 1, such as 0.2")
	case !(d.Width > 0 && d.Width <= 20):
		return dist.BadFloat(op, "width", d.Width, "must be above 0 and at most 20 sigma")
	}
	return nil
}

// Limits returns the limits that the average tends to with time, at a steady
// exposure of one. Where hasLower is false the lower limit would be at or below
// zero and lower is 0.
//
// Borror, Champ and Rigdon (1998), Journal of Quality Technology 30:352-361.
func (d EwmaDesign) Limits() (lower, upper float64, hasLower bool, err error) {
	if err := d.check("spc: ewma limits"); err != nil {
		return 0, 0, false, err
	}
	w := d.Width * math.Sqrt(d.Mean*d.Lambda/(2-d.Lambda))
	if d.Mean > w {
		return d.Mean - w, d.Mean + w, true, nil
	}
	return 0, d.Mean + w, false, nil
}

// EwmaOptions say how an EWMA is run along a series.
type EwmaOptions struct {
	EwmaDesign
	// Base, when above 0, averages rates per Base units of exposure instead of
	// counts, with limits that follow the exposure.
	Base float64
	// Asymptotic uses the limits of a chart long running from the start, instead
	// of the narrower ones of its first points.
	Asymptotic bool
}

// NewEwma runs an EWMA along the periods and returns it as a chart whose points'
// values are the averages. A period that is missing, or without exposure where
// rates are averaged, is a gap and leaves the average as it was. A point on a
// limit is within. Arguments outside their domain return an error that wraps
// [dist.ErrDomain].
//
// Borror, Champ and Rigdon (1998), Journal of Quality Technology 30:352-361;
// for rates each period adds Lambda squared times its own variance.
func NewEwma(periods []Period, o EwmaOptions) (Chart, error) {
	const op = "spc: ewma"
	if err := o.check(op); err != nil {
		return Chart{}, err
	}
	if !(o.Base >= 0 && o.Base <= maxExposure) || (o.Base > 0 && o.Base < 1e-9) {
		return Chart{}, dist.BadFloat(op, "base", o.Base, "must be 0, or at least 1e-9 and at most 1e15 units")
	}
	as := Options{Kind: C, Base: o.Base}
	if o.Base > 0 {
		as.Kind = U
	}
	if err := as.check(periods); err != nil {
		return Chart{}, err
	}
	if o.Base == 0 {
		as.Base = 1
	}
	c := Chart{Kind: XEwma, Limits: Sigma, Base: as.Base, Center: o.Mean, Rules: []Rule{BeyondLimits}, Points: as.points(periods)}
	if len(periods) > 0 {
		c.Phases = []Phase{{Last: len(periods) - 1, Center: o.Mean, SigmaZ: 1, Given: true, Defined: true}}
	}
	z, variance := o.Mean, 0.0
	keep := (1 - o.Lambda) * (1 - o.Lambda)
	for i := range c.Points {
		p := &c.Points[i]
		if p.Missing {
			continue
		}
		z = o.Lambda*p.Value + (1-o.Lambda)*z
		own := o.Mean / as.size(p)
		variance = o.Lambda*o.Lambda*own + keep*variance
		if o.Asymptotic {
			variance = own * o.Lambda / (2 - o.Lambda)
		}
		p.Value, p.Center, p.Sigma = z, o.Mean, math.Sqrt(variance)
		p.PlainSigma = p.Sigma
		p.UCL, p.HasUCL = o.Mean+o.Width*p.Sigma, true
		if l := o.Mean - o.Width*p.Sigma; l > 0 {
			p.LCL, p.HasLCL = l, true
		}
		if p.Sigma > 0 {
			p.Z = (z - o.Mean) / p.Sigma
		}
		switch {
		case side(z, p.UCL) == Above:
			p.Beyond = Above
		case p.HasLCL && side(z, p.LCL) == Below:
			p.Beyond = Below
		}
	}
	c.Signals = signals(c.Points, c.Rules, c.RunLength)
	c.Method = fmt.Sprintf("EWMA, weight %s to the newest period, limits at %s sigma", Number(o.Lambda), Number(o.Width))
	c.Notes = notes(c)
	return c, nil
}

// ewmaStates is how finely the average is divided for its run length: fine
// enough for one per cent, which is also about what the literature's own
// discretised figures are good for.
const ewmaStates = 401

// ARL returns the mean number of periods until the average leaves its
// long-running limits, when counts are Poisson with the given mean and the
// average starts at start. The average takes a continuum of values; dividing it
// makes the result good to about one per cent. mean must be in (0, 1e5], start
// within the limits; otherwise the error wraps [dist.ErrDomain], as it does when
// the run length is too long to compute.
//
// Borror, Champ and Rigdon (1998), Journal of Quality Technology 30:352-361.
func (d EwmaDesign) ARL(mean, start float64) (float64, error) {
	const op = "spc: ewma arl"
	lower, upper, _, err := d.Limits()
	if err != nil {
		return 0, err
	}
	p, err := dist.NewPoisson(mean)
	if err != nil || mean > 1e5 {
		return 0, dist.BadFloat(op, "mean", mean, "must be at least 0 and at most 100,000 cases")
	}
	if !(start >= lower && start <= upper) {
		return 0, dist.BadFloat(op, "start", start, "must lie within the limits")
	}
	n := ewmaStates
	width := (upper - lower) / float64(n)
	top, err := p.UpperQuantile(1e-17)
	if err != nil {
		return 0, err
	}
	// From the middle of each cell, a count x leads to lambda x + (1-lambda) z;
	// what falls inside the limits is credited to the cell it falls in.
	row := func(z float64) []float64 {
		q := make([]float64, n)
		for x := 0; x <= top; x++ {
			to := d.Lambda*float64(x) + (1-d.Lambda)*z
			if side(to, upper) == Above {
				break
			}
			if to < lower && side(to, lower) == Below {
				continue
			}
			q[min(n-1, max(0, int((to-lower)/width)))] += p.PMF(x)
		}
		return q
	}
	a := mat.NewDense(n, n, nil)
	ones := mat.NewVecDense(n, nil)
	for i := range n {
		ones.SetVec(i, 1)
		for j, q := range row(lower + (float64(i)+0.5)*width) {
			a.Set(i, j, -q)
		}
		a.Set(i, i, a.At(i, i)+1)
	}
	var x mat.VecDense
	if err := x.SolveVec(a, ones); err != nil {
		if c, ok := err.(mat.Condition); !ok || float64(c) > 1e14 {
			return 0, fmt.Errorf("%s: average run length is too long to compute: %w", op, dist.ErrDomain)
		}
	}
	arl := 1.0
	for j, q := range row(start) {
		arl += q * x.AtVec(j)
	}
	if !(arl >= 1 && arl < 1e13) {
		return 0, fmt.Errorf("%s: average run length is too long to compute: %w", op, dist.ErrDomain)
	}
	return arl, nil
}

// DesignEwma returns the EWMA of the given mean and weight whose width gives a
// false alarm on average every arl0 periods, as nearly as whole counts allow and
// not more often. mean must be in [0.05, 1000], lambda in [0.05, 1] and arl0 in
// [10, 10000]; otherwise the error wraps [dist.ErrDomain].
func DesignEwma(mean, lambda, arl0 float64) (EwmaDesign, error) {
	const op = "spc: design ewma"
	switch {
	case !(mean >= 0.05 && mean <= 1000):
		return EwmaDesign{}, dist.BadFloat(op, "mean", mean, "must be at least 0.05 and at most 1000 cases a period")
	case !(lambda >= 0.05 && lambda <= 1):
		return EwmaDesign{}, dist.BadFloat(op, "lambda", lambda, "must be at least 0.05 and at most 1")
	case !(arl0 >= 10 && arl0 <= 10_000):
		return EwmaDesign{}, dist.BadFloat(op, "arl0", arl0, "must be at least 10 and at most 10,000 periods")
	}
	lo, hi := 0.5, 8.0
	for hi-lo > 0.002 {
		mid := (lo + hi) / 2
		v, err := EwmaDesign{Mean: mean, Lambda: lambda, Width: mid}.ARL(mean, mean)
		// Too long to compute is long enough.
		if err != nil || v >= arl0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return EwmaDesign{Mean: mean, Lambda: lambda, Width: hi}, nil
}
