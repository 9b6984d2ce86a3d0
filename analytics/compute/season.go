package compute

import (
	"fmt"
	"math"
	"time"

	"fairlead/analytics/change"
	"fairlead/analytics/figure"
	"fairlead/analytics/rate"

	"gonum.org/v1/gonum/mathext"
)

func seasonality() Method {
	season := seasonInputs()
	season[0].Required, season[0].About = true, "where the first period stands in the year, such as 7 for July"
	return Method{
		Name: "seasonality", Group: Changes, Also: []string{"season", "monthly_pattern"},
		Purpose: "Whether a series has a season, and which times of the year stand out",
		Inputs: join(rateSeries(false), []Input{
			{Name: "shape", Type: Text, About: "waves (few coefficients) or one level for each period of the year", Choices: []string{"waves", "each"}, Default: "waves"},
			{Name: "trend", Type: YesNo, About: "allow for a steady trend", Default: true}, baseInput(), levelInput(),
		}, season, wordInputs(), []Input{periodInput()}),
		Outputs: []Output{
			{Name: "statistic", About: "likelihood ratio of the fit with the season against the one without"}, {Name: "df", About: "its degrees of freedom"}, {Name: "p_value", About: "chance of as large a one, for Poisson counts"},
			{Name: "f_statistic", About: "the same over the dispersion of the counts"}, {Name: "f_p", About: "chance of as large a one, also for counts that spread more than Poisson ones"},
			{Name: "dispersion", About: "spread of the counts around the season over what chance makes"},
			{Name: "cases", About: "cases at each time of the year"},
			{Name: "rates", About: "rate at each time of the year", Null: "null where a time of the year has no exposure"},
			{Name: "lowers", About: "exact lower limits of these", Null: "null where a time of the year has no exposure"}, {Name: "uppers", About: "exact upper limits of these", Null: "null where a time of the year has no exposure"},
		},
		How:     "Poisson regression with and without the season. Where the dispersion is above 1, read f_p: the other p-value is too small then. The rates are plain ones with exact limits.",
		Source:  "McCullagh and Nelder (1989), Generalized Linear Models, 2nd edition, on analysis of deviance; Garwood (1936), Biometrika 28:437-442, for the limits",
		Example: `{"counts": [4, 1, 7, 6, 12, 5, 8, 3, 5, 2, 0, 4, 2, 7, 4, 11, 8, 13, 4, 6, 1, 5, 2, 1, 5, 3, 9, 5, 12, 8, 2, 7, 4, 0, 5, 2], "season_start": 1, "event": "near miss", "events": "near misses"}`,
		alike:   [][]string{{"counts", "exposures"}},
		run:     runSeasonality,
	}
}

func runSeasonality(in *inputs) (*answer, error) {
	w, a, length := wordsOf(in), newAnswer(), in.whole("season_length")
	counts, exposures, err := ratedSeries(in)
	if err != nil {
		return nil, err
	}
	position, err := in.position(len(counts))
	if err != nil {
		return nil, err
	}
	if err := seasonRates(in, counts, exposures, position, w, a); err != nil {
		return nil, err
	}
	var plain []change.Term
	if in.yes("trend") {
		row := make([]float64, len(counts))
		for i := range row {
			row[i] = float64(i)
		}
		plain = append(plain, change.Numeric("trend", row))
	}
	season := change.Waves("season", position, length, in.whole("waves"))
	if in.text("shape") == "each" {
		if length > mostColumns-2 {
			return nil, bad("shape", "is each, with %d times of the year: at most %d are taken; use waves", length, mostColumns-2)
		}
		labels := make([]string, len(position))
		for i, p := range position {
			labels[i] = fmt.Sprintf("%03d", p+1)
		}
		season = change.Factor("season", labels)
	}
	without, err := change.Poisson(counts, exposures, plain...)
	if err != nil {
		return nil, err
	}
	with, err := change.Poisson(counts, exposures, append(plain, season)...)
	if err != nil {
		return nil, err
	}
	none := func(reason string) (*answer, error) {
		a.noneLeft(in.method, reason)
		a.sentence = "Nothing can be said of a season: " + reason + "."
		return a, nil
	}
	switch {
	case !without.Defined:
		return none(without.Reason)
	case !with.Defined:
		return none(with.Reason)
	case with.DF < 1 || len(with.Coefficients) == len(without.Coefficients):
		return none("there are too few periods, or all stand at one time of the year")
	}
	t, err := with.Against(without)
	if err != nil {
		return nil, err
	}
	a.puts("statistic", t.Statistic, "df", t.DF, "p_value", t.PValue, "dispersion", with.Dispersion)
	p := t.PValue
	if with.Dispersion > 0 {
		f := t.Statistic / float64(t.DF) / with.Dispersion
		d1, d2 := float64(t.DF), float64(with.DF)
		// Not one minus the other side, which would lose the digits of a small tail.
		p = mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*max(0, f)))
		a.puts("f_statistic", f, "f_p", p)
	}
	a.none("the fit is perfect: nothing is left to judge it by", missingOf(a, "f_statistic", "f_p")...)
	if with.Dispersion <= 1 {
		p = t.PValue
	}
	a.sentence = fmt.Sprintf("The season: %s (%s).", chanceWords(p), chance(p))
	return a, nil
}

// missingOf returns those of the outputs that are not set yet.
func missingOf(a *answer, names ...string) []string {
	var out []string
	for _, n := range names {
		if _, ok := a.out[n]; !ok {
			out = append(out, n)
		}
	}
	return out
}

// seasonRates works out and draws the plain rates by time of the year.
func seasonRates(in *inputs, counts []int, exposures []float64, position []int, w words, a *answer) error {
	length, level := in.whole("season_length"), in.number("level")
	cases, exposure, total, all := make([]int, length), make([]float64, length), 0, 0.0
	for i, n := range counts {
		e := 1.0
		if exposures != nil {
			e = exposures[i]
		}
		cases[position[i]] += n
		exposure[position[i]] += e
		total, all = total+n, all+e
	}
	var rates, lo, hi []*float64
	var rows []figure.Estimate
	for i, n := range cases {
		r, err := rate.Of(n, exposure[i], 1, rate.Options{Level: level})
		if err != nil {
			return err
		}
		rates, lo, hi = append(rates, some(r.Value, r.Defined)), append(lo, some(r.Lo, r.Defined)), append(hi, some(r.Hi, r.Defined))
		label := fmt.Sprint(i + 1)
		if length == 12 {
			label = time.Month(i + 1).String()
		}
		rows = append(rows, figure.Estimate{Label: label, Facts: many(n, w.one, w.more), Value: r.Value, Lo: r.Lo, Hi: r.Hi, HasInterval: r.Defined, Missing: !r.Defined, Why: "no exposure"})
	}
	a.puts("cases", cases, "rates", rates, "lowers", lo, "uppers", hi)
	const mostDrawn = 53
	if length > mostDrawn {
		return nil
	}
	f := intervalsOf("The year of "+w.more, w.more+" "+in.per(w), "time of the year", level, rows)
	if all > 0 && !math.IsInf(float64(total)/all, 0) {
		f.Reference, f.HasReference, f.ReferenceName = float64(total)/all, true, "whole year"
	}
	a.draw = f
	return nil
}
