package spc

import (
	"fmt"
	"math"
)

// Choice is the chart that serves a series, and why.
type Choice struct {
	Kind    Kind      // NoChart when there is too little for any
	Limits  LimitKind // for C and U
	Reason  string    // in words, for print under the chart
	Options Options   // ready for New, when Kind is C, U or LaneyU
	// Companion names a further chart worth drawing beside this one; empty when
	// there is none. A CUSUM sees the small lasting rise a monthly chart misses.
	Companion Kind

	// What the choice was made from.
	Periods    int     // periods with data
	Events     int     // cases in them
	Mean       float64 // cases per period
	Spread     float64 // greatest departure of an exposure from the mean exposure, as a share
	Dispersion Dispersion
}

// Where one chart gives way to another. The means are those at which the false
// alarms of three-sigma limits leave their nominal rate (see SigmaLimits), the
// quarter and the sigma z of 1.3 are common practice without a published source.
const (
	SigmaMean     = 10.0 // from here three-sigma limits are near enough
	RareMean      = 1.0  // below here most months are zero
	LaneyMean     = 5.0  // below here the spread cannot be told from chance
	SteadyShare   = 0.25 // exposure within a quarter of its mean is steady
	LaneySigmaZ   = 1.3
	LaneyMinimumZ = 1.1
	dispersionP   = 0.05
)

// Choose decides which chart serves the given months: c or u with exact limits
// when counts allow, with three sigma when they are large, Laney's u′ when the
// months spread more than chance, time between events when they are rare, and
// none below that. base is the exposure a rate is quoted per, such as 1,000,000
// hours; it only scales a u-chart. Periods without exposure (when any has some)
// are left out of the decision.
//
// Counts must be in [0, 1e9) and exposures in [0, 1e15]; otherwise the error
// wraps [dist.ErrDomain].
//
// Benneyan (2001), Health Care Management Science 4:305-318 and Woodall (2006),
// Journal of Quality Technology 38:89-104 on rare events; Laney (2002), Quality
// Engineering 14:531-537 and Mohammed et al. (2013), BMJ Quality and Safety
// 22:362-368 on overdispersion.
func Choose(periods []Period, base float64) (Choice, error) {
	rated, ch := survey(periods)
	o := Options{Kind: C, Base: base}
	if rated {
		o.Kind = U
	}
	plain := o
	plain.Rules = []Rule{} // only the spread is wanted
	probe, err := New(periods, plain)
	if err != nil {
		return Choice{}, err
	}
	ch.Dispersion = probe.Dispersion
	o.Limits = Sigma
	switch {
	case ch.Periods < MinPeriods || ch.Events < MinEvents:
		ch.Reason = fmt.Sprintf("%s in %s: too few for any chart. Show the total with its exact interval.", plural(ch.Events, "event", "events"), plural(ch.Periods, "period", "periods"))
		return ch, nil
	case ch.Mean < RareMean:
		ch.Kind = T
		ch.Reason = fmt.Sprintf("%s events a period: most periods are zero and say nothing on a monthly chart. The time between events does; long gaps are improvements.", Number(ch.Mean))
		return ch, nil
	case rated && ch.Mean >= LaneyMean && ch.Dispersion.overdispersed():
		o.Kind = LaneyU
		ch.Reason = fmt.Sprintf("%s events a period, and successive periods differ more than chance (sigma z %s, dispersion test %s). Plain limits would signal too often; these are widened by that spread. Look first for a change in how things are reported.",
			Number(ch.Mean), Number(ch.Dispersion.SigmaZ), Chance(ch.Dispersion.P))
	case ch.Mean < SigmaMean:
		o.Limits = Probability
		o.RunLength = MatchedRuns(ch.Mean)
		ch.Companion = XCusum
		ch.Reason = fmt.Sprintf("%s events a period: few enough that limits at three sigma mislead, so the limits are exact Poisson ones%s.", Number(ch.Mean), o.exposureReason(ch))
	default:
		ch.Reason = fmt.Sprintf("%s events a period: enough for limits at three sigma%s.", Number(ch.Mean), o.exposureReason(ch))
	}
	if !rated && ch.Mean >= LaneyMean && ch.Dispersion.overdispersed() {
		ch.Reason += " Successive periods differ more than chance; with hours worked, limits could allow for that. Look first for a change in how things are reported."
	}
	if rated && o.Kind == U && ch.Spread <= SteadyShare && !hasGap(probe) {
		o.Kind = C
		o.Base = 0
	}
	ch.Kind, ch.Limits, ch.Options = o.Kind, o.Limits, o
	return ch, nil
}

// survey counts what there is to chart; rated says whether any period has an
// exposure.
func survey(periods []Period) (rated bool, ch Choice) {
	for _, p := range periods {
		rated = rated || (!p.Missing && p.Exposure > 0)
	}
	var total float64
	for _, p := range periods {
		if p.Missing || (rated && !(p.Exposure > 0)) {
			continue
		}
		ch.Periods++
		ch.Events += max(0, p.Count)
		total += p.Exposure
	}
	if ch.Periods == 0 {
		return rated, ch
	}
	ch.Mean = float64(ch.Events) / float64(ch.Periods)
	if mean := total / float64(ch.Periods); rated && mean > 0 {
		for _, p := range periods {
			if !p.Missing && p.Exposure > 0 {
				ch.Spread = max(ch.Spread, math.Abs(p.Exposure-mean)/mean)
			}
		}
	}
	return rated, ch
}

// overdispersed asks for evidence between successive periods, not only for a
// large chi-square: a level that moved once makes the latter too, and widening
// the limits would hide it.
func (d Dispersion) overdispersed() bool {
	return d.Defined && (d.SigmaZ > LaneySigmaZ || (d.P < dispersionP && d.SigmaZ >= LaneyMinimumZ))
}

func (o Options) exposureReason(ch Choice) string {
	switch {
	case o.Kind == C:
		return "; exposure is not known, so counts are charted as they are and a change in hours would look like a change in risk"
	case ch.Spread <= SteadyShare:
		return fmt.Sprintf(", and hours stay within %s %% of their mean, so counts can be charted as they are", Number(100*SteadyShare))
	}
	return fmt.Sprintf(", and hours vary by up to %s %% from their mean, so the chart is per hours worked and its limits move", Number(math.Round(100*ch.Spread)))
}

func hasGap(c Chart) bool {
	for _, p := range c.Points {
		if p.Missing {
			return true
		}
	}
	return false
}
