package spc

import (
	"fmt"
	"math"
	"math/rand/v2"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mat"
)

// ZoneRules is a set of rules whose average run length can be worked out
// exactly on a normal chart.
type ZoneRules struct {
	Beyond     bool // one point beyond three sigma
	TwoOfThree bool
	FourOfFive bool
	Run        int // points in a row on one side; 0 applies no run rule
}

// zone is one of the eight zones of a control chart and a value inside it.
type zone struct {
	z float64
	p float64
}

// memory is what a chart must remember of past points to apply the rules.
type memory struct {
	up2, down2 uint8 // beyond two sigma, last two points, newest in bit 0
	up1, down1 uint8 // beyond one sigma, last four points
	run        int   // signed length of the run that ends here
}

// ARL returns the average number of points until a signal when successive
// points are normal, independent, and shifted by so many sigma from the centre.
// With shift 0 it is the mean time between false alarms. It is exact: a Markov
// chain over all states of memory the rules need.
//
// At least one rule must be set, Run must be 0 or from 2 to 30, and shift in
// [-10, 10]; otherwise the error wraps [dist.ErrDomain].
//
// Champ and Woodall (1987), Technometrics 29:393-399.
func (r ZoneRules) ARL(shift float64) (float64, error) {
	const op = "spc: arl"
	if !r.Beyond && !r.TwoOfThree && !r.FourOfFive && r.Run == 0 {
		return 0, &dist.DomainError{Op: op, Arg: "rules", Value: "none", Need: "must hold at least one rule"}
	}
	if r.Run != 0 && (r.Run < 2 || r.Run > 30) {
		return 0, dist.BadInt(op, "run", r.Run, "must be 0 (no run rule) or from 2 to 30 points")
	}
	if !(math.Abs(shift) <= 10) {
		return 0, dist.BadFloat(op, "shift", shift, "must be within 10 sigma")
	}
	zones := zonesOf(shift)
	index := map[memory]int{{}: 0}
	states := []memory{{}}
	type step struct {
		from, to int
		p        float64
	}
	var steps []step
	for i := 0; i < len(states); i++ {
		for _, z := range zones {
			m, signal := r.next(states[i], z.z)
			if signal {
				continue
			}
			j, seen := index[m]
			if !seen {
				j = len(states)
				index[m] = j
				states = append(states, m)
			}
			steps = append(steps, step{i, j, z.p})
		}
	}
	// a = 1 + Q a, with Q the transitions that do not signal
	n := len(states)
	a := mat.NewDense(n, n, nil)
	ones := mat.NewVecDense(n, nil)
	for i := range n {
		a.Set(i, i, 1)
		ones.SetVec(i, 1)
	}
	for _, s := range steps {
		a.Set(s.from, s.to, a.At(s.from, s.to)-s.p)
	}
	return solveFirst(op, a, ones)
}

// solveFirst solves a x = b and returns the first element.
func solveFirst(op string, a *mat.Dense, b *mat.VecDense) (float64, error) {
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		// An ill-conditioned matrix means run lengths past what a float64 holds.
		if _, ok := err.(mat.Condition); !ok || math.IsInf(float64(err.(mat.Condition)), 0) {
			return 0, fmt.Errorf("%s: average run length is too long to compute: %w", op, dist.ErrDomain)
		}
	}
	v := x.AtVec(0)
	if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
		return 0, fmt.Errorf("%s: average run length is too long to compute: %w", op, dist.ErrDomain)
	}
	return v, nil
}

// zonesOf returns the eight zones with their probabilities under the shift.
func zonesOf(shift float64) []zone {
	var zs []zone
	below := 0.0
	for k := -3; k <= 3; k++ {
		c := 0.5 * math.Erfc(-(float64(k)-shift)/math.Sqrt2)
		zs = append(zs, zone{float64(k) - 0.5, c - below})
		below = c
	}
	return append(zs, zone{3.5, 0.5 * math.Erfc((3-shift)/math.Sqrt2)})
}

