package dist

import "sync/atomic"

const (
	pageCounts = 64   // counts computed together
	pageNumber = 2048 // pages kept: counts below 131,072
)

// CountLimits remembers exact (Garwood) limits by integer count for one
// confidence level, because a chart or a table asks for the same few counts
// over and over. It is safe for concurrent use and holds at most about two
// megabytes; counts beyond its table are computed each time.
type CountLimits struct {
	level float64
	tail  float64
	pages [pageNumber]atomic.Pointer[page]
}

type page [pageCounts]struct{ lo, hi float64 }

// NewCountLimits returns an empty memo for the given two-sided level, which
// must be in [0.5, 1); otherwise the error wraps [ErrDomain].
func NewCountLimits(level float64) (*CountLimits, error) {
	if err := CheckLevel("dist: count limits", level); err != nil {
		return nil, err
	}
	return &CountLimits{level: level, tail: (1 - level) / 2}, nil
}

// Level returns the two-sided level of the limits.
func (c *CountLimits) Level() float64 { return c.level }

// Interval returns the exact central limits for a Poisson mean after count
// cases, in cases. A count outside [0, 1e9) returns an error that wraps
// [ErrDomain].
//
// Garwood (1936), Biometrika 28:437-442.
func (c *CountLimits) Interval(count int) (lo, hi float64, err error) {
	if count < 0 || count >= pageCounts*pageNumber {
		if lo, err = GarwoodLower(count, c.tail); err != nil {
			return 0, 0, err
		}
		hi, err = GarwoodUpper(count, c.tail)
		return lo, hi, err
	}
	slot := &c.pages[count/pageCounts]
	p := slot.Load()
	if p == nil {
		// Two goroutines may compute the same page; both get the same numbers,
		// so the loser's work is only wasted, and no lock is needed.
		p = c.fill(count / pageCounts * pageCounts)
		slot.Store(p)
	}
	e := &p[count%pageCounts]
	return e.lo, e.hi, nil
}

func (c *CountLimits) fill(first int) *page {
	p := new(page)
	for i := range p {
		n := first + i
		if n > 0 {
			p[i].lo = gammaLower(float64(n), c.tail)
		}
		p[i].hi = gammaUpper(float64(n)+1, c.tail)
	}
	return p
}
