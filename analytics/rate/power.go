package rate

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Detectable says how much exposure it takes until a change of a given size
// could be seen. Exposure, Expected and Power mean something only when Defined
// is true.
type Detectable struct {
	Ratio    float64 // the change asked about: 0.5 is a halving of the rate
	Exposure float64 // hours needed from now on
	Expected float64 // cases to be expected in them if the change is real
	Power    float64 // chance that the test then shows it
	Target   float64 // chance asked for
	Level    float64
	Defined  bool
	Reason   string // why no exposure would do; empty when Defined
}

// DetectOptions says what "could be seen" means. The zero value asks for a
// chance of 80 % at the 95 % level, with the past rate as uncertain as its
// count makes it.
type DetectOptions struct {
	Power     float64 // 0 means 0.8
	Level     float64 // two-sided; 0 means 0.95
	KnownPast bool    // take the past rate as known exactly, as a frozen centre line does
}

// Detect returns the exposure from now on after which a change of the rate by
// the given ratio would be shown, with the chance asked for, by the exact
// two-sided test against the past. Because counts are whole, the chance does
// not rise smoothly with exposure; the exposure returned is one at which the
// target is reached and just below which it is not.
//
// Where the past holds too few cases, no exposure would do: the past rate is
// then too uncertain itself, and the result says so. So it does when the past
// has no case or no hours.
//
// past.Count must be in [0, 1e6], past.Exposure 0 or in [1e-9, 1e15], ratio in
// [0, 1000] and not 1, o.Power in [0.05, 0.999]; otherwise the error wraps
// [dist.ErrDomain].
//
// The test is that of [Compare], or of [TestMean] when the past is taken as
// known; its power is summed exactly.
func Detect(past Sample, ratio float64, o DetectOptions) (Detectable, error) {
	const op = "rate: detect"
	if o.Power == 0 {
		o.Power = 0.8
	}
	if _, _, err := blankComparison(op, past, Sample{}, 1, Options{Level: o.Level}); err != nil {
		return Detectable{}, err
	}
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	switch {
	case past.Count > 1_000_000:
		return Detectable{}, dist.BadInt(op, "past count", past.Count, "must be at most 1,000,000 cases")
	case !(ratio >= 0 && ratio <= 1000) || ratio == 1:
		return Detectable{}, dist.BadFloat(op, "ratio", ratio, "must be at least 0, at most 1000, and not 1")
	case !(o.Power >= 0.05 && o.Power <= 0.999):
		return Detectable{}, dist.BadFloat(op, "power", o.Power, "must be at least 0.05 and at most 0.999, such as 0.8")
	}
	d := Detectable{Ratio: ratio, Target: o.Power, Level: o.Level}
	if past.Exposure == 0 || past.Count == 0 {
		d.Reason = "the past has no cases or no hours: there is no rate a change could be measured against"
		return d, nil
	}
	rate := float64(past.Count) / past.Exposure
	if !o.KnownPast {
		lo, hi, err := PoissonInterval(past.Count, o.Level)
		if err != nil {
			return Detectable{}, err
		}
		if r := ratio * float64(past.Count); r >= lo && r <= hi {
			d.Reason = fmt.Sprintf("the past rate rests on %d cases and is itself too uncertain: however many hours follow, a change of this size lies inside its interval", past.Count)
			return d, nil
		}
	}
	power := func(exposure float64) (float64, error) { return detectPower(past, rate*ratio*exposure, exposure, o) }
	// From one expected case of the past rate, double until the target is met.
	lo, hi := 0.0, 1/rate
	for {
		p, err := power(hi)
		if err != nil {
			return Detectable{}, err
		}
		if p >= o.Power {
			break
		}
		lo, hi = hi, hi*2
		if hi*rate > 1e7 || hi > maxExposure {
			d.Reason = "it would take more hours than can be worked: the change is too small against the uncertainty of the past"
			return d, nil
		}
	}
	for range 40 {
		mid := (lo + hi) / 2
		p, err := power(mid)
		if err != nil {
			return Detectable{}, err
		}
		if p >= o.Power {
			hi = mid
		} else {
			lo = mid
		}
		if hi-lo < 1e-6*hi {
			break
		}
	}
	p, err := power(hi)
	if err != nil {
		return Detectable{}, err
	}
	d.Exposure, d.Expected, d.Power, d.Defined = hi, rate*ratio*hi, p, true
	return d, nil
}

// detectPower is the chance that a Poisson count of the given mean, over the
// given exposure, is shown to differ from the past.
func detectPower(past Sample, mean, exposure float64, o DetectOptions) (float64, error) {
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return 0, err
	}
	tail := (1 - o.Level) / 2
	expected := float64(past.Count) / past.Exposure * exposure
	// one-sided p-values of a future count x
	var less, greater func(x int) (float64, error)
	if o.KnownPast {
		known, err := dist.NewPoisson(expected)
		if err != nil {
			return 0, err
		}
		less = func(x int) (float64, error) { return known.CDF(x), nil }
		greater = func(x int) (float64, error) { return known.Survival(x), nil }
	} else {
		p := exposure / (exposure + past.Exposure)
		less = func(x int) (float64, error) {
			b, err := dist.NewBinomial(x+past.Count, p)
			return b.CDF(x), err
		}
		greater = func(x int) (float64, error) {
			b, err := dist.NewBinomial(x+past.Count, p)
			return b.Survival(x), err
		}
	}
	var failed error
	ask := func(f func(int) (float64, error), x int) float64 {
		v, err := f(x)
		if err != nil {
			failed = err
		}
		return v
	}
	// less rises with x and greater falls: each region is a tail.
	const top = 100_000_000 // counts no exposure here expects
	up := firstInt(0, func(x int) bool { return x >= top || ask(greater, x) <= tail })
	down := firstInt(0, func(x int) bool { return x >= top || ask(less, x) > tail }) - 1
	if failed != nil {
		return 0, failed
	}
	return math.Min(1, d.Survival(up)+d.CDF(down)), nil
}
