package compute

import (
	"fmt"
	"strings"

	"fairlead/analytics/figure"
	"fairlead/analytics/sites"
)

// placeMethods compare places without ranking them.
func placeMethods() []Method {
	return []Method{funnel(), shrinkage(), silentCrews(), beforeAfter()}
}

// mostPlaces bounds a list of places.
const mostPlaces = 1000

func placeInputs(gaps bool) []Input {
	e := Input{Name: "exposures", Type: Numbers, About: "exposure of each place", Unit: "hours worked, or any other unit", Range: exposureRange(), Required: true, Longest: mostPlaces, Gaps: gaps}
	if gaps {
		e.About += "; null where it is not known"
	}
	l := labelsInput("place")
	l.Longest, l.About = mostPlaces, `name of each place, such as "Northside depot"`
	return []Input{{Name: "counts", Type: Wholes, About: "cases at each place", Unit: "cases", Range: from(0, 1e7), Required: true, Longest: mostPlaces}, e, l}
}

// placesOf reads places with exposure per base.
func placesOf(in *inputs) []sites.Site {
	labels, exposures := in.texts("labels"), in.numbers("exposures")
	out := make([]sites.Site, len(exposures))
	for i, n := range in.wholes("counts") {
		out[i] = sites.Site{Label: placeName(labels, i), Count: n, Exposure: exposures[i] / in.number("base"), Missing: !in.knows("exposures", i)}
	}
	return out
}

func placeName(labels []string, i int) string {
	if i < len(labels) && labels[i] != "" {
		return labels[i]
	}
	return fmt.Sprintf("place %d", i+1)
}

