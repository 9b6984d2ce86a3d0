package spc

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Dispersion says whether the points spread more than chance alone makes them.
// A large SigmaZ means that successive points differ by more than chance
// (reporting comes in waves, months are not alike); a small P with SigmaZ near
// 1 rather means that the level has moved.
type Dispersion struct {
	Statistic float64 // sum of squared z, chi-square distributed by chance alone
	DF        int
	P         float64 // chance of as large a statistic
	Ratio     float64 // Statistic / DF: variance over what chance makes; 1 by chance
	SigmaZ    float64 // Laney's sigma z: mean moving range of z over 1.128
	Defined   bool
}

// d2 for moving ranges of two, as the trade rounds it; exactly 2/sqrt(pi).
const d2 = 1.128

// DispersionTest tests whether counts over exposures are spread as chance alone
// would spread them: the sum over periods of (count - expected)^2 / expected,
// compared with a chi-square distribution on one degree of freedom less than
// there are periods. exposures may be nil for equal exposure; otherwise it must
// be as long as counts, or the call panics. Fewer than two periods, or no
// cases, leave the result undefined. Counts must be in [0, 1e9) and exposures
// above 0; otherwise the error wraps [dist.ErrDomain].
//
// Wetherill and Brown (1991), Statistical Process Control, pp. 216-218.
func DispersionTest(counts []int, exposures []float64) (Dispersion, error) {
	if exposures != nil && len(exposures) != len(counts) {
		panic("spc: dispersion test: counts and exposures differ in length")
	}
	o := Options{Kind: C}
	periods := make([]Period, len(counts))
	for i, c := range counts {
		periods[i] = Period{Count: c}
		if exposures != nil {
			o.Kind = U
			if !(exposures[i] > 0) {
				return Dispersion{}, dist.BadFloat("spc: dispersion test", fmt.Sprintf("exposures[%d]", i), exposures[i], "must be above 0")
			}
			periods[i].Exposure = exposures[i]
		}
	}
	c, err := New(periods, o)
	if err != nil {
		return Dispersion{}, err
	}
	return c.Dispersion, nil
}

// dispersionOf adds up the dispersion of the baselines of all phases. A centre
// computed from its baseline costs a degree of freedom, a given one does not.
func dispersionOf(points []Point, bases [][]int, phases []Phase) Dispersion {
	var d Dispersion
	var all []int
	for i, base := range bases {
		if !phases[i].Given {
			d.DF--
		}
		for _, k := range base {
			p := &points[k] // a point is too large to copy for each look
			if p.PlainSigma == 0 {
				return Dispersion{} // no cases: nothing to spread
			}
			z := (p.Value - p.Center) / p.PlainSigma
			d.Statistic += z * z
			d.DF++
		}
		all = append(all, base...)
	}
	if d.DF < 1 {
		return Dispersion{}
	}
	p, err := dist.ChiSquareTail(d.Statistic, float64(d.DF))
	if err != nil {
		return Dispersion{} // a statistic past float64: nothing to report
	}
	d.P, d.Ratio, d.Defined = p, d.Statistic/float64(d.DF), true
	d.SigmaZ, _ = sigmaZ(points, all)
	return d
}

// sigmaZ returns the mean moving range of plain z over d2, for the given points
// in order. Ranges across a gap, a point left out, or a phase do not count. It
// is undefined without a range, and when nothing moves at all.
func sigmaZ(points []Point, index []int) (float64, bool) {
	var sum float64
	n := 0
	for k := 1; k < len(index); k++ {
		a, b := &points[index[k-1]], &points[index[k]]
		if index[k] != index[k-1]+1 || a.Missing || b.Missing || a.Phase != b.Phase || a.PlainSigma == 0 || b.PlainSigma == 0 {
			continue
		}
		sum += math.Abs((b.Value-b.Center)/b.PlainSigma - (a.Value-a.Center)/a.PlainSigma)
		n++
	}
	if n == 0 || sum == 0 {
		return 0, false
	}
	return sum / float64(n) / d2, true
}
