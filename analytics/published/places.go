package published

import (
	"strconv"
	"strings"

	"fairlead/analytics/sites"
)

// siteTopic is fixture 11: funnel limits and shrinkage.
func siteTopic() topic {
	return topic{methods: map[string]Method{
		"gamma_poisson_fit":       gammaPoissonFit,
		"gamma_poisson_posterior": gammaPoissonPosterior,
		"global_eb":               globalEB,
		"funnel":                  funnel,
		"funnel_limits":           funnelLimits,
	}}
}

func countsAndExposure(in *Inputs) (counts []int, exposures []float64) {
	counts = in.Ints("counts", "count", "events", "failures", "cases", "y")
	exposures = in.Floats("exposure", "exposures", "hours", "thousand_hours", "t")
	per := in.FloatOr("per", 1)
	for i := range exposures {
		exposures[i] /= per
	}
	return counts, exposures
}

func gammaPoissonFit(in *Inputs) (Result, error) {
	counts, exposures := countsAndExposure(in)
	level := in.FloatOr("conf", 0.95)
	if err := in.Err(); err != nil {
		return nil, err
	}
	s, err := sites.Shrink(counts, exposures, level)
	if err != nil {
		return nil, err
	}
	if !s.Defined {
		return nil, undefined(s.Reason)
	}
	out := shrunk(s.Sites)
	out["converges"], out["pooled_rate"], out["poisson_loglik"] = !s.NoSpread, s.PooledRate, s.PoissonLogLik
	out["pearson_chi2"], out["df"] = s.PearsonChi2, s.DF
	if !s.NoSpread {
		out["alpha"], out["beta"], out["loglik"] = s.Alpha, s.Beta, s.LogLik
	}
	return out, nil
}

func gammaPoissonPosterior(in *Inputs) (Result, error) {
	counts, exposures := countsAndExposure(in)
	alpha, beta, level := in.Float("alpha"), in.Float("beta"), in.FloatOr("conf", 0.95)
	if err := in.Err(); err != nil {
		return nil, err
	}
	p, err := sites.Posterior(alpha, beta, counts, exposures, level)
	if err != nil {
		return nil, err
	}
	return shrunk(p), nil
}

func shrunk(list []sites.Shrunk) Result {
	var mean, lo, hi, weight []float64
	var raw []any
	for _, s := range list {
		mean, lo, hi, weight = append(mean, s.Mean), append(lo, s.Lo), append(hi, s.Hi), append(weight, s.Weight)
		if s.HasRaw {
			raw = append(raw, s.Raw)
		} else {
			raw = append(raw, nil)
		}
	}
	return Result{"post_mean": mean, "post_lower": lo, "post_upper": hi, "weight_on_site": weight, "raw_rate": raw}
}

func globalEB(in *Inputs) (Result, error) {
	counts, exposures := countsAndExposure(in)
	if err := in.Err(); err != nil {
		return nil, err
	}
	m, err := sites.ShrinkByMoments(counts, exposures)
	if err != nil {
		return nil, err
	}
	if !m.Defined {
		return nil, undefined(m.Reason)
	}
	return Result{"m": m.PooledRate, "A": m.Variance, "shrunk": m.Rates}, nil
}

func funnel(in *Inputs) (Result, error) {
	counts, exposures := countsAndExposure(in)
	target := in.FloatOr("target", 0)
	if err := in.Err(); err != nil {
		return nil, err
	}
	places := make([]sites.Site, len(counts))
	for i := range places {
		places[i].Count = counts[i]
		if i < len(exposures) {
			places[i].Exposure = exposures[i]
		}
	}
	f, err := sites.FunnelOf(places, target)
	if err != nil {
		return nil, err
	}
	if !f.Defined {
		return nil, undefined(f.Reason)
	}
	lists := map[string][]float64{}
	add := func(name string, v float64) { lists[name] = append(lists[name], v) }
	for _, s := range f.Sites {
		add("rate", s.Rate)
		add("z", s.Z)
		add("z_random", s.ZSpread)
		for _, l := range []struct {
			name string
			sites.Limits
		}{{"exact", s.Exact}, {"normal", s.Normal}, {"random", s.Spread}} {
			add(l.name+"_lower_95", l.Lower95)
			add(l.name+"_upper_95", l.Upper95)
			add(l.name+"_lower_998", l.Lower998)
			add(l.name+"_upper_998", l.Upper998)
		}
	}
	out := Result{"target": f.Target, "phi": f.Phi, "phi_winsorised_10": f.PhiWinsorised, "tau2_additive": f.Tau2}
	for name, l := range lists {
		out[name] = l
	}
	return out, nil
}

// funnelLimits gives one list for each probability, named by its digits: p025
// for 0.025.
func funnelLimits(in *Inputs) (Result, error) {
	target, exposures, ps := in.Float("target"), in.Floats("exposure"), in.Floats("p")
	if err := in.Err(); err != nil {
		return nil, err
	}
	out := Result{}
	for _, p := range ps {
		var list []float64
		for _, e := range exposures {
			l, err := sites.FunnelLimit(target, e, p)
			if err != nil {
				return nil, err
			}
			list = append(list, l)
		}
		digits := strings.TrimPrefix(strconv.FormatFloat(p, 'f', -1, 64), "0.")
		out["p"+digits] = list
		for len(digits) < 3 {
			digits += "0"
		}
		out["p"+digits] = list
	}
	return out, nil
}
