package published

import "fairlead/analytics/rate"

// ratioTopic is fixture 02: two rates compared.
func ratioTopic() topic {
	return topic{
		methods: map[string]Method{"rate_ratio": rateRatio},
		alias: map[string]string{
			"lower": "exact_lower", "upper": "exact_upper",
			"p_greater_exact": "p_greater", "p_less_exact": "p_less",
			"etest_p_greater":            "etest_unpooled_p_greater",
			"unpooled_statistic_greater": "etest_unpooled_statistic",
			"unpooled_statistic":         "etest_unpooled_statistic",
			"pooled_statistic":           "etest_pooled_statistic",
		},
	}
}

func rateRatio(in *Inputs) (Result, error) {
	a := rate.Sample{Count: in.Int("count1"), Exposure: in.FloatOr("exposure1", 1)}
	b := rate.Sample{Count: in.Int("count2"), Exposure: in.FloatOr("exposure2", 1)}
	null, level := in.FloatOr("null_ratio", 1), in.FloatOr("conf", 0.95)
	if err := in.Err(); err != nil {
		return nil, err
	}
	out := Result{}
	for prefix, m := range map[string]rate.Method{"exact": rate.Garwood, "midp": rate.MidP} {
		c, err := rate.Compare(a, b, null, rate.Options{Level: level, Method: m})
		if err != nil {
			return nil, err
		}
		if !c.Defined {
			return Result{"rate_ratio": nil, "reason": c.Reason}, nil
		}
		out[prefix+"_lower"] = c.Lo
		out[prefix+"_upper"] = open(c.Hi, c.HiOpen)
		out["rate_ratio"] = open(c.Ratio, c.RatioOpen)
		addP(out, c.P)
	}
	for name, pooled := range map[string]bool{"unpooled": false, "pooled": true} {
		e, err := rate.ETest(a, b, pooled)
		if err != nil {
			return nil, err
		}
		out["etest_"+name+"_statistic"] = e.Statistic
		out["etest_"+name+"_p"] = e.PTwoSided
		out["etest_"+name+"_p_greater"] = e.PGreater
	}
	return out, nil
}

// open turns a value without bound into null.
func open(v float64, unbounded bool) any {
	if unbounded {
		return nil
	}
	return v
}