// next returns the memory after a point, or that the point signals.
func (r ZoneRules) next(m memory, z float64) (memory, bool) {
	if r.Beyond && math.Abs(z) > 3 {
		return memory{}, true
	}
	if r.TwoOfThree {
		if (z > 2 && m.up2 != 0) || (z < -2 && m.down2 != 0) {
			return memory{}, true
		}
		m.up2, m.down2 = m.up2<<1&3|b2u(z > 2), m.down2<<1&3|b2u(z < -2)
	}
	if r.FourOfFive {
		if (z > 1 && ones(m.up1) >= 3) || (z < -1 && ones(m.down1) >= 3) {
			return memory{}, true
		}
		m.up1, m.down1 = m.up1<<1&15|b2u(z > 1), m.down1<<1&15|b2u(z < -1)
	}
	if r.Run > 0 {
		if z > 0 {
			m.run = max(m.run, 0) + 1
		} else {
			m.run = min(m.run, 0) - 1
		}
		if m.run >= r.Run || -m.run >= r.Run {
			return memory{}, true
		}
	}
	return m, false
}

func ones(b uint8) int {
	n := 0
	for ; b != 0; b &= b - 1 {
		n++
	}
	return n
}

// SimulatedARL is an average run length found by simulation.
type SimulatedARL struct {
	ARL           float64
	StandardError float64
	Runs          int
}

// SimulateARL returns the average number of points until any of the rules
// signals, over the given number of runs of independent normal points shifted
// by so many sigma. It serves the rules that no exact chain covers. Rules must
// not be empty, runLength at least 2 on each side (zero means 8), runs from 2 to
// 10,000,000, shift in [-10, 10]; otherwise the error wraps [dist.ErrDomain]. A
// run without a signal in 10,000,000 points is refused in the same way.
func SimulateARL(rules []Rule, runLength RunLength, shift float64, runs int, rng *rand.Rand) (SimulatedARL, error) {
	const op = "spc: simulate arl"
	o, err := Options{Kind: C, Rules: rules, RunLength: runLength}.normal()
	switch {
	case err != nil:
		return SimulatedARL{}, err
	case len(rules) == 0:
		return SimulatedARL{}, &dist.DomainError{Op: op, Arg: "rules", Value: "none", Need: "must hold at least one rule"}
	case runs < 2 || runs > 10_000_000:
		return SimulatedARL{}, dist.BadInt(op, "runs", runs, "must be from 2 to 10,000,000")
	case !(math.Abs(shift) <= 10):
		return SimulatedARL{}, dist.BadFloat(op, "shift", shift, "must be within 10 sigma")
	}
	var sum, squares float64
	for range runs {
		n, ok := runOnce(o, shift, rng)
		if !ok {
			return SimulatedARL{}, &dist.DomainError{Op: op, Arg: "rules", Value: fmt.Sprint(rules), Need: "must signal within 10,000,000 points"}
		}
		sum += float64(n)
		squares += float64(n) * float64(n)
	}
	mean := sum / float64(runs)
	variance := (squares - sum*mean) / float64(runs-1)
	return SimulatedARL{ARL: mean, StandardError: math.Sqrt(max(0, variance) / float64(runs)), Runs: runs}, nil
}

// runOnce returns the number of points up to the first signal.
func runOnce(o Options, shift float64, rng *rand.Rand) (int, bool) {
	const most = 10_000_000
	var d detector
	for n := 1; n <= most; n++ {
		f := d.step(rng.NormFloat64() + shift)
		for _, r := range o.Rules {
			switch r {
			case BeyondLimits:
				if f.beyond {
					return n, true
				}
			case RunOneSide:
				if f.above >= o.RunLength.Above || f.below >= o.RunLength.Below {
					return n, true
				}
			default:
				if r.in(f) {
					return n, true
				}
			}
		}
	}
	return 0, false
}
