package change

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Options choose how the p-value of a change is found. The zero value asks for
// the exact one, and for 9,999 simulated series with seed 0 where that would
// take too long.
type Options struct {
	MinSegment int    // least number of periods before and after; 0 means 1
	Draws      int    // simulate that many series instead; 0 means exact where feasible
	Seed       uint64 // the same seed gives the same p-value
}

// Point is one change of level in a series of counts: the best guess at when it
// was, the rates on either side, and the chance of as clear a change at some
// point in a series that never changed. It means something only when Defined is
// true.
type Point struct {
	After       int     // periods before the change; the next one is the first after it
	RateBefore  float64 // cases per unit of exposure
	RateAfter   float64
	RateOverall float64 // without a change
	LR          float64 // likelihood ratio statistic; not chi-square distributed
	PValue      float64 // chance of at least LR by chance, allowing for the search
	Method      string  // how PValue was found
	Draws       int     // series simulated; 0 when PValue is exact
	Seed        uint64
	Posterior   []float64 // chance that the change came after period k, at index k; index 0 is always 0
	Mode        int       // most probable k, the latest of equally probable ones
	Defined     bool
	Reason      string // why it is undefined; empty when it is defined
}

// Find returns the single change of level that best explains a series of counts
// with their exposures (nil for equal exposure), whether or not there was one:
// read PValue first.
//
// PValue is conditional on the total number of cases: by chance alone each case
// falls into a period in proportion to its exposure, and the statistic is the
// maximum over all possible dates. It is worked out exactly, by following how
// many cases may have come so far without any date standing out, down to 1e-90;
// very long series are simulated. Posterior is the distribution of the date given that
// there was exactly one change, all dates equally probable beforehand and the
// rates with a Gamma(1, 1) prior in the unit of exposure handed in; so it
// depends a little on that unit.
//
// Fewer than two periods with exposure, or no case, leave the result undefined.
// Periods with zero exposure must have zero cases. counts must be in [0, 1e8],
// exposures 0 or in [1e-9, 1e15]; otherwise the error wraps [dist.ErrDomain].
//
// Hinkley (1970), Biometrika 57:1-17, for the statistic; Worsley (1983),
// Biometrika 70:455-464, for exact probabilities by recursion; Carlin, Gelfand
// and Smith (1992), Applied Statistics 41:389-405, for the posterior.
func Find(counts []int, exposures []float64, o Options) (Point, error) {
	const op = "change: find"
	cases, exposure, err := checkSeries(op, counts, exposures)
	if err != nil {
		return Point{}, err
	}
	if o.MinSegment == 0 {
		o.MinSegment = 1
	}
	if o.MinSegment < 1 {
		return Point{}, dist.BadInt(op, "least segment", o.MinSegment, "must be at least 1 period")
	}
	if err := checkDraws(op, o.Draws); err != nil {
		return Point{}, err
	}
	s := newSeries(counts, exposures, o.MinSegment)
	p := Point{Seed: o.Seed}
	switch {
	case cases == 0:
		p.Reason = "no case in the whole series: there is no rate that could have changed"
		return p, nil
	case s.lo > s.hi || s.exposedPeriods < 2:
		p.Reason = "too few periods with hours on either side of any date"
		return p, nil
	}
	best := math.Inf(-1)
	for k := s.lo; k <= s.hi; k++ {
		if !s.splits(k) {
			continue
		}
		if g := s.gain(s.cases[k], k); g > best {
			best, p.After = g, k
		}
	}
	if p.After == 0 {
		p.Reason = "no date has hours on both sides"
		return p, nil
	}
	y, e := float64(s.cases[p.After]), s.exposure[p.After]
	p.RateBefore, p.RateAfter, p.RateOverall = y/e, (float64(cases)-y)/(exposure-e), float64(cases)/exposure
	p.LR = max(0, 2*best)
	s.posterior(&p)
	p.Defined = true
	if o.Draws == 0 {
		if v, ok := s.exact(p.LR); ok {
			p.PValue, p.Method = v, "exact, given the total, over all dates"
			return p, nil
		}
		o.Draws = 9999
	}
	p.PValue, p.Draws = s.simulate(p.LR, o.Draws, o.Seed), o.Draws
	p.Method = fmt.Sprintf("simulated, given the total, over all dates, %d series, seed %d", o.Draws, o.Seed)
	return p, nil
}

func checkDraws(op string, draws int) error {
	if draws < 0 || (draws > 0 && draws < 99) || draws > 1_000_000 {
		return dist.BadInt(op, "draws", draws, "must be 0, or at least 99 and at most 1,000,000")
	}
	return nil
}

