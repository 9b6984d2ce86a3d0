package rate

import (
	"math"

	"fairlead/analytics/dist"
)

// Sample is one side of a comparison: cases and the exposure they arose in.
type Sample struct {
	Count    int
	Exposure float64 // hours worked, in the same unit on both sides
}

// Comparison is the ratio of two rates with its interval and the p-value that
// belongs to it. Ratio, Lo, Hi and the p-values mean something only when
// Defined is true.
type Comparison struct {
	First, Second Sample
	NullRatio     float64 // hypothesis the p-values are of; 1 is "no difference"
	Ratio         float64 // rate of First over rate of Second; 0 when RatioOpen
	RatioOpen     bool    // no case on the second side: the ratio has no upper bound
	Lo, Hi        float64 // limits of the ratio; Hi is 0 when HiOpen
	HiOpen        bool
	Level         float64
	Method        string  // how Lo, Hi and PValue were worked out, for print
	PValue        float64 // two-sided, of the same kind as the interval
	P             PValues // all kinds, for whoever must match other software
	Defined       bool
	Reason        string // why it is undefined; empty when it is defined
}

// maxRatio bounds null ratios and reported limits: past it lies nothing that
// hours and cases can tell apart from no bound.
const maxRatio = 1e12

// Compare returns the ratio of the rate of a to that of b, with exact limits
// and a p-value against nullRatio (1 for "no difference").
//
// Given the total count, the first count is binomial, so that the limits are
// those of Clopper and Pearson, or mid-P ones, for its probability. PValue and
// interval agree: the 95 % interval leaves nullRatio out exactly when PValue is
// below 5 %. A side without exposure, or no case on either side, gives an
// undefined comparison with a reason.
//
// counts must be at least 0 with a sum below 1e9, exposures in [0, 1e15],
// nullRatio in (0, 1e12], o.Method Garwood or MidP (empty means Garwood), and
// o.Level as for [Of]. Other arguments return an error that wraps
// [dist.ErrDomain].
//
// Przyborowski and Wilenski (1940), Biometrika 31:313-323; Fay (2010), R
// Journal 2(1):53-58 on which p-value goes with which interval.
func Compare(a, b Sample, nullRatio float64, o Options) (Comparison, error) {
	const op = "rate: compare"
	c, mid, err := blankComparison(op, a, b, nullRatio, o)
	if err != nil {
		return Comparison{}, err
	}
	n := a.Count + b.Count
	switch {
	case a.Exposure == 0 || b.Exposure == 0:
		c.Reason = "one side has no hours: there is no rate to compare"
		return c, nil
	case n == 0:
		c.Reason = "no case on either side: there is nothing to compare"
		return c, nil
	}
	if n >= dist.MaxMean {
		return Comparison{}, dist.BadInt(op, "first count + second count", n, "must be below 1e9 cases")
	}
	tail := (1 - c.Level) / 2
	scale := b.Exposure / a.Exposure // odds of the first side to ratio of rates
	lo, hi := 0.0, math.Inf(1)
	if a.Count > 0 {
		if lo, err = oddsLimit(a.Count, n, tail, mid, false); err != nil {
			return Comparison{}, err
		}
	}
	if b.Count > 0 {
		if hi, err = oddsLimit(a.Count, n, tail, mid, true); err != nil {
			return Comparison{}, err
		}
	}
	c.Lo, c.Hi = lo*scale, hi*scale
	if c.Hi > maxRatio {
		c.Hi, c.HiOpen = 0, true
	}
	if b.Count == 0 {
		c.RatioOpen = true
	} else {
		c.Ratio = float64(a.Count) / float64(b.Count) * scale
	}
	if c.Lo > maxRatio || c.Ratio > maxRatio {
		return Comparison{}, dist.BadFloat(op, "first exposure", a.Exposure, "is too small beside the second: the ratio overflows")
	}
	odds := nullRatio / scale
	d, err := dist.NewBinomial(n, odds/(1+odds))
	if err != nil {
		return Comparison{}, err
	}
	c.P = pValues(d.CDF(a.Count), d.Survival(a.Count), d.PMF(a.Count), minLikeBinomial(d, a.Count))
	c.PValue = c.P.Central
	if mid {
		c.PValue = c.P.MidP
	}
	c.Defined = true
	return c, nil
}

