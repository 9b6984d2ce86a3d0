package published

import "fairlead/analytics/change"

// changeTopic is fixture 09: one change point in a Poisson series.
func changeTopic() topic {
	return topic{
		methods: map[string]Method{
			"change_point":            changePoint,
			"change_point_continuous": changeMoment,
		},
		// The data file holds dates to six decimals of a year; the expected values
		// were computed from unrounded ones.
		loose: map[string]float64{"change_point_continuous": 1e-7},
	}
}

func changePoint(in *Inputs) (Result, error) {
	counts := in.Ints("counts", "count", "events", "disasters", "cases", "y")
	var exposures []float64
	if in.HasList("exposure", "exposures", "hours") {
		exposures = in.Floats("exposure", "exposures", "hours")
		per := in.FloatOr("per", 1)
		for i := range exposures {
			exposures[i] /= per
		}
	}
	o := change.Options{MinSegment: in.IntOr("min_segment", 0)}
	if err := in.Err(); err != nil {
		return nil, err
	}
	p, err := change.Find(counts, exposures, o)
	if err != nil {
		return nil, err
	}
	if !p.Defined {
		return nil, undefined(p.Reason)
	}
	return Result{
		"k": p.After, "rate_before": p.RateBefore, "rate_after": p.RateAfter, "rate_overall": p.RateOverall,
		"lr": p.LR, "max_loglik_gain": p.LR / 2,
		// Worked out exactly; what is simulated is the value it is held against.
		"p_value_simulated": p.PValue, "p_value": p.PValue,
		"posterior_gamma_1_1": Result{
			"mode_k": p.Mode, "p_mode": p.Posterior[p.Mode], "mean_k": p.MeanDate(), "p_within_2": p.Within(2),
		},
	}, nil
}

func changeMoment(in *Inputs) (Result, error) {
	times := in.Floats("times", "time", "date", "dates", "t")
	start, end := in.Float("start"), in.Float("end")
	if err := in.Err(); err != nil {
		return nil, err
	}
	m, err := change.FindInTime(times, start, end, change.Options{})
	if err != nil {
		return nil, err
	}
	if !m.Defined {
		return nil, undefined(m.Reason)
	}
	return Result{
		"tau": m.At, "events_before": m.EventsBefore, "rate_before": m.RateBefore, "rate_after": m.RateAfter,
		"lr": m.LR, "p_value_simulated": m.PValue,
	}, nil
}