// series holds running totals: index k is after k periods.
type series struct {
	cases          []int
	exposure       []float64
	lo, hi         int // dates looked at
	exposedPeriods int
}

func newSeries(counts []int, exposures []float64, minSegment int) series {
	n := len(counts)
	s := series{cases: make([]int, n+1), exposure: make([]float64, n+1), lo: minSegment, hi: n - minSegment}
	for i, c := range counts {
		e := exposureAt(exposures, i)
		if e > 0 {
			s.exposedPeriods++
		}
		s.cases[i+1] = s.cases[i] + c
		s.exposure[i+1] = s.exposure[i] + e
	}
	return s
}

func (s series) total() (cases int, exposure float64) {
	n := len(s.cases) - 1
	return s.cases[n], s.exposure[n]
}

// splits reports whether there is exposure on both sides of date k.
func (s series) splits(k int) bool {
	_, e := s.total()
	return s.exposure[k] > 0 && e-s.exposure[k] > 0
}

// gain is the log-likelihood gained by a change after period k, were y cases
// before it.
func (s series) gain(y, k int) float64 {
	n, e := s.total()
	before := s.exposure[k]
	return xlogy(float64(y), before, float64(n)/e) + xlogy(float64(n-y), e-before, float64(n)/e)
}

// xlogy returns y log((y/e)/rate), and 0 for y = 0. The rate is divided out
// inside the logarithm, so that a series without a change gains exactly
// nothing rather than a difference of large numbers.
func xlogy(y, e, rate float64) float64 {
	if y == 0 {
		return 0
	}
	return y * math.Log(y/(e*rate))
}

// posterior fills the distribution of the date.
func (s series) posterior(p *Point) {
	n, e := s.total()
	p.Posterior = make([]float64, len(s.cases))
	logs := make([]float64, len(s.cases))
	top := math.Inf(-1)
	segment := func(y int, e float64) float64 {
		lg, _ := math.Lgamma(1 + float64(y))
		return lg - (1+float64(y))*math.Log(1+e)
	}
	for k := s.lo; k <= s.hi; k++ {
		logs[k] = math.Inf(-1)
		if !s.splits(k) {
			continue // no hours on one side: no date for a change
		}
		logs[k] = segment(s.cases[k], s.exposure[k]) + segment(n-s.cases[k], e-s.exposure[k])
		top = max(top, logs[k])
	}
	sum := 0.0
	for k := s.lo; k <= s.hi; k++ {
		p.Posterior[k] = math.Exp(logs[k] - top)
		sum += p.Posterior[k]
	}
	p.Mode = s.lo
	for k := s.lo; k <= s.hi; k++ {
		p.Posterior[k] /= sum
		// Mirror-image dates are equally probable but for rounding.
		if p.Posterior[k] >= p.Posterior[p.Mode]*(1-1e-12) {
			p.Mode = k
		}
	}
}

// Within returns the chance, given exactly one change, that it came within the
// given number of periods of the most probable date.
func (p Point) Within(periods int) float64 {
	sum := 0.0
	for k, w := range p.Posterior {
		if k-p.Mode <= periods && p.Mode-k <= periods {
			sum += w
		}
	}
	return min(1, sum)
}

// MeanDate returns the mean of the distribution of the date, in periods before
// the change.
func (p Point) MeanDate() float64 {
	sum := 0.0
	for k, w := range p.Posterior {
		sum += float64(k) * w
	}
	return sum
}

// Span returns the shortest run of dates, first to last in periods before the
// change, that holds at least the given share of their distribution. share must
// be in [0.5, 1 - 1e-12]; otherwise, and for an undefined point, the error wraps
// [dist.ErrDomain].
func (p Point) Span(share float64) (first, last int, err error) {
	const op = "change: span"
	if err := dist.CheckLevel(op, share); err != nil {
		return 0, 0, err
	}
	if !p.Defined {
		return 0, 0, &dist.DomainError{Op: op, Arg: "point", Value: "undefined", Need: "must be defined: " + p.Reason}
	}
	// Two hands: for each first date the nearest last one that suffices.
	running := make([]float64, len(p.Posterior)+1)
	for k, w := range p.Posterior {
		running[k+1] = running[k] + w
	}
	all := running[len(running)-1]
	first, last = 1, len(p.Posterior)-1
	j := 1
	for i := 1; i < len(p.Posterior); i++ {
		for j < len(p.Posterior) && running[j+1]-running[i] < share*all {
			j++
		}
		if j == len(p.Posterior) {
			break
		}
		if j-i < last-first {
			first, last = i, j
		}
	}
	return first, last, nil
}
