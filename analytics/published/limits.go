package published

import (
	"fmt"
	"strconv"
	"strings"

	"fairlead/analytics/spc"
)

// limitsTopic is fixture 04: Poisson probability limits against sigma limits.
func limitsTopic() topic {
	return topic{methods: map[string]Method{
		"poisson_limits":      poissonLimits,
		"poisson_rate_limits": poissonRateLimits,
		"thresholds":          thresholds,
		"normal":              normalFalseAlarm,
	}}
}

func poissonLimits(in *Inputs) (Result, error) {
	mean, tail, k := in.Float("mean"), in.FloatOr("tail", 0.00135), in.FloatOr("k", 3)
	if err := in.Err(); err != nil {
		return nil, err
	}
	s, err := spc.SigmaLimits(mean, k)
	if err != nil {
		return nil, err
	}
	p, err := spc.ProbabilityLimits(mean, tail)
	if err != nil {
		return nil, err
	}
	const warnTail = 0.025
	w, err := spc.ProbabilityLimits(mean, warnTail)
	if err != nil {
		return nil, err
	}
	return Result{
		"sigma_ucl": s.Upper, "sigma_lcl": s.Lower, "raw_sigma_lcl": s.RawLower,
		"sigma_p_above": s.PAbove, "sigma_p_below": s.PBelow, "sigma_p_total": s.PAbove + s.PBelow, "sigma_arl0": every(s),
		"prob_upper": p.Upper, "prob_lower": p.Lower, "prob_p_above": p.PAbove, "prob_p_below": p.PBelow, "prob_arl0": every(p),
		"warn_upper_025": w.Upper, "warn_lower_025": w.Lower,
	}, nil
}

// every is the mean number of periods between false alarms, null when there are
// none.
func every(l spc.CountLimits) any {
	if n, ok := l.FalseAlarmEvery(); ok {
		return n
	}
	return nil
}

// poissonRateLimits reads its rate from an input named for its base:
// rate_per_10000.
func poissonRateLimits(in *Inputs) (Result, error) {
	exposure, tail := in.Float("exposure"), in.FloatOr("tail", 0.00135)
	base, rate := 1.0, 0.0
	found := false
	for name := range in.values {
		per, ok := strings.CutPrefix(name, "rate_per_")
		if !ok {
			continue
		}
		b, err := strconv.ParseFloat(per, 64)
		if err != nil || b <= 0 {
			return nil, fmt.Errorf("input %s: names no base", name)
		}
		base, rate, found = b, in.Float(name), true
	}
	if !found {
		rate = in.Float("rate")
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	mean := rate * exposure / base
	l, err := spc.ProbabilityLimits(mean, tail)
	if err != nil {
		return nil, err
	}
	return Result{
		"mean": mean, "upper_count": l.Upper, "lower_count": l.Lower,
		"upper_rate": l.Upper / exposure * base, "lower_rate": l.Lower / exposure * base,
		"p_above": l.PAbove, "p_below": l.PBelow,
	}, nil
}

func thresholds(in *Inputs) (Result, error) {
	tail, k := in.FloatOr("tail", 0.00135), in.FloatOr("k", 3)
	if err := in.Err(); err != nil {
		return nil, err
	}
	exact, err := spc.LeastMeanWithLowerLimit(tail)
	if err != nil {
		return nil, err
	}
	const fivePercent = 0.025
	warn, err := spc.LeastMeanWithLowerLimit(fivePercent)
	if err != nil {
		return nil, err
	}
	return Result{"three_sigma_mean": k * k, "probability_mean": exact, "two_sided_5pct_mean": warn}, nil
}

func normalFalseAlarm(in *Inputs) (Result, error) {
	p, err := spc.NormalFalseAlarm(in.FloatOr("k", 3))
	if err != nil {
		return nil, err
	}
	return Result{"p": p, "arl0": 1 / p}, nil
}