func blankComparison(op string, a, b Sample, nullRatio float64, o Options) (c Comparison, mid bool, err error) {
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	if err := dist.CheckLevel(op, o.Level); err != nil {
		return c, false, err
	}
	c = Comparison{First: a, Second: b, NullRatio: nullRatio, Level: o.Level, Method: "exact, conditional on the total"}
	switch o.Method {
	case Garwood, "":
	case MidP:
		mid, c.Method = true, "mid-P, conditional on the total"
	default:
		return c, false, &dist.DomainError{Op: op, Arg: "method", Value: string(o.Method), Need: "must be Garwood (exact) or MidP"}
	}
	for _, s := range []struct {
		name string
		Sample
	}{{"first", a}, {"second", b}} {
		if s.Count < 0 || s.Count >= dist.MaxMean {
			return c, false, dist.BadInt(op, s.name+" count", s.Count, "must be at least 0 and below 1e9 cases")
		}
		if !(s.Exposure == 0 || (s.Exposure >= 1e-9 && s.Exposure <= maxExposure)) {
			return c, false, dist.BadFloat(op, s.name+" exposure", s.Exposure, "must be 0, or at least 1e-9 and at most 1e15 units")
		}
	}
	if !(nullRatio > 0 && nullRatio <= maxRatio) {
		return c, false, dist.BadFloat(op, "null ratio", nullRatio, "must be above 0 and at most 1e12; 1 means no difference")
	}
	return c, mid, nil
}

// oddsLimit returns the lower or upper limit of the odds p/(1-p) behind count
// out of n, exact or mid-P.
func oddsLimit(count, n int, tail float64, mid, upper bool) (float64, error) {
	k, m := float64(count), float64(n-count)
	var exact float64
	if upper {
		_, o, err := dist.BetaQuantile(m, k+1, tail)
		if err != nil {
			return 0, err
		}
		exact = 1 / o
	} else {
		_, o, err := dist.BetaQuantile(k, m+1, tail)
		if err != nil {
			return 0, err
		}
		exact = o
	}
	if !mid {
		return exact, nil
	}
	// The mid-P limit lies between the exact one and the odds seen (or, when all
	// cases are on one side, one so extreme that half the outcome outweighs the
	// tail).
	f := func(t float64) float64 {
		d, err := dist.NewBinomial(n, 1/(1+math.Exp(-t)))
		if err != nil {
			return math.NaN()
		}
		if upper {
			return d.CDF(count) - d.PMF(count)/2 - tail
		}
		return d.Survival(count) - d.PMF(count)/2 - tail
	}
	seen := math.Log(k) - math.Log(m)
	if math.IsInf(seen, 0) {
		seen = math.Copysign(40, seen)
	}
	from := math.Log(exact)
	t, err := dist.Root(f, min(from, seen)-1e-12, max(from, seen)+1e-12, 0)
	return math.Exp(t), err
}

// minLikeBinomial sums the outcomes no more likely than count, as R's binom.test
// does.
func minLikeBinomial(d dist.Binomial, count int) float64 {
	limit, mean, n := d.PMF(count)*tieAllowance, float64(d.N())*d.P(), d.N()
	switch x := float64(count); {
	case d.P() == 0 || d.P() == 1 || x == mean:
		if x == mean {
			return 1
		}
		return 0
	case x < mean:
		k := firstInt(int(math.Ceil(mean)), func(k int) bool { return k > n || d.PMF(k) <= limit })
		return d.CDF(count) + d.Survival(k)
	default:
		top := int(math.Floor(mean))
		k := firstInt(0, func(k int) bool { return k > top || d.PMF(k) > limit })
		return d.Survival(count) + d.CDF(k-1)
	}
}
