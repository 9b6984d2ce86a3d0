package change

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interruption describes a change at a date that was fixed beforehand: a guard
// fitted, a rule changed. The zero value of the optional fields asks for a
// change of level on a steady rate without a season.
type Interruption struct {
	At        int     // first period after the change, counted from 0
	Trend     bool    // the rate was already rising or falling steadily
	Slope     bool    // the change may also have bent the trend; needs Trend
	Position  []int   // where each period stands in the year, 0 for January; nil for no season
	Period    int     // periods in a year; 0 means 12
	Harmonics int     // sine waves of the season; 0 means 2
	Level     float64 // two-sided; 0 means 0.95
}

// Shift is what an interrupted series shows. Its figures mean something only
// when Defined is true.
type Shift struct {
	Before, After Stretch
	Ratio         float64 // level right after the change over what it would have been
	Lo, Hi        float64
	PValue        float64 // two-sided, of Ratio 1
	Bend          float64 // factor by which each later period departs further; 1 without Slope
	BendLo        float64
	BendHi        float64
	Expected      float64 // cases after the change, had nothing changed
	ExpectedLo    float64
	ExpectedHi    float64
	Level         float64
	Dispersion    float64 // spread of the counts over what chance makes; above 1 it has widened all intervals
	Memory        float64 // correlation of what is left unexplained with the period before
	Method        string
	Fit           Fit
	Defined       bool
	Reason        string // why there is no answer; empty when it is defined
	Note          string // what a reader must know; often empty
}

// Stretch is one side of a change as it was counted.
type Stretch struct {
	Periods  int // with exposure
	Cases    int
	Exposure float64
}

// Interrupted estimates by how much the rate changed at a date fixed
// beforehand, allowing for exposure, a steady trend and a season: it fits a
// Poisson regression, widens its standard errors where counts spread more than
// chance makes them, and takes quantiles of Student's distribution, because the
// spread is itself only estimated.
//
// For a date found by looking at the same data the p-value is too small: use
// [Find] there. A change elsewhere at the same time would look the same; where
// there is a like group, compare with it (package sites).
//
// i.At must leave at least one period on either side; i.Position, when given,
// must be as long as counts. Series and exposures have the domain of [Find];
// other arguments return an error that wraps [dist.ErrDomain]. Without cases on
// a side, or where the terms cannot be told apart, Reason says so.
//
// Wagner et al. (2002), Journal of Clinical Pharmacy and Therapeutics
// 27:299-309; Bernal, Cummins and Gasparrini (2017), International Journal of
// Epidemiology 46:348-355.
func Interrupted(counts []int, exposures []float64, i Interruption) (Shift, error) {
	const op = "change: interrupted series"
	if i.Level == 0 {
		i.Level = 0.95
	}
	if i.Period == 0 {
		i.Period = 12
	}
	if i.Harmonics == 0 {
		i.Harmonics = min(2, i.Period/2)
	}
	if err := dist.CheckLevel(op, i.Level); err != nil {
		return Shift{}, err
	}
	if _, _, err := checkSeries(op, counts, exposures); err != nil {
		return Shift{}, err
	}
	n := len(counts)
	switch {
	case i.At < 1 || i.At >= n:
		return Shift{}, dist.BadInt(op, "at", i.At, fmt.Sprintf("must leave periods on both sides: from 1 to %d", n-1))
	case i.Slope && !i.Trend:
		return Shift{}, &dist.DomainError{Op: op, Arg: "slope", Value: "without trend", Need: "needs a trend to bend"}
	case i.Position != nil && len(i.Position) != n:
		return Shift{}, dist.BadInt(op, "position", len(i.Position), fmt.Sprintf("must be given for each of the %d counts", n))
	}
	s := Shift{Level: i.Level, Bend: 1, BendLo: 1, BendHi: 1}
	for k, c := range counts {
		side := &s.Before
		if k >= i.At {
			side = &s.After
		}
		if e := exposureAt(exposures, k); e > 0 {
			side.Periods++
			side.Cases += c
			side.Exposure += e
		}
	}
	switch {
	case s.Before.Periods == 0 || s.After.Periods == 0:
		s.Reason = "one side of the change has no hours"
		return s, nil
	case s.Before.Cases == 0 || s.After.Cases == 0:
		s.Reason = "one side of the change has no case: compare the two sides as rates with exact limits"
		return s, nil
	}
	terms := []Term{Step("change", n, i.At)}
	s.Method = "Poisson regression, level"
	if i.Trend {
		since := make([]float64, n)
		for k := range since {
			since[k] = float64(k)
		}
		terms = append(terms, Numeric("trend", since))
		s.Method += ", trend"
	}
	if i.Slope {
		bend := make([]float64, n)
		for k := i.At; k < n; k++ {
			bend[k] = float64(k - i.At)
		}
		terms = append(terms, Numeric("bend", bend))
		s.Method += ", bend"
	}
	if i.Position != nil {
		terms = append(terms, Waves("season", i.Position, i.Period, i.Harmonics))
		s.Method += fmt.Sprintf(", season of %d waves", i.Harmonics)
	}
	f, err := Poisson(counts, exposures, terms...)
	if err != nil {
		return Shift{}, fmt.Errorf("%s: %w", op, err)
	}
	s.Fit = f
	switch {
	case !f.Defined:
		s.Reason = f.Reason
		return s, nil
	case f.DF < 1:
		s.Reason = "as many coefficients as periods: nothing is left to judge them by"
		return s, nil
	}
	s.measure(counts, exposures, i)
	return s, nil
}

