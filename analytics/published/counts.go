package published

import "fairlead/analytics/rate"

// countTopic is fixture 01: limits for one Poisson count or rate.
func countTopic() topic {
	return topic{
		methods: map[string]Method{
			"exact_count_ci": countInterval(rate.Garwood),
			"midp_count_ci":  countInterval(rate.MidP),
			"byar_count_ci":  countInterval(rate.Byar),
			"rate_ci":        rateInterval,
		},
		alias: map[string]string{"lower": "exact_lower", "upper": "exact_upper"},
	}
}

func countInterval(m rate.Method) Method {
	return func(in *Inputs) (Result, error) {
		r, err := rate.Of(in.Int("count"), in.FloatOr("exposure", 1), 1, rate.Options{Level: in.FloatOr("conf", 0.95), Method: m})
		if err != nil {
			return nil, err
		}
		return Result{"lower": r.Lo, "upper": r.Hi, "rate": r.Value}, nil
	}
}

func rateInterval(in *Inputs) (Result, error) {
	count, exposure, level := in.Int("count"), in.Float("exposure"), in.FloatOr("conf", 0.95)
	out := Result{}
	for prefix, m := range map[string]rate.Method{"exact": rate.Garwood, "midp": rate.MidP, "byar": rate.Byar} {
		r, err := rate.Of(count, exposure, 1, rate.Options{Level: level, Method: m})
		if err != nil {
			return nil, err
		}
		out["rate"], out[prefix+"_lower"], out[prefix+"_upper"] = r.Value, r.Lo, r.Hi
	}
	if !in.Has("null_rate") {
		return out, nil
	}
	p, err := rate.TestMean(count, in.Float("null_rate")*exposure)
	if err != nil {
		return nil, err
	}
	addP(out, p)
	return out, nil
}

// addP adds p-values under the names fixtures use.
func addP(out Result, p rate.PValues) {
	out["p_less"], out["p_greater"], out["p_central"] = p.Less, p.Greater, p.Central
	out["p_minlike"], out["p_midp"] = p.MinLike, p.MidP
	out["p_less_midp"], out["p_greater_midp"] = p.MidPLess, p.MidPGreater
}