func funnel() Method {
	const none = "null where a place has no hours"
	return Method{
		Name: "funnel", Group: Places, Also: []string{"funnel_plot", "over_dispersion", "compare_places"},
		Purpose: "Which places differ from one rate by more than chance, given how much was worked there; not a ranking",
		Inputs: join(placeInputs(true), []Input{
			{Name: "target", Type: Number, About: "rate to compare with, per base; without it, the rate of all places together", Range: above(0, 1e12)}, baseInput(),
		}, wordInputs()),
		Outputs: []Output{
			{Name: "target", About: "rate compared with, per base"}, {Name: "rates", About: "rate of each place", Null: none},
			{Name: "lower_95", About: "exact 95 % limits", Null: none}, {Name: "upper_95", About: "exact 95 % limits", Null: none},
			{Name: "lower_998", About: "exact 99.8 % limits", Null: none}, {Name: "upper_998", About: "exact 99.8 % limits", Null: none},
			{Name: "standing", About: "where each place lies, by the exact limits", Null: none}, {Name: "z", About: "distance from the target in standard deviations of chance", Null: none},
			{Name: "spread_standing", About: "the same by limits that allow for the places differing among themselves", Null: none}, {Name: "spread_z", About: "distance allowing for that", Null: none},
			{Name: "phi", About: "mean squared z: about 1 when places differ by chance only"}, {Name: "phi_winsorised", About: "the same with the outer tenths drawn in"},
			{Name: "tau2", About: "variance of the true rates between places, per base squared"}, {Name: "dispersion_p", About: "chance of as large a spread by chance alone"}, {Name: "compared", About: "places compared"},
		},
		How:     "Exact Poisson limits around the target at each place's own hours, so that of twenty equal places one is expected outside the inner ones. Where places differ among themselves by more than chance, the spread limits allow for that.",
		Source:  "Spiegelhalter (2005), Statistics in Medicine 24:1185-1202; DerSimonian and Laird (1986), Controlled Clinical Trials 7:177-188",
		Example: `{"labels": ["Northside depot", "Quarry Road depot", "Lakeside nursery", "Transfer station", "Workshop"], "counts": [9, 31, 2, 14, 3], "exposures": [310000, 640000, 95000, 180000, 61000], "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"counts", "exposures", "labels"}}, named: map[string]string{"places": "counts"},
		run: runFunnel,
	}
}

func runFunnel(in *inputs) (*answer, error) {
	w, a, base := wordsOf(in), newAnswer(), in.number("base")
	f, err := sites.FunnelOf(placesOf(in), in.number("target"))
	if err != nil {
		return nil, err
	}
	if !f.Defined {
		a.noneLeft(in.method, f.Reason)
		a.sentence = "The places cannot be compared: " + f.Reason + "."
		return a, nil
	}
	var rates, lo95, hi95, lo998, hi998, z, zs []*float64
	standing, spread := []any{}, []any{}
	var outside []string
	fig := figure.Funnel{Title: upper(w.more) + " by place", Unit: w.more + " per " + perBase(base, w.unit), ExposureUnit: w.unit, CountName: w.more, ExposureName: w.unit, SiteName: "place", Center: f.Target}
	if f.Given {
		fig.CenterName = "target"
	}
	least, most := 0.0, 0.0
	for _, s := range f.Sites {
		d := s.Defined
		rates, z, zs = append(rates, some(s.Rate, d)), append(z, some(s.Z, d)), append(zs, some(s.ZSpread, d))
		lo95, hi95 = append(lo95, some(s.Exact.Lower95, d)), append(hi95, some(s.Exact.Upper95, d))
		lo998, hi998 = append(lo998, some(s.Exact.Lower998, d)), append(hi998, some(s.Exact.Upper998, d))
		if !d {
			standing, spread = append(standing, nil), append(spread, nil)
			a.note(fmt.Sprintf("%s is not compared: %s.", s.Label, s.Reason))
			continue
		}
		standing, spread = append(standing, s.Standing.String()), append(spread, s.SpreadStanding.String())
		if s.Standing == sites.FarAbove || s.Standing == sites.FarBelow {
			outside = append(outside, fmt.Sprintf("%s (%s)", s.Label, s.Standing))
		}
		fig.Sites = append(fig.Sites, figure.Site{Name: s.Label, Exposure: s.Exposure * base, Count: float64(s.Count), Value: s.Rate, Outside: s.Standing == sites.FarAbove || s.Standing == sites.FarBelow})
		if least == 0 || s.Exposure < least {
			least = s.Exposure
		}
		most = max(most, s.Exposure)
	}
	a.puts("target", f.Target, "rates", rates, "lower_95", lo95, "upper_95", hi95, "lower_998", lo998, "upper_998", hi998, "standing", standing, "z", z, "spread_standing", spread, "spread_z", zs,
		"phi", f.Phi, "phi_winsorised", f.PhiWinsorised, "tau2", f.Tau2, "dispersion_p", f.DispersionP, "compared", f.Compared)
	a.note(f.Note)
	a.sentence = fmt.Sprintf("%s compared with %s %s per %s: none lies beyond the 99.8 %% limits.", upper(many(f.Compared, "place", "places")), num(f.Target), w.more, perBase(base, w.unit))
	if len(outside) > 0 {
		a.sentence = fmt.Sprintf("%s compared with %s %s per %s: beyond the 99.8 %% limits %s.", upper(many(f.Compared, "place", "places")), num(f.Target), w.more, perBase(base, w.unit), listed(outside))
	}
	if err := funnelCurves(&fig, f.Target, least, most, base); err != nil {
		return nil, err
	}
	a.draw = fig
	return a, nil
}

// listed joins a few names.
func listed(names []string) string {
	const most = 5
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}

// funnelCurves draws the limits over the exposures met.
func funnelCurves(f *figure.Funnel, target, least, most, base float64) error {
	if most/least > 1e6 {
		return nil // no drawing shows both ends
	}
	const steps = 60
	inner, outer := figure.Curve{Name: "95 %"}, figure.Curve{Name: "99.8 %"}
	from := min(least, most/steps)
	for i := range steps + 1 {
		x := from + (most-from)*float64(i)/steps
		l, err := sites.LimitsAt(target, x)
		if err != nil {
			return err
		}
		inner.X, inner.Lower, inner.Upper = append(inner.X, x*base), append(inner.Lower, l.Lower95), append(inner.Upper, l.Upper95)
		outer.X, outer.Lower, outer.Upper = append(outer.X, x*base), append(outer.Lower, l.Lower998), append(outer.Upper, l.Upper998)
	}
	f.Curves = []figure.Curve{inner, outer}
	return nil
}

func shrinkage() Method {
	const fit = "a distribution of rates was handed in, or the places differ no more than chance makes them"
	return Method{
		Name: "shrinkage", Group: Places, Also: []string{"empirical_bayes", "gamma_poisson", "gamma_poisson_fit", "gamma_poisson_posterior", "global_eb"},
		Purpose: "What each place's rate probably is, given that it is one of a group",
		Inputs: join(placeInputs(false), []Input{
			{Name: "alpha", Type: Number, About: "shape of the distribution of true rates, instead of estimating it", Range: from(1e-6, 1e6)},
			{Name: "beta", Type: Number, About: "its rate, in units of base", Range: from(1e-6, 1e6)}, baseInput(), levelInput(),
		}, wordInputs()),
		Outputs: []Output{
			{Name: "full_means", About: "what each rate probably is, per base, allowing for the distribution being estimated: the ones to print", Null: fit},
			{Name: "full_lowers", About: "their lower limits", Null: fit}, {Name: "full_uppers", About: "their upper limits", Null: fit},
			{Name: "means", About: "what each rate probably is, the distribution taken as known"}, {Name: "lowers", About: "lower limits, the distribution taken as known"}, {Name: "uppers", About: "upper limits, the distribution taken as known"}, {Name: "weights", About: "weight of the place's own record, 0 to 1"},
			{Name: "rates", About: "plain rates", Null: "null where a place has no exposure"},
			{Name: "alpha", About: "shape of the distribution of true rates", Null: "the places differ no more than chance makes them"}, {Name: "beta", About: "its rate", Null: "the places differ no more than chance makes them"},
			{Name: "log_likelihood", About: "marginal log-likelihood at its maximum", Null: fit}, {Name: "pooled_rate", About: "rate of all together", Null: "there is no exposure"},
			{Name: "poisson_log_likelihood", About: "log-likelihood of one rate for all", Null: fit}, {Name: "pearson", About: "chi-square of the places against one rate", Null: fit}, {Name: "df", About: "its degrees of freedom", Null: fit},
			{Name: "spread_p", About: "chance of as much spread by chance", Null: "a distribution of rates was handed in"}, {Name: "no_spread", About: "true when the places differ no more than chance makes them: every place then gets the pooled rate"},
			{Name: "moment_rates", About: "rates shrunk by moments (Marshall), as a check", Null: "there is no exposure"}, {Name: "moment_variance", About: "variance of true rates by moments", Null: "there is no exposure"},
		},
		How:     "True rates are taken as gamma-distributed over the places; the distribution is found by maximum marginal likelihood, and each place's own cases and hours are added. The less was worked at a place, the more its rate is drawn to the group's. The full intervals allow for the group's distribution being estimated; with ten places the others hold the truth in some 80 % instead of 95.",
		Source:  "Gaver and O'Muircheartaigh (1987), Technometrics 29:1-15; Marshall (1991), Applied Statistics 40:283-294",
		Example: `{"labels": ["Northside depot", "Quarry Road depot", "Lakeside nursery", "Transfer station", "Workshop"], "counts": [9, 31, 2, 14, 3], "exposures": [310000, 640000, 95000, 180000, 61000], "event": "injury", "events": "injuries"}`,
		alike:   [][]string{{"counts", "exposures", "labels"}},
		run:     runShrinkage,
	}
}

func runShrinkage(in *inputs) (*answer, error) {
	w, a, base, labels := wordsOf(in), newAnswer(), in.number("base"), in.texts("labels")
	counts, exposures := in.wholes("counts"), []float64{}
	for _, e := range in.numbers("exposures") {
		exposures = append(exposures, e/base)
	}
	m, err := sites.ShrinkByMoments(counts, exposures)
	if err != nil {
		return nil, err
	}
	a.puts("moment_rates", nil, "moment_variance", nil, "pooled_rate", nil)
	if m.Defined {
		a.puts("moment_rates", m.Rates, "moment_variance", m.Variance, "pooled_rate", m.PooledRate)
	}
	var list []sites.Shrunk
	switch {
	case in.has("alpha") != in.has("beta"):
		return nil, bad("alpha", "and beta belong together: give both, or neither to have them estimated")
	case in.has("alpha"):
		if list, err = sites.Posterior(in.number("alpha"), in.number("beta"), counts, exposures, in.number("level")); err != nil {
			return nil, err
		}
		a.puts("alpha", in.number("alpha"), "beta", in.number("beta"), "log_likelihood", nil, "poisson_log_likelihood", nil, "pearson", nil, "df", nil, "spread_p", nil, "no_spread", false)
		a.sentence = fmt.Sprintf("%s drawn towards %s per %s, the mean of the distribution handed in.", upper(many(len(list), "place", "places")), num(in.number("alpha")/in.number("beta")), perBase(base, w.unit))
	default:
		s, err := sites.Shrink(counts, exposures, in.number("level"))
		if err != nil {
			return nil, err
		}
		if !s.Defined {
			a.noneLeft(in.method, s.Reason)
			a.sentence = "The rates cannot be drawn together: " + s.Reason + "."
			return a, nil
		}
		list = s.Sites
		a.puts("alpha", some(s.Alpha, !s.NoSpread), "beta", some(s.Beta, !s.NoSpread), "log_likelihood", some(s.LogLik, !s.NoSpread), "poisson_log_likelihood", s.PoissonLogLik, "pearson", s.PearsonChi2, "df", s.DF,
			"spread_p", s.SpreadP, "no_spread", s.NoSpread, "pooled_rate", s.PooledRate)
		a.how = upper(s.Method) + ". " + in.method.How
		a.sentence = fmt.Sprintf("%s around %s per %s: they differ by %s (%s).", upper(many(len(list), "place", "places")), num(s.PooledRate), perBase(base, w.unit), chanceWords(s.SpreadP), chance(s.SpreadP))
	}
	var means, lo, hi, weights, fullMeans, fullLo, fullHi []float64
	given := in.has("alpha") // then there is nothing to allow for
	var rates []*float64
	var rows []figure.Estimate
	for i, p := range list {
		means, lo, hi, weights, rates = append(means, p.Mean), append(lo, p.Lo), append(hi, p.Hi), append(weights, p.Weight), append(rates, some(p.Raw, p.HasRaw))
		shown := p.Full
		if given {
			shown = sites.Estimate{Mean: p.Mean, Lo: p.Lo, Hi: p.Hi}
		}
		fullMeans, fullLo, fullHi = append(fullMeans, p.Full.Mean), append(fullLo, p.Full.Lo), append(fullHi, p.Full.Hi)
		rows = append(rows, figure.Estimate{Label: placeName(labels, i), Facts: fmt.Sprintf("%d in %s", counts[i], num(in.numbers("exposures")[i])), Value: shown.Mean, Lo: shown.Lo, Hi: shown.Hi, HasInterval: true})
	}
	a.puts("full_means", nil, "full_lowers", nil, "full_uppers", nil)
	if !given {
		a.puts("full_means", fullMeans, "full_lowers", fullLo, "full_uppers", fullHi)
	}
	a.puts("means", means, "lowers", lo, "uppers", hi, "weights", weights, "rates", rates)
	if len(rows) <= 60 {
		a.draw = intervalsOf("What each rate probably is", w.more+" per "+perBase(base, w.unit), "place", in.number("level"), rows)
	}
	return a, nil
}
