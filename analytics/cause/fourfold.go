package cause

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// Fourfold counts reports by two yes-or-no facts, such as "wet floor" and
// "slip". Reports in which either is unknown are not in it.
type Fourfold struct {
	Both         int
	ExposureOnly int
	OutcomeOnly  int
	Neither      int
}

// Total returns the number of reports counted.
func (t Fourfold) Total() int { return t.Both + t.ExposureOnly + t.OutcomeOnly + t.Neither }

// Odds is an odds ratio with its interval. Value means nothing when Open is
// true: the ratio has no upper bound. Lo and Hi mean something only when Bounded
// is true, and Hi only when HiOpen is false.
type Odds struct {
	Value   float64
	Open    bool
	Lo, Hi  float64
	HiOpen  bool
	Bounded bool
	Level   float64
	Method  string
}

// Association is how far two facts go together. The figures mean something only
// when Defined is true.
type Association struct {
	Fourfold
	Support    float64 // share of reports with both
	Confidence float64 // of those with the exposure, share with the outcome
	Lift       float64 // how many times as often together as by chance; 1 is by chance
	Leverage   float64 // share together less the share by chance
	Conviction float64 // how many times as often the exposure would come without the outcome by chance; 0 when NoConviction
	// NoConviction is true where the exposure never comes without the outcome.
	NoConviction bool
	Phi          float64 // correlation of the two facts, -1 to 1

	Woolf       Odds // by logarithms; needs four filled cells
	Haldane     Odds // the same with a half added to each cell
	Conditional Odds // exact, given the margins; left out (not Bounded, Method empty) for very large tables

	Pearson, PearsonP float64 // chi-square
	Yates, YatesP     float64 // chi-square with continuity correction
	MinExpected       float64 // least count to be expected by chance; below 5 prefer Fisher
	Fisher            FisherP

	Level   float64
	Defined bool
	Reason  string // why it is undefined; empty when it is defined
}

// FisherP holds the p-values of Fisher's exact test.
type FisherP struct {
	TwoSided float64 // tables no more probable than the one seen
	Greater  float64 // at least as many together
	Less     float64 // at most as many together
	Exact    bool    // false: the table is so large that the chi-square test stands in
}

const (
	defaultLevel = 0.95
	maxCell      = 1_000_000_000
	// Above so many possible counts of one cell the exact interval costs more
	// than it tells: all four cells are large.
	exactSupport = 20_000
	// Above so many, so does the exact test.
	fisherSupport = 1_000_000
	tieAllowance  = 1 + 1e-7 // as R's fisher.test
)

// Associate returns how far two facts go together, with odds ratios, their
// intervals at the given level (0 means 0.95), and tests. Where a fact is
// present in all reports or in none, nothing can be said and the result is
// undefined.
//
// Counts must be in [0, 1e9] with a total of at most 1e9; otherwise the error
// wraps [dist.ErrDomain].
//
// Woolf (1955), Annals of Human Genetics 19:251-253; Haldane (1956), Annals of
// Human Genetics 20:309-311; Fisher (1935), Journal of the Royal Statistical
// Society 98:39-82; Brin et al. (1997), SIGMOD Record 26(2):255-264, for lift
// and conviction.
func Associate(t Fourfold, level float64) (Association, error) {
	const op = "cause: associate"
	if level == 0 {
		level = defaultLevel
	}
	if err := dist.CheckLevel(op, level); err != nil {
		return Association{}, err
	}
	if err := t.check(op); err != nil {
		return Association{}, err
	}
	s := Association{Fourfold: t, Level: level}
	if s.Reason = t.obstacle(); s.Reason != "" {
		return s, nil
	}
	s.describe()
	z := -mathext.NormalQuantile((1 - level) / 2)
	s.Woolf, s.Haldane = t.logOdds(0, z), t.logOdds(0.5, z)
	s.Woolf.Level, s.Haldane.Level = level, level
	s.Woolf.Method, s.Haldane.Method = "Woolf", "Woolf, a half added to each cell (Haldane)"
	if err := s.test(); err != nil {
		return Association{}, fmt.Errorf("%s: %w", op, err)
	}
	if lo, hi := t.support(); hi-lo <= exactSupport {
		o, err := t.conditional(level)
		if err != nil {
			return Association{}, fmt.Errorf("%s: %w", op, err)
		}
		s.Conditional = o
	}
	s.Defined = true
	return s, nil
}

