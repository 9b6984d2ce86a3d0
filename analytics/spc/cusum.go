package spc

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mat"
)

// CusumDesign is a one-sided Poisson CUSUM: it adds up what each period has
// above (or below) a reference and signals when the sum reaches a decision
// interval. It sees a small lasting change long before a monthly chart does.
type CusumDesign struct {
	Side             Side    // Above watches for a rise, Below for a fall
	Reference        float64 // k, cases per period (or per unit of exposure)
	DecisionInterval float64 // h, cases: a signal when the sum is h or more
	HeadStart        float64 // where the sum starts; 0 is the plain chart, h/2 the usual head start

	ARL0 float64 // mean number of periods to a false alarm; filled in by DesignCusum
	ARL1 float64 // mean number of periods to see the change designed for
}

// CusumReference returns the reference value that sees a change from one mean
// to another soonest: their difference over the difference of their logarithms.
// Both must be above 0 and at most 1e9, and differ; otherwise the error wraps
// [dist.ErrDomain].
//
// Lucas (1985), Technometrics 27:129-144, equation 1.
func CusumReference(acceptable, rejectable float64) (float64, error) {
	const op = "spc: cusum reference"
	for _, a := range []struct {
		name string
		v    float64
	}{{"acceptable", acceptable}, {"rejectable", rejectable}} {
		if !(a.v >= 1e-9 && a.v <= dist.MaxMean) {
			return 0, dist.BadFloat(op, a.name, a.v, "must be at least 1e-9 and at most 1e9 cases")
		}
	}
	if acceptable == rejectable {
		return 0, dist.BadFloat(op, "rejectable", rejectable, "must differ from the acceptable mean")
	}
	d := (rejectable - acceptable) / acceptable
	if math.Abs(d) < 1e-8 {
		return (acceptable + rejectable) / 2, nil // the limit of the formula
	}
	return (rejectable - acceptable) / math.Log1p(d), nil
}

// check validates the design.
func (d CusumDesign) check(op string) error {
	switch {
	case d.Side != Above && d.Side != Below:
		return &dist.DomainError{Op: op, Arg: "side", Value: d.Side.String(), Need: "must be Above or Below"}
	case !(d.Reference > 0 && d.Reference <= dist.MaxMean):
		return dist.BadFloat(op, "reference", d.Reference, "must be above 0 and at most 1e9 cases")
	case !(d.DecisionInterval > 0 && d.DecisionInterval <= dist.MaxMean):
		return dist.BadFloat(op, "decision interval", d.DecisionInterval, "must be above 0 and at most 1e9 cases")
	case !(d.HeadStart >= 0 && d.HeadStart < d.DecisionInterval):
		return dist.BadFloat(op, "head start", d.HeadStart, "must be at least 0 and below the decision interval")
	}
	return nil
}

// maxCusumStates bounds the Markov chain of a CUSUM.
const maxCusumStates = 1500

// ARL returns the mean number of periods until the CUSUM signals when counts
// are Poisson with the given mean. It is exact when reference, decision interval
// and head start are multiples of 1/m for some whole m up to 200, which any
// sensible design is; others are refused, as are designs whose chain would need
// more than 1,500 states. mean must be in [0, 1e6]. Errors wrap
// [dist.ErrDomain]. A chart that can never signal at that mean is refused too.
//
// Brook and Evans (1972), Biometrika 59:539-549; Lucas (1985), Technometrics
// 27:129-144.
func (d CusumDesign) ARL(mean float64) (float64, error) {
	const op = "spc: cusum arl"
	if err := d.check(op); err != nil {
		return 0, err
	}
	if !(mean >= 0 && mean <= 1e6) {
		return 0, dist.BadFloat(op, "mean", mean, "must be at least 0 and at most 1e6 cases")
	}
	m, ok := grid(d.Reference, d.DecisionInterval, d.HeadStart)
	if !ok {
		return 0, dist.BadFloat(op, "reference", d.Reference, "must be, like decision interval and head start, a multiple of 1/m for a whole m up to 200; round it")
	}
	k, h, s0 := scaled(d.Reference, m), scaled(d.DecisionInterval, m), scaled(d.HeadStart, m)
	if h < 1 {
		return 0, dist.BadFloat(op, "decision interval", d.DecisionInterval, "is too small to be told from 0; give at least 1/200 of a case")
	}
	if h > maxCusumStates {
		return 0, dist.BadFloat(op, "decision interval", d.DecisionInterval, "makes a chain of more than 1,500 states; round it and the reference more coarsely")
	}
	p, err := dist.NewPoisson(mean)
	if err != nil {
		return 0, err
	}
	a := mat.NewDense(h, h, nil)
	ones := mat.NewVecDense(h, nil)
	for i := range h {
		ones.SetVec(i, 1)
		// Counts from x0 to x1 lead to states inside; beyond one end lies the
		// signal, beyond the other all counts lead to state 0.
		for j := range h {
			var q float64
			switch {
			case d.Side == Above && j == 0:
				q = p.CDF(floorDiv(k-i, m))
			case d.Side == Above && (j+k-i)%m == 0:
				q = p.PMF((j + k - i) / m)
			case d.Side == Below && j == 0:
				q = p.Survival(-floorDiv(-(i + k), m))
			case d.Side == Below && (i+k-j)%m == 0:
				q = p.PMF((i + k - j) / m)
			}
			a.Set(i, j, -q)
		}
		a.Set(i, i, a.At(i, i)+1)
	}
	var x mat.VecDense
	if err := x.SolveVec(a, ones); err != nil {
		if c, ok := err.(mat.Condition); !ok || math.IsInf(float64(c), 0) || float64(c) > 1e15 {
			return 0, fmt.Errorf("%s: average run length is too long to compute: %w", op, dist.ErrDomain)
		}
	}
	v := x.AtVec(s0)
	if !(v >= 1-1e-9 && v < 1e15) {
		return 0, fmt.Errorf("%s: average run length is too long to compute: %w", op, dist.ErrDomain)
	}
	return v, nil
}

