package rate

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// PerMillion and PerTwoHundredThousand are the two bases in common use, in
// hours worked: AS 1885.1 and the ILO resolution of 1998 count per million
// hours, 29 CFR 1904 per 200,000 hours (100 full-time workers for a year).
const (
	PerMillion             = 1_000_000
	PerTwoHundredThousand  = 200_000
	defaultLevel           = 0.95
	maxExposure            = 1e15
	noExposure             = "no hours recorded for this period: a rate needs them"
	zeroExposure           = "the hours for this period are zero: a rate needs hours worked"
	zeroExposureWithCounts = "cases are recorded but the hours are zero: check the hours"
)

// Rate is a count over an exposure, with its interval and everything needed to
// print it. Value, Lo and Hi mean something only when Defined is true;
// otherwise they are zero and Reason says in words what is missing.
type Rate struct {
	Count    int     // cases
	Exposure float64 // hours worked, or whatever Base counts
	Base     float64 // the rate is per Base units of exposure
	Value    float64 // Count * Base / Exposure
	Lo, Hi   float64 // limits of the interval, in the unit of Value
	Level    float64 // two-sided coverage of the interval
	Method   Method  // how the interval was worked out
	Defined  bool
	Reason   string // why the rate is undefined; empty when it is defined
}

// Options choose the interval of a rate. The zero value asks for the exact
// 95 % interval.
type Options struct {
	Level  float64 // two-sided coverage; 0 means 0.95
	Method Method  // empty means Garwood
}

// Of returns the rate of count cases in the given exposure, per base units of
// it. An exposure of zero gives an undefined rate with a reason, and no error:
// it happens to every new crew. Zero cases with hours give a rate of zero with
// its upper limit.
//
// count must be in [0, 1e9), exposure in [0, 1e15] and base above 0;
// other arguments, an unknown method or a level outside [0.5, 1) return an
// error that wraps [dist.ErrDomain]. For hours that are not known ask
// [Missing].
func Of(count int, exposure, base float64, o Options) (Rate, error) {
	const op = "rate: of"
	r, err := blank(op, count, base, o)
	if err != nil {
		return Rate{}, err
	}
	if !(exposure >= 0 && exposure <= maxExposure) {
		return Rate{}, dist.BadFloat(op, "exposure", exposure, "must be at least 0 and at most 1e15 units, such as hours worked")
	}
	r.Exposure = exposure
	if exposure == 0 {
		r.Reason = zeroExposure
		if count > 0 {
			r.Reason = zeroExposureWithCounts
		}
		return r, nil
	}
	lo, hi, err := r.Method.interval(count, exposure, r.Level)
	if err != nil {
		return Rate{}, err
	}
	per := base / exposure
	r.Value, r.Lo, r.Hi = float64(count)*per, lo*per, hi*per
	if math.IsInf(r.Hi, 0) {
		return Rate{}, dist.BadFloat(op, "exposure", exposure, "is too small for the base: the rate overflows")
	}
	r.Defined = true
	return r, nil
}

// Missing returns the undefined rate of count cases whose exposure is not
// known. The arguments have the domain of [Of].
func Missing(count int, base float64, o Options) (Rate, error) {
	r, err := blank("rate: missing", count, base, o)
	if err != nil {
		return Rate{}, err
	}
	r.Reason = noExposure
	return r, nil
}

// blank returns a rate with its labels checked and filled in.
func blank(op string, count int, base float64, o Options) (Rate, error) {
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	if o.Method == "" {
		o.Method = Garwood
	}
	if err := dist.CheckLevel(op, o.Level); err != nil {
		return Rate{}, err
	}
	if count < 0 || count >= dist.MaxMean {
		return Rate{}, dist.BadInt(op, "count", count, "must be at least 0 and below 1e9 cases")
	}
	if !(base > 0 && base <= maxExposure) {
		return Rate{}, dist.BadFloat(op, "base", base, "must be above 0, such as 1,000,000 hours")
	}
	return Rate{Count: count, Base: base, Level: o.Level, Method: o.Method}, nil
}

// Rebase returns r per another base: 1.2 per 200,000 hours is 6.0 per million.
// Only the scale changes; an undefined rate stays undefined. base must be above
// 0; otherwise the error wraps [dist.ErrDomain].
func (r Rate) Rebase(base float64) (Rate, error) {
	if !(base > 0 && base <= maxExposure) {
		return Rate{}, dist.BadFloat("rate: rebase", "base", base, "must be above 0, such as 1,000,000 hours")
	}
	if r.Base <= 0 {
		return Rate{}, dist.BadFloat("rate: rebase", "rate base", r.Base, "must be above 0: make the rate with Of")
	}
	f := base / r.Base
	r.Base, r.Value, r.Lo, r.Hi = base, r.Value*f, r.Lo*f, r.Hi*f
	return r, nil
}

// Part is one period, place or crew of a pooled rate: cases, and the exposure
// they arose in. Missing says that the exposure is not known; Exposure is then
// not read.
type Part struct {
	Label    string // named in the reason when its exposure is missing
	Count    int
	Exposure float64
	Missing  bool
}

// Pool returns the rate of all parts together as the ratio of their sums,
// which weighs each hour alike; the mean of the parts' rates would not. If any
// part lacks its exposure the pooled rate is undefined and the reason names
// the parts, because counting their cases over other parts' hours would inflate
// it. No part at all gives an undefined rate.
//
// Each part has the domain of [Of].
func Pool(parts []Part, base float64, o Options) (Rate, error) {
	var count int
	var exposure float64
	var missing []string
	for i, p := range parts {
		if p.Count < 0 || p.Count >= dist.MaxMean {
			return Rate{}, dist.BadInt("rate: pool", fmt.Sprintf("parts[%d] count", i), p.Count, "must be at least 0 and below 1e9 cases")
		}
		count += p.Count
		if p.Missing {
			missing = append(missing, p.Label)
			continue
		}
		if !(p.Exposure >= 0 && p.Exposure <= maxExposure) {
			return Rate{}, dist.BadFloat("rate: pool", fmt.Sprintf("parts[%d] exposure", i), p.Exposure, "must be at least 0 and at most 1e15 units")
		}
		exposure += p.Exposure
	}
	if len(missing) > 0 || len(parts) == 0 {
		r, err := Missing(count, base, o)
		if len(missing) > 0 {
			r.Reason = fmt.Sprintf("hours are missing for %d of %d parts (%s): a rate over all of them needs both series complete", len(missing), len(parts), list(missing))
		}
		return r, err
	}
	return Of(count, exposure, base, o)
}

// list joins the first few labels for a sentence.
func list(labels []string) string {
	const shown = 3
	s := ""
	for i, l := range labels {
		if i == shown {
			return s + fmt.Sprintf(" and %d more", len(labels)-shown)
		}
		if i > 0 {
			s += ", "
		}
		if l == "" {
			l = "unnamed"
		}
		s += l
	}
	return s
}