// Odds returns the interval to print: the exact one where there is one, else
// Woolf's.
func (s Association) Odds() Odds {
	if s.Conditional.Bounded {
		return s.Conditional
	}
	return s.Woolf
}

func (t Fourfold) check(op string) error {
	for _, c := range []struct {
		name string
		n    int
	}{{"both", t.Both}, {"exposure only", t.ExposureOnly}, {"outcome only", t.OutcomeOnly}, {"neither", t.Neither}} {
		if c.n < 0 || c.n > maxCell {
			return dist.BadInt(op, c.name, c.n, "must be at least 0 and at most 1e9 reports")
		}
	}
	if t.Total() > maxCell {
		return dist.BadInt(op, "total", t.Total(), "must be at most 1e9 reports")
	}
	return nil
}

// obstacle says in words why the table tells nothing, or nothing.
func (t Fourfold) obstacle() string {
	switch {
	case t.Total() == 0:
		return "no report in which both facts are known"
	case t.Both+t.ExposureOnly == 0 || t.OutcomeOnly+t.Neither == 0:
		return "the first fact is the same in all reports: nothing can go together with it"
	case t.Both+t.OutcomeOnly == 0 || t.ExposureOnly+t.Neither == 0:
		return "the second fact is the same in all reports: nothing can go together with it"
	}
	return ""
}

func (s *Association) describe() {
	a, b, c, d := float64(s.Both), float64(s.ExposureOnly), float64(s.OutcomeOnly), float64(s.Neither)
	n := a + b + c + d
	s.Support = a / n
	s.Confidence = a / (a + b)
	s.Lift = a * n / ((a + b) * (a + c))
	s.Leverage = (a*d - b*c) / n / n
	if b == 0 {
		s.NoConviction = true
	} else {
		s.Conviction = (b + d) / n * (a + b) / b
	}
	s.Phi = (a*d - b*c) / math.Sqrt((a+b)*(c+d)) / math.Sqrt((a+c)*(b+d))
	s.MinExpected = min((a+b)*(a+c), (a+b)*(b+d), (c+d)*(a+c), (c+d)*(b+d)) / n
}

// logOdds returns the odds ratio with an interval by logarithms, add being
// added to each cell.
func (t Fourfold) logOdds(add, z float64) Odds {
	a, b, c, d := float64(t.Both)+add, float64(t.ExposureOnly)+add, float64(t.OutcomeOnly)+add, float64(t.Neither)+add
	if b*c == 0 {
		return Odds{Open: true}
	}
	o := Odds{Value: a / b * (d / c)}
	if a*d > 0 {
		w := math.Exp(z * math.Sqrt(1/a+1/b+1/c+1/d))
		o.Lo, o.Hi, o.Bounded = o.Value/w, o.Value*w, true
	}
	return o
}

// test fills the chi-square and Fisher tests.
func (s *Association) test() (err error) {
	a, b, c, d := float64(s.Both), float64(s.ExposureOnly), float64(s.OutcomeOnly), float64(s.Neither)
	n := a + b + c + d
	// The margins are taken two by two, so that nothing overflows.
	scale := n / ((a + b) * (c + d)) * n / ((a + c) * (b + d)) * n
	off := math.Abs(a*d-b*c) / n
	s.Pearson = off * off * scale
	less := max(0, off-0.5)
	s.Yates = less * less * scale
	if s.PearsonP, err = dist.ChiSquareTail(s.Pearson, 1); err != nil {
		return err
	}
	if s.YatesP, err = dist.ChiSquareTail(s.Yates, 1); err != nil {
		return err
	}
	s.Fisher, err = s.Fourfold.fisher(s.PearsonP)
	return err
}
