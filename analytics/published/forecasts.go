package published

import "fairlead/analytics/predict"

// forecastTopic is fixture 15: the chance that next year's count stays at or
// below a target.
func forecastTopic() topic {
	return topic{methods: map[string]Method{
		"predictive":    predictive,
		"poisson_limit": poissonLimit,
	}}
}

func predictive(in *Inputs) (Result, error) {
	prior := predict.Prior{Shape: in.FloatOr("prior_shape", predict.Jeffreys().Shape), Rate: in.FloatOr("prior_rate", 0)}
	events, exposure, next, target := in.Int("events"), in.Float("exposure"), in.Float("next_exposure"), in.Int("target")
	if err := in.Err(); err != nil {
		return nil, err
	}
	f, err := predict.Next(prior, events, exposure, next)
	if err != nil {
		return nil, err
	}
	if !f.Defined {
		return nil, undefined(f.Reason)
	}
	return forecastResult(f, target)
}

func poissonLimit(in *Inputs) (Result, error) {
	mean, target := in.Float("mean"), in.Int("target")
	if err := in.Err(); err != nil {
		return nil, err
	}
	f, err := predict.KnownRate(mean)
	if err != nil {
		return nil, err
	}
	return forecastResult(f, target)
}

func forecastResult(f predict.Forecast, target int) (Result, error) {
	out := Result{
		"post_shape": f.PostShape, "post_rate": f.PostRate, "mean": f.Mean, "variance": f.Variance,
		"p_at_most": f.AtMost(target), "p_below": f.Below(target), "p_more": f.MoreThan(target), "p_zero": f.Exactly(0),
	}
	for name, p := range map[string]float64{"q05": 0.05, "q25": 0.25, "q50": 0.5, "q75": 0.75, "q95": 0.95} {
		k, err := f.Quantile(p)
		if err != nil {
			return nil, err
		}
		out[name] = k
	}
	return out, nil
}
