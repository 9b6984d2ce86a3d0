package spc

import (
	"fmt"
	"math"
	"strconv"

	"fairlead/analytics/dist"
)

// Options choose a chart. Only Kind is needed.
type Options struct {
	Kind   Kind      // C, U, NP, P, LaneyU or LaneyP
	Limits LimitKind // empty means Sigma; Laney's charts have no other
	Sigmas float64   // for Sigma; 0 means 3
	Tail   float64   // for Probability, on each side; 0 means 0.00135
	Base   float64   // u-charts: Value is per Base units of exposure; 0 means 1

	// Baseline is how many periods with data, from the start of each phase, the
	// centre is computed from and then frozen; 0 means all of the phase.
	Baseline int
	// Exclude lists points, from 0, left out of the baseline because their
	// cause was found. They are still plotted and judged.
	Exclude []int
	// Center, when not nil, is a frozen centre from elsewhere, in the unit of
	// Value, used for every phase instead of computing one.
	Center *float64
	// Phases lists where new phases begin by a recorded decision, in order.
	Phases []PhaseStart

	// Rules to apply; nil means BeyondLimits and RunOneSide. An empty, non-nil
	// slice applies none.
	Rules []Rule
	// RunLength of RunOneSide; a zero side means 8.
	RunLength RunLength
}

// PhaseStart begins a new phase at a point, by a decision on record.
type PhaseStart struct {
	At   int    // point, from 0; must be above 0
	Note string // the decision, printed at the flag
}

const (
	defaultSigmas    = 3
	defaultTail      = 0.00135
	defaultRun       = 8
	maxPeriods       = 1_000_000
	unitRelative     = 1e-12 // agreement of a point with a line it lies on
	maxExposure      = 1e15
	needCount        = "must be at least 0 and below 1e9 cases"
	needExposure     = "must be at least 0 and at most 1e15 units"
	needLabelledSize = "must be a whole number of at least the count"
)

// normal fills in the defaults and checks what does not depend on the data.
func (o Options) normal() (Options, error) {
	const op = "spc: chart"
	switch o.Kind {
	case C, NP, P, LaneyU, LaneyP, U:
	default:
		return o, &dist.DomainError{Op: op, Arg: "kind", Value: strconv.Quote(string(o.Kind)), Need: "must be c, u, np, p, Laney u′ or Laney p′"}
	}
	if o.Limits == "" {
		o.Limits = Sigma
	}
	if o.Limits != Sigma && o.Limits != Probability {
		return o, &dist.DomainError{Op: op, Arg: "limits", Value: strconv.Quote(string(o.Limits)), Need: "must be sigma or probability"}
	}
	if o.laney() && o.Limits != Sigma {
		return o, &dist.DomainError{Op: op, Arg: "limits", Value: string(o.Limits), Need: "must be sigma for Laney's charts"}
	}
	if o.Sigmas == 0 {
		o.Sigmas = defaultSigmas
	}
	if !(o.Sigmas > 0 && o.Sigmas <= 10) {
		return o, dist.BadFloat(op, "sigmas", o.Sigmas, "must be above 0 and at most 10")
	}
	if o.Tail == 0 {
		o.Tail = defaultTail
	}
	if err := dist.CheckTail(op, "tail", o.Tail); err != nil {
		return o, err
	}
	if o.Base == 0 || !o.perExposure() {
		o.Base = 1
	}
	if !(o.Base > 0 && o.Base <= maxExposure) {
		return o, dist.BadFloat(op, "base", o.Base, "must be above 0 and at most 1e15 units")
	}
	if o.Baseline < 0 {
		return o, dist.BadInt(op, "baseline", o.Baseline, "must not be negative")
	}
	if o.Center != nil && !(*o.Center >= 0 && *o.Center <= maxExposure) {
		return o, dist.BadFloat(op, "center", *o.Center, "must be at least 0 and finite")
	}
	if o.Center != nil && o.share() && *o.Center > 1 {
		return o, dist.BadFloat(op, "center", *o.Center, "must be a share, at most 1")
	}
	if o.Rules == nil {
		o.Rules = []Rule{BeyondLimits, RunOneSide}
	}
	for i, r := range o.Rules {
		if !r.known() {
			return o, &dist.DomainError{Op: op, Arg: fmt.Sprintf("rules[%d]", i), Value: strconv.Quote(string(r)), Need: "must be one of the rules of package spc"}
		}
	}
	if o.RunLength.Above == 0 {
		o.RunLength.Above = defaultRun
	}
	if o.RunLength.Below == 0 {
		o.RunLength.Below = defaultRun
	}
	if o.RunLength.Above < 2 || o.RunLength.Below < 2 {
		return o, dist.BadInt(op, "run length", min(o.RunLength.Above, o.RunLength.Below), "must be at least 2 points")
	}
	return o, nil
}

// laney reports whether the chart widens its limits by sigma z.
func (o Options) laney() bool { return o.Kind == LaneyU || o.Kind == LaneyP }

// perExposure reports whether values are counts per exposure.
func (o Options) perExposure() bool { return o.Kind == U || o.Kind == LaneyU }

// share reports whether values are shares of a number examined.
func (o Options) share() bool { return o.Kind == P || o.Kind == NP || o.Kind == LaneyP }

// check validates the data against the options.
func (o Options) check(periods []Period) error {
	const op = "spc: chart"
	if len(periods) > maxPeriods {
		return dist.BadInt(op, "periods", len(periods), "must be at most 1,000,000")
	}
	for i, p := range periods {
		if p.Count < 0 || p.Count >= dist.MaxMean {
			return dist.BadInt(op, fmt.Sprintf("periods[%d] count", i), p.Count, needCount)
		}
		if o.Kind == C || p.Missing {
			continue
		}
		if !(p.Exposure >= 0 && p.Exposure <= maxExposure) {
			return dist.BadFloat(op, fmt.Sprintf("periods[%d] exposure", i), p.Exposure, needExposure)
		}
		if p.Exposure > 0 && p.Exposure < 1e-9 {
			return dist.BadFloat(op, fmt.Sprintf("periods[%d] exposure", i), p.Exposure, "is too small to divide by")
		}
		if o.share() && (p.Exposure != math.Trunc(p.Exposure) || p.Exposure > dist.MaxMean || float64(p.Count) > p.Exposure) {
			return dist.BadFloat(op, fmt.Sprintf("periods[%d] number examined", i), p.Exposure, needLabelledSize)
		}
	}
	for i, e := range o.Exclude {
		if e < 0 || e >= len(periods) {
			return dist.BadInt(op, fmt.Sprintf("exclude[%d]", i), e, fmt.Sprintf("must be a point from 0 to %d", len(periods)-1))
		}
	}
	for i, p := range o.Phases {
		if p.At <= 0 || p.At >= len(periods) || (i > 0 && p.At <= o.Phases[i-1].At) {
			return dist.BadInt(op, fmt.Sprintf("phases[%d]", i), p.At, "must be a point after the first, in rising order")
		}
	}
	return nil
}
