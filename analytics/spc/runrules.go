package spc

import (
	"math"

	"fairlead/analytics/dist"
)

// detector watches one standardised series and says after each point which
// rules the point completes. It is the one place where the patterns are
// defined: charts, fixtures and simulations all go through it.
type detector struct {
	n          int // points seen
	last       float64
	dir        int         // direction of the last step
	up, down   int         // consecutive rises, falls
	alternate  int         // consecutive steps each opposite to the one before
	inner      int         // consecutive points within one sigma
	outer      int         // consecutive points beyond one sigma
	above      int         // consecutive points above the centre
	below      int         // and below it
	sincePlus  int         // points since the last one above the centre
	sinceMinus int         // and below it
	recent     [5][4]uint8 // flags beyond +2, -2, +1, -1 of the last five points
}

// found holds what a point completes.
type found struct {
	beyond     bool // outside three sigma
	twoOfThree bool
	fourOfFive bool
	above      int // length of the run above the centre that ends here
	below      int
	trend      bool // six points rising or falling
	alternate  bool // fourteen points alternating
	hugging    bool // fifteen within one sigma
	mixture    bool // eight beyond one sigma, on both sides
	outside    bool // eight beyond one sigma, on either side
}

// step takes the next point.
func (d *detector) step(z float64) found {
	d.n++
	d.count(z)
	if d.n > 1 {
		d.direct(z)
	}
	d.last = z
	copy(d.recent[1:], d.recent[:4])
	d.recent[0] = [4]uint8{b2u(z > 2), b2u(z < -2), b2u(z > 1), b2u(z < -1)}
	f := found{
		beyond: math.Abs(z) > 3, above: d.above, below: d.below,
		twoOfThree: d.kOfN(0, 2, 3) || d.kOfN(1, 2, 3),
		fourOfFive: d.kOfN(2, 4, 5) || d.kOfN(3, 4, 5),
		trend:      d.up >= 5 || d.down >= 5,
		alternate:  d.alternate >= 13,
		hugging:    d.inner >= 15,
		outside:    d.outer >= 8,
	}
	f.mixture = f.outside && d.sincePlus < 8 && d.sinceMinus < 8
	return f
}

// count advances the counters that look at single points.
func (d *detector) count(z float64) {
	d.inner, d.outer = next(d.inner, math.Abs(z) < 1), next(d.outer, math.Abs(z) > 1)
	d.above, d.below = next(d.above, z > 0), next(d.below, z < 0)
	if d.n == 1 {
		d.sincePlus, d.sinceMinus = 8, 8 // none seen yet
	}
	d.sincePlus, d.sinceMinus = d.sincePlus+1, d.sinceMinus+1
	if z > 0 {
		d.sincePlus = 0
	}
	if z < 0 {
		d.sinceMinus = 0
	}
}

// direct advances the counters that look at steps between points.
func (d *detector) direct(z float64) {
	dir := 0
	switch {
	case z > d.last:
		dir = 1
	case z < d.last:
		dir = -1
	}
	d.up, d.down = next(d.up, dir > 0), next(d.down, dir < 0)
	switch {
	case dir == 0:
		d.alternate = 0
	case dir == -d.dir:
		d.alternate++
	default:
		d.alternate = 1
	}
	d.dir = dir
}

// kOfN reports whether the newest point carries a flag and k of the last n do.
func (d *detector) kOfN(flag, k, n int) bool {
	if d.recent[0][flag] == 0 {
		return false
	}
	sum := 0
	for i := range n {
		sum += int(d.recent[i][flag])
	}
	return sum >= k
}

func next(n int, goesOn bool) int {
	if goesOn {
		return n + 1
	}
	return 0
}

func b2u(b bool) uint8 {
	if b {
		return 1
	}
	return 0
}

// RuleSignals lists, for each classical rule, the points (from 0) that complete
// its pattern. Every later point that still completes it is listed too.
type RuleSignals struct {
	Beyond      []int // one point beyond three sigma (Western Electric 1, Nelson 1)
	TwoOfThree  []int // two of three beyond two sigma on one side, the last of them included (W.E. 2, Nelson 5)
	FourOfFive  []int // four of five beyond one sigma on one side (W.E. 3, Nelson 6)
	RunOfEight  []int // eight in a row on one side of the centre (W.E. 4)
	RunOfNine   []int // nine in a row (Nelson 2)
	Trend       []int // six in a row rising or falling; a tie ends it (Nelson 3)
	Alternating []int // fourteen in a row alternating up and down (Nelson 4)
	Hugging     []int // fifteen in a row within one sigma (Nelson 7)
	Mixture     []int // eight in a row beyond one sigma, both sides present (Nelson 8)
	Outside     []int // eight in a row beyond one sigma, whichever side
}

// RunRules applies the classical run rules to a standardised series, z being
// (value - centre) / sigma with each point's own sigma. A point exactly on the
// centre ends a run; a point exactly on a zone line is not beyond it. z must be
// finite; otherwise the error wraps [dist.ErrDomain].
//
// Western Electric (1956), Statistical Quality Control Handbook; Nelson (1984),
// Journal of Quality Technology 16:237-239.
func RunRules(z []float64) (RuleSignals, error) {
	s := RuleSignals{}
	var d detector
	add := func(list *[]int, i int, ok bool) {
		if ok {
			*list = append(*list, i)
		}
	}
	for i, v := range z {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return RuleSignals{}, dist.BadFloat("spc: run rules", "z", v, "must be finite; leave missing points out and start again after them")
		}
		f := d.step(v)
		add(&s.Beyond, i, f.beyond)
		add(&s.TwoOfThree, i, f.twoOfThree)
		add(&s.FourOfFive, i, f.fourOfFive)
		add(&s.RunOfEight, i, f.above >= 8 || f.below >= 8)
		add(&s.RunOfNine, i, f.above >= 9 || f.below >= 9)
		add(&s.Trend, i, f.trend)
		add(&s.Alternating, i, f.alternate)
		add(&s.Hugging, i, f.hugging)
		add(&s.Mixture, i, f.mixture)
		add(&s.Outside, i, f.outside)
	}
	return s, nil
}
