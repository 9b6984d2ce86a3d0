package rate

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Quotient is a measure that is one number over another but no count of
// independent cases, so that it has no Poisson interval: days lost per case,
// days lost per million hours. Value means something only when Defined is true.
type Quotient struct {
	Numerator   float64
	Denominator float64
	Base        float64
	Value       float64 // Numerator * Base / Denominator
	Defined     bool
	Reason      string // why it is undefined; empty when it is defined
}

// Ratio returns numerator per base units of denominator. A denominator of zero
// gives an undefined quotient whose reason speaks of denominatorName ("cases",
// "hours worked"). numerator and denominator must be finite and not negative
// and base above 0; otherwise the error wraps [dist.ErrDomain] and names the
// argument.
func Ratio(numerator, denominator, base float64, denominatorName string) (Quotient, error) {
	const op, need = "rate: ratio", "must be at least 0 and finite"
	switch {
	case !(numerator >= 0 && numerator <= maxExposure):
		return Quotient{}, dist.BadFloat(op, "numerator", numerator, need)
	case !(denominator >= 0 && denominator <= maxExposure):
		return Quotient{}, dist.BadFloat(op, "denominator ("+denominatorName+")", denominator, need)
	case !(base > 0 && base <= maxExposure):
		return Quotient{}, dist.BadFloat(op, "base", base, "must be above 0")
	}
	q := Quotient{Numerator: numerator, Denominator: denominator, Base: base}
	if denominator == 0 {
		q.Reason = fmt.Sprintf("there are no %s to divide by", denominatorName)
		return q, nil
	}
	q.Value = numerator * base / denominator
	if math.IsInf(q.Value, 0) {
		return Quotient{}, dist.BadFloat(op, "denominator ("+denominatorName+")", denominator, "is too small: the quotient overflows")
	}
	q.Defined = true
	return q, nil
}

// AverageTimeLost returns days lost per case (AS 1885.1 average time lost rate,
// the duration rate of some regulators). days are counted by the convention of
// the caller, with any charge for a death or permanent incapacity included;
// cases must cover the same occurrences. No case gives an undefined quotient.
func AverageTimeLost(days float64, cases int) (Quotient, error) {
	return Ratio(days, float64(cases), 1, "cases")
}

// SeverityRate returns days lost per base hours worked. It is the frequency
// rate times the average time lost, and is only comparable with figures that
// count and charge days by the same convention.
func SeverityRate(days, hours, base float64) (Quotient, error) {
	return Ratio(days, hours, base, "hours worked")
}

// Share is a part of a whole with its exact interval, all as proportions in
// [0, 1]. Value, Lo and Hi mean something only when Defined is true.
type Share struct {
	Count   int
	Of      int
	Value   float64
	Lo, Hi  float64
	Level   float64
	Method  string
	Defined bool
	Reason  string
}

// ShareOf returns count out of n with its exact (Clopper-Pearson) interval at
// the given two-sided level: the severe share of lost-time cases, the share of
// actions closed on time. n = 0 gives an undefined share. count must be in
// [0, n] and level at least 0.5 and below 1; otherwise the error wraps
// [dist.ErrDomain].
//
// Clopper and Pearson (1934), Biometrika 26:404-413.
func ShareOf(count, n int, level float64) (Share, error) {
	if err := dist.CheckLevel("rate: share", level); err != nil {
		return Share{}, err
	}
	if n < 0 {
		return Share{}, dist.BadInt("rate: share", "n", n, "must not be negative")
	}
	if count < 0 || count > n {
		return Share{}, dist.BadInt("rate: share", "count", count, fmt.Sprintf("must be at least 0 and at most n = %d", n))
	}
	s := Share{Count: count, Of: n, Level: level, Method: "exact (Clopper-Pearson)"}
	if n == 0 {
		s.Reason = "there is nothing to take a share of"
		return s, nil
	}
	lo, hi, err := dist.BinomialLimits(count, n, (1-level)/2)
	if err != nil {
		return Share{}, err
	}
	s.Value, s.Lo, s.Hi, s.Defined = float64(count)/float64(n), lo, hi, true
	return s, nil
}

// Spacing is the mean exposure between cases: hours worked per injury. With no
// case the mean is unknown but has a lower limit. With few cases the upper
// limit may be open.
type Spacing struct {
	Count    int
	Exposure float64
	Value    float64 // Exposure / Count, when Defined
	Lo       float64 // at least so much, at Level
	Hi       float64 // at most so much, unless HiOpen
	HiOpen   bool    // no upper limit follows from these data
	Level    float64
	Method   Method
	Defined  bool
	Reason   string
}

// MeanBetween returns the mean exposure between cases, the reciprocal of the
// rate, with the reciprocals of its exact limits. With no case it is undefined,
// Lo is still given ("at least"), and HiOpen is true. The domain is that of
// [Of].
func MeanBetween(count int, exposure, level float64) (Spacing, error) {
	r, err := Of(count, exposure, 1, Options{Level: level})
	if err != nil {
		return Spacing{}, err
	}
	s := Spacing{Count: count, Exposure: exposure, Level: r.Level, Method: r.Method, HiOpen: true}
	if !r.Defined {
		s.Reason = r.Reason
		return s, nil
	}
	s.Lo = 1 / r.Hi
	if count == 0 {
		s.Reason = "no case so far: the mean is at least the lower limit"
		return s, nil
	}
	s.Value, s.Hi, s.HiOpen, s.Defined = exposure/float64(count), 1/r.Lo, false, true
	return s, nil
}

// PercentChange returns the change from one figure to another in per cent. It
// is undefined when from is zero. Both must be finite and not negative;
// otherwise the error wraps [dist.ErrDomain].
func PercentChange(from, to float64) (Quotient, error) {
	q, err := Ratio(to, from, 100, "cases or hours in the first figure")
	if err != nil {
		return Quotient{}, err
	}
	if q.Defined {
		q.Value = 100 * (to - from) / from
	}
	return q, nil
}
