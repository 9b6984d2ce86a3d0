package predict

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Prior is what is taken to be known about the rate before the first case is
// counted: a gamma distribution with the given shape and rate. Rate is in the
// unit of exposure, so that Shape cases in Rate units of exposure weigh as much
// as the prior does.
type Prior struct {
	Shape float64 // above 0
	Rate  float64 // exposure, at least 0
}

// Jeffreys returns the prior that lets the data speak: half a case in no
// exposure. With it the interval of a rate is close to the mid-P one.
//
// Jeffreys (1946), Proceedings of the Royal Society A 186:453-461.
func Jeffreys() Prior { return Prior{Shape: 0.5} }

// Forecast is the predictive distribution of the count in a coming period.
// The figures mean something only when Defined is true.
type Forecast struct {
	Prior     Prior
	Count     int     // cases so far
	Exposure  float64 // exposure so far, in hours or months
	Next      float64 // exposure to come, in the same unit
	PostShape float64 // the rate now is gamma-distributed with this shape
	PostRate  float64 // and this rate, in units of exposure
	Mean      float64 // cases to be expected in the coming period
	Variance  float64 // of the count: more than the mean, for the rate is not known exactly
	Method    string  // for print
	Defined   bool
	Reason    string // why it is undefined; empty when it is defined

	d distribution
}

// distribution is what a forecast asks of a discrete distribution.
type distribution interface {
	PMF(k int) float64
	CDF(k int) float64
	Survival(k int) float64
	Quantile(p float64) (int, error)
}

// Limits of the domain. Exposures may be in hours or in years; the least one is
// there so that a rate cannot overflow.
const (
	minExposure = 1e-9
	maxExposure = 1e15
	maxCount    = 100_000_000
)

// Next returns the forecast for a period of the given exposure, after count
// cases in the exposure so far, for a rate that stays as it was.
//
// The count is negative binomial: Poisson given the rate, and the rate gamma
// with shape prior.Shape + count and rate prior.Rate + exposure. Without any
// exposure so far and without prior exposure there is nothing to learn a rate
// from, and the forecast is undefined; so it is for a coming period without
// exposure.
//
// count must be in [0, 1e8], exposure and next 0 or in [1e-9, 1e15],
// prior.Shape in (0, 1e8] and prior.Rate 0 or in [1e-9, 1e15], and the count to
// be expected below 1e9; otherwise the error wraps [dist.ErrDomain].
//
// Gelman et al. (2014), Bayesian Data Analysis, 3rd edition, section 2.6.
func Next(prior Prior, count int, exposure, next float64) (Forecast, error) {
	const op = "predict: next"
	f := Forecast{Prior: prior, Count: count, Exposure: exposure, Next: next,
		Method: fmt.Sprintf("Gamma-Poisson forecast, prior of %g cases in %g units of exposure", prior.Shape, prior.Rate)}
	switch {
	case !(prior.Shape > 0 && prior.Shape <= maxCount):
		return Forecast{}, dist.BadFloat(op, "prior shape", prior.Shape, "must be above 0 and at most 1e8; 0.5 is customary")
	case !within(prior.Rate):
		return Forecast{}, dist.BadFloat(op, "prior rate", prior.Rate, "must be 0, or at least 1e-9 and at most 1e15 units of exposure")
	case count < 0 || count > maxCount:
		return Forecast{}, dist.BadInt(op, "count", count, "must be at least 0 and at most 1e8 cases")
	case !within(exposure):
		return Forecast{}, dist.BadFloat(op, "exposure", exposure, "must be 0, or at least 1e-9 and at most 1e15 units, such as hours worked")
	case !within(next):
		return Forecast{}, dist.BadFloat(op, "next exposure", next, "must be 0, or at least 1e-9 and at most 1e15 units, such as hours to be worked")
	}
	f.PostShape, f.PostRate = prior.Shape+float64(count), prior.Rate+exposure
	switch {
	case next == 0:
		f.Reason = "the coming period has no hours: there is nothing to forecast"
		return f, nil
	case f.PostRate == 0:
		f.Reason = "no hours so far: there is no rate to go by"
		return f, nil
	}
	f.Mean = f.PostShape * next / f.PostRate
	if f.Mean > dist.MaxMean {
		return Forecast{}, dist.BadFloat(op, "next exposure", next, "is too long beside the past: more than 1e9 cases would be expected")
	}
	f.Variance = f.Mean * (1 + next/f.PostRate)
	d, err := dist.NewNegativeBinomialMean(f.Mean, f.PostShape)
	if err != nil {
		return Forecast{}, fmt.Errorf("%s: %w", op, err)
	}
	f.d, f.Defined = d, true
	return f, nil
}