// measure fills the figures from the fit.
func (s *Shift) measure(counts []int, exposures []float64, i Interruption) {
	f := s.Fit
	s.Dispersion = f.Dispersion
	wide := math.Sqrt(max(1, f.Dispersion))
	student := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(f.DF)}
	t := -student.Quantile((1 - s.Level) / 2)
	c, _ := f.Coefficient("change")
	if !(math.Abs(c.Value)+t*c.SE*wide < 600) {
		s.Reason = "the change is not measured at all by these periods"
		return
	}
	s.Ratio = math.Exp(c.Value)
	s.Lo, s.Hi = math.Exp(c.Value-t*c.SE*wide), math.Exp(c.Value+t*c.SE*wide)
	s.PValue = min(1, 2*student.Survival(math.Abs(c.Value)/(c.SE*wide)))
	if b, ok := f.Coefficient("bend"); ok {
		if !(math.Abs(b.Value)+t*b.SE*wide < 600) {
			s.Reason = "the bend is not measured at all by these periods"
			return
		}
		s.Bend = math.Exp(b.Value)
		s.BendLo, s.BendHi = math.Exp(b.Value-t*b.SE*wide), math.Exp(b.Value+t*b.SE*wide)
	}
	s.expect(counts, exposures, i, t*wide)
	s.Memory = memory(counts, f)
	if limit := 2 / math.Sqrt(float64(f.Rows)); s.Memory > limit {
		s.Note = "neighbouring periods resemble each other beyond what the model explains: the intervals are too narrow"
	}
	s.Defined = s.Reason == ""
}

// expect adds up what would have been counted after the change without it: the
// fit with change and bend taken out.
func (s *Shift) expect(counts []int, exposures []float64, i Interruption, t float64) {
	f := s.Fit
	gone := make([]bool, len(f.Coefficients))
	for j, c := range f.Coefficients {
		gone[j] = c.Term == "change" || c.Term == "bend"
	}
	bend, _ := f.Coefficient("bend")
	gradient := make([]float64, len(f.Coefficients))
	for k := i.At; k < len(counts); k++ {
		m := f.Fitted[k] / s.Ratio * math.Exp(-bend.Value*float64(k-i.At))
		s.Expected += m
		for j := range gradient {
			if !gone[j] {
				gradient[j] += m * f.at(j, k)
			}
		}
	}
	v := 0.0
	for a := range gradient {
		for b := range gradient {
			v += gradient[a] * gradient[b] * f.covariance[a][b]
		}
	}
	w := t * math.Sqrt(max(0, v)) / s.Expected
	if !(w < 600 && s.Expected > 0 && !math.IsInf(s.Expected*math.Exp(w), 0)) {
		s.Reason = "what would have been without the change is not measured at all by these periods"
		s.Expected = 0
		return
	}
	s.ExpectedLo, s.ExpectedHi = s.Expected*math.Exp(-w), s.Expected*math.Exp(w)
}

// memory is the correlation of each period's Pearson residual with that of the
// period before.
func memory(counts []int, f Fit) float64 {
	var with, all, before float64
	had := false
	for k, n := range counts {
		if f.Fitted[k] <= 0 {
			had = false
			continue
		}
		r := (float64(n) - f.Fitted[k]) / math.Sqrt(f.Fitted[k])
		if had {
			with += r * before
		}
		all += r * r
		before, had = r, true
	}
	if all <= 0 {
		return 0
	}
	return with / all
}
