package dist

import (
	"math"
	"slices"
	"sync/atomic"
)

// Thresholds remembers, for one tail, the means at which the limits of a Poisson
// count step from one whole number to the next. Between them the limits of a
// chart need no gamma function: a board of thousands of points asks the same
// question over and over. It is safe for concurrent use and holds at most 64
// kilobytes; larger means are worked out each time.
type Thresholds struct {
	tail  float64
	table atomic.Pointer[steps]
}

// steps are exact limits of the mean: above[u] is the largest mean at which a
// count over u has probability tail at most, under[k] the least at which one of
// at most k has.
type steps struct{ above, under []float64 }

// mostSteps bounds the table: means up to about 3,900 at a tail of 0.00135.
const mostSteps = 4096

// NewThresholds returns an empty memo for the given one-sided tail, which must be
// in (0, 0.5]; otherwise the error wraps [ErrDomain].
func NewThresholds(tail float64) (*Thresholds, error) {
	if err := CheckTail("dist: thresholds", "tail", tail); err != nil {
		return nil, err
	}
	return &Thresholds{tail: tail}, nil
}

// Tail returns the one-sided probability of the limits.
func (t *Thresholds) Tail() float64 { return t.tail }

// Limits returns what [Poisson.LowerLimit] and [Poisson.UpperQuantile] do for a
// Poisson count with the given mean. mean must be in [0, 1e9]; otherwise the
// error wraps [ErrDomain].
func (t *Thresholds) Limits(mean float64) (lower, upper int, err error) {
	d, err := NewPoisson(mean)
	if err != nil {
		return 0, 0, err
	}
	s := t.table.Load()
	for s == nil || s.above[len(s.above)-1] <= mean {
		n := 64
		if s != nil {
			n = 2 * len(s.above)
		}
		if n > mostSteps {
			return t.direct(d)
		}
		// Two goroutines may grow it at once: both get the same numbers.
		s = t.grow(n)
		t.table.Store(s)
	}
	upper, _ = slices.BinarySearch(s.above, mean)
	lower, _ = slices.BinarySearch(s.under, mean)
	if near(s.above, upper, mean) || near(s.under, lower, mean) {
		return t.direct(d)
	}
	return lower, upper, nil
}

// near reports whether a mean is so close to a step that rounding decides on
// which side it lies.
func near(steps []float64, i int, mean float64) bool {
	const close = 1e-9
	return (i < len(steps) && math.Abs(steps[i]-mean) <= close*mean) || (i > 0 && math.Abs(steps[i-1]-mean) <= close*mean)
}

func (t *Thresholds) direct(d Poisson) (lower, upper int, err error) {
	if lower, err = d.LowerLimit(t.tail); err != nil {
		return 0, 0, err
	}
	upper, err = d.UpperQuantile(t.tail)
	return lower, upper, err
}

func (t *Thresholds) grow(n int) *steps {
	s := &steps{above: make([]float64, n), under: make([]float64, n)}
	for i := range n {
		s.above[i] = gammaLower(float64(i)+1, t.tail)
		s.under[i] = gammaUpper(float64(i)+1, t.tail)
	}
	return s
}