// maxGrid is the finest division of a case a CUSUM's chain is built on.
const maxGrid = 200

// grid returns the least m up to maxGrid for which all values are multiples of 1/m.
func grid(values ...float64) (int, bool) {
	for m := 1; m <= maxGrid; m++ {
		ok := true
		for _, v := range values {
			s := v * float64(m)
			ok = ok && math.Abs(s-math.Round(s)) <= 1e-9*max(1, math.Abs(s))
		}
		if ok {
			return m, true
		}
	}
	return 0, false
}

func scaled(v float64, m int) int { return int(math.Round(v * float64(m))) }

// floorDiv returns floor(a/b) for b > 0.
func floorDiv(a, b int) int {
	q := a / b
	if a%b != 0 && a < 0 {
		q--
	}
	return q
}

// DesignCusum returns the CUSUM that watches for a change of the mean by the
// given ratio (1.5: a rise by half; 0.5: a halving) and gives a false alarm on
// average no more often than every arl0 periods. The reference is rounded to a
// multiple of 1/m, the decision interval is the least multiple of 1/m that meets
// arl0, and headStart starts the sum at half of it. ARL0 and ARL1 of the result
// are exact, ARL0 without the head start (as for a chart long running), ARL1
// with it.
//
// mean must be in [0.01, 1000] cases a period, ratio in [0.1, 10] but not within
// a tenth of 1, and arl0 in [2, 100000]; otherwise the error wraps
// [dist.ErrDomain].
func DesignCusum(mean, ratio, arl0 float64, headStart bool) (CusumDesign, error) {
	const op = "spc: design cusum"
	switch {
	case !(mean >= 0.01 && mean <= 1000):
		return CusumDesign{}, dist.BadFloat(op, "mean", mean, "must be at least 0.01 and at most 1000 cases a period")
	case !(ratio >= 0.1 && ratio <= 10) || math.Abs(ratio-1) < 0.1-1e-9:
		return CusumDesign{}, dist.BadFloat(op, "ratio", ratio, "must be from 0.1 to 10 and at least a tenth away from 1")
	case !(arl0 >= 2 && arl0 <= 100_000):
		return CusumDesign{}, dist.BadFloat(op, "arl0", arl0, "must be at least 2 and at most 100,000 periods")
	}
	k, err := CusumReference(mean, mean*ratio)
	if err != nil {
		return CusumDesign{}, err
	}
	m := fineness(mean, k)
	d := CusumDesign{Side: Above}
	if ratio < 1 {
		d.Side = Below
	}
	d.Reference = max(1, math.Round(k*float64(m))) / float64(m)
	// Rounding must not push the reference onto or past the mean itself, or the
	// sum would drift towards a signal while nothing has changed.
	if d.Side == Above && d.Reference <= mean {
		d.Reference = (math.Floor(mean*float64(m)) + 1) / float64(m)
	}
	if d.Side == Below && d.Reference >= mean {
		d.Reference = (math.Ceil(mean*float64(m)) - 1) / float64(m)
	}
	if d.Reference <= 0 {
		return CusumDesign{}, dist.BadFloat(op, "mean", mean, "is too small to see fall any further; chart the time between events")
	}
	arl := func(h int) (float64, error) {
		d.DecisionInterval, d.HeadStart = float64(h)/float64(m), 0
		return d.ARL(mean)
	}
	h, err := leastInterval(arl, arl0)
	if err != nil {
		return CusumDesign{}, err
	}
	if d.ARL0, err = arl(h); err != nil {
		return CusumDesign{}, err
	}
	if headStart {
		d.HeadStart = float64(h/2) / float64(m)
	}
	d.ARL1, err = d.ARL(mean * ratio)
	return d, err
}

// fineness returns the m whose multiples of 1/m are fine enough for a reference
// k between means, coarse enough for the chain.
func fineness(mean, k float64) int {
	for _, m := range []int{1, 2, 4, 10, 20, 40} {
		if 1/float64(m) <= math.Abs(k-mean)/4 || 1/float64(m) <= k/40 {
			return m
		}
	}
	return 64
}

// leastInterval returns the least h whose ARL reaches the target.
func leastInterval(arl func(int) (float64, error), target float64) (int, error) {
	lo, hi := 0, 1
	for {
		v, err := arl(hi)
		if err != nil {
			return 0, err
		}
		if v >= target {
			break
		}
		lo, hi = hi, hi*2
		if hi > maxCusumStates {
			hi = maxCusumStates
			if v, err := arl(hi); err != nil || v < target {
				return 0, dist.BadFloat("spc: design cusum", "arl0", target, "cannot be met by a chain of 1,500 states; ask for a larger change")
			}
			break
		}
	}
	for hi-lo > 1 {
		mid := lo + (hi-lo)/2
		v, err := arl(mid)
		if err != nil {
			return 0, err
		}
		if v >= target {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, nil
}