// KnownRate returns the forecast for a period in which mean cases are to be
// expected by a rate that is taken as known exactly, as a frozen centre line
// is. It is what [Next] tends to when the past is long, and leaves out the
// uncertainty of the rate. mean must be in [0, 1e9]; otherwise the error wraps
// [dist.ErrDomain].
func KnownRate(mean float64) (Forecast, error) {
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return Forecast{}, fmt.Errorf("predict: known rate: %w", err)
	}
	return Forecast{Mean: mean, Variance: mean, Method: "Poisson, the rate taken as known", Defined: true, d: d}, nil
}

// AtMost returns the chance that the coming period has k cases or fewer. It is
// 0 for negative k and for an undefined forecast.
func (f Forecast) AtMost(k int) float64 {
	if f.d == nil {
		return 0
	}
	return f.d.CDF(k)
}

// Below returns the chance of fewer than k cases.
func (f Forecast) Below(k int) float64 {
	if k <= 0 {
		return 0
	}
	return f.AtMost(k - 1)
}

// MoreThan returns the chance of more than k cases, on its own side: it keeps
// its digits where [Forecast.AtMost] is close to one. It is 0 for an undefined
// forecast.
func (f Forecast) MoreThan(k int) float64 {
	if f.d == nil {
		return 0
	}
	if k == math.MaxInt {
		return 0
	}
	return f.d.Survival(k + 1)
}

// Exactly returns the chance of k cases; Exactly(0) is the chance of none.
func (f Forecast) Exactly(k int) float64 {
	if f.d == nil {
		return 0
	}
	return f.d.PMF(k)
}

// Quantile returns the least k that the count stays at or below with at least
// probability p, for p in [0, 1 - 1e-12]. Other p, and an undefined forecast,
// return an error that wraps [dist.ErrDomain].
func (f Forecast) Quantile(p float64) (int, error) {
	const op = "predict: quantile"
	if f.d == nil {
		return 0, &dist.DomainError{Op: op, Arg: "forecast", Value: "undefined", Need: "must be defined: " + f.Reason}
	}
	if !(p >= 0 && p <= 1-1e-12) {
		return 0, dist.BadFloat(op, "p", p, "must be at least 0 and below 1")
	}
	k, err := f.d.Quantile(p)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", op, err)
	}
	return k, nil
}

// Range returns the counts between which the coming period falls with at least
// the given chance, with at most half the rest on either side. level must be in
// [0.5, 1 - 1e-12]; otherwise, and for an undefined forecast, the error wraps
// [dist.ErrDomain].
func (f Forecast) Range(level float64) (lo, hi int, err error) {
	if err := dist.CheckLevel("predict: range", level); err != nil {
		return 0, 0, err
	}
	if lo, err = f.Quantile((1 - level) / 2); err != nil {
		return 0, 0, err
	}
	hi, err = f.Quantile((1 + level) / 2)
	return lo, hi, err
}

// within reports whether an exposure is 0 or in the domain.
func within(x float64) bool { return x == 0 || (x >= minExposure && x <= maxExposure) }
