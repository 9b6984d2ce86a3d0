package rate

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Stratum is one class (trade, age group, kind of work) of a standardised rate.
type Stratum struct {
	Label    string
	Count    int
	Exposure float64
	Missing  bool    // the exposure is not known
	Weight   float64 // exposure of the class in the standard population, in any unit
}

// MethodGamma names the interval of a standardised rate.
const MethodGamma Method = "gamma (Fay and Feuer)"

// Standardise returns the directly standardised rate per base units of
// exposure: the rate that the standard population would have with these
// classes' own rates. It makes places with a different mix of work comparable.
// Its interval is the gamma one of Fay and Feuer, which for a single class is
// Garwood's. Count and Exposure of the result are the plain totals.
//
// A class with a weight but without hours makes the rate undefined, and the
// reason names it. Counts, exposures and base have the domain of [Of];
// weights must be at least 0, at most 1e15 and not all zero; otherwise the
// error wraps [dist.ErrDomain]. Method in o is not read.
//
// Fay and Feuer (1997), Statistics in Medicine 16:791-801.
func Standardise(strata []Stratum, base float64, o Options) (Rate, error) {
	const op = "rate: standardise"
	o.Method = MethodGamma
	var count int
	var exposure, weights float64
	var missing []string
	for i, s := range strata {
		switch arg := func(f string) string { return fmt.Sprintf("strata[%d] %s", i, f) }; {
		case s.Count < 0 || s.Count >= dist.MaxMean:
			return Rate{}, dist.BadInt(op, arg("count"), s.Count, "must be at least 0 and below 1e9 cases")
		case !s.Missing && !(s.Exposure == 0 || (s.Exposure >= 1e-9 && s.Exposure <= maxExposure)):
			return Rate{}, dist.BadFloat(op, arg("exposure"), s.Exposure, "must be 0, or at least 1e-9 and at most 1e15 units")
		case !(s.Weight == 0 || (s.Weight >= 1e-9 && s.Weight <= maxExposure)):
			return Rate{}, dist.BadFloat(op, arg("weight"), s.Weight, "must be 0, or at least 1e-9 and at most 1e15")
		}
		weights += s.Weight
		count += s.Count
		if s.Weight > 0 && (s.Missing || s.Exposure == 0) {
			missing = append(missing, s.Label)
		}
		if !s.Missing {
			exposure += s.Exposure
		}
	}
	r, err := blank(op, count, base, o)
	if err != nil {
		return Rate{}, err
	}
	switch {
	case weights == 0:
		return Rate{}, dist.BadFloat(op, "weights", 0, "must not all be zero")
	case len(missing) > 0:
		r.Reason = fmt.Sprintf("hours are missing for %s: a standardised rate needs them for every class with a weight", list(missing))
		return r, nil
	}
	r.Exposure = exposure
	var value, variance, widest float64
	for _, s := range strata {
		if s.Weight == 0 {
			continue
		}
		w := s.Weight / weights / s.Exposure
		value += w * float64(s.Count)
		variance += w * w * float64(s.Count)
		widest = max(widest, w)
	}
	tail := (1 - r.Level) / 2
	if value > 0 {
		g, err := dist.GammaQuantile(value*value/variance, tail)
		if err != nil {
			return Rate{}, err
		}
		r.Lo = g * variance / value * base
	}
	up, vu := value+widest, variance+widest*widest
	g, err := dist.GammaUpperQuantile(up*up/vu, tail)
	if err != nil {
		return Rate{}, err
	}
	r.Value, r.Hi = value*base, g*vu/up*base
	if math.IsInf(r.Hi, 0) || math.IsNaN(r.Lo) || math.IsNaN(r.Hi) {
		return Rate{}, dist.BadFloat(op, "base", base, "is out of proportion to the exposures")
	}
	r.Defined = true
	return r, nil
}
