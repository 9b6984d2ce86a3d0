package spc

import (
	"cmp"
	"math"
	"slices"
)

// Rule names a pattern that chance alone seldom makes. Its text is meant for
// print.
type Rule string

// The rules offered by default. Fewer rules are better: each adds false
// alarms.
const (
	// BeyondLimits: one point strictly outside a limit.
	BeyondLimits Rule = "beyond limits"
	// RunOneSide: eight (or the length asked for) successive points strictly on
	// one side of the centre. A point on the centre, a gap and a new phase end
	// a run.
	RunOneSide Rule = "run on one side"
)

func (r Rule) known() bool { return r == BeyondLimits || r == RunOneSide }

// side returns the side of a value against a line it may lie on. The allowance
// is a few units in the last place: 28 cases against a limit of 16 + 3*4 must
// not signal because a rate was formed on the way.
func side(value, line float64) Side {
	switch d := value - line; {
	case math.Abs(d) <= unitRelative*max(math.Abs(value), math.Abs(line)):
		return Within
	case d > 0:
		return Above
	default:
		return Below
	}
}

// signals applies the rules to finished points.
func signals(points []Point, rules []Rule, run RunLength) []Signal {
	var out []Signal
	for _, r := range rules {
		switch r {
		case BeyondLimits:
			for i, p := range points {
				if !p.Missing && p.Beyond != Within {
					out = append(out, Signal{Rule: r, Side: p.Beyond, Points: []int{i}, At: i})
				}
			}
		case RunOneSide:
			out = append(out, runs(points, run)...)
		}
	}
	sortSignals(out)
	return out
}

// runs returns each run of at least the asked length as one signal that reaches
// to the run's last point.
func runs(points []Point, length RunLength) []Signal {
	var out []Signal
	first, at := 0, Within
	flush := func(end int) {
		need := length.Above
		if at == Below {
			need = length.Below
		}
		if at != Within && end-first >= need {
			out = append(out, Signal{Rule: RunOneSide, Side: at, Points: span(first, end), At: first + need - 1})
		}
	}
	for i, p := range points {
		s := Within
		if !p.Missing && p.Sigma > 0 {
			s = side(p.Value, p.Center)
		}
		if s != at || (i > 0 && p.Phase != points[i-1].Phase) {
			flush(i)
			first, at = i, s
		}
	}
	flush(len(points))
	return out
}

// sortSignals puts signals in the order in which they were completed; rules that
// complete at the same point keep the order in which they were asked for.
func sortSignals(s []Signal) {
	slices.SortStableFunc(s, func(a, b Signal) int { return cmp.Compare(a.At, b.At) })
}

// span returns the integers in [first, end).
func span(first, end int) []int {
	s := make([]int, 0, end-first)
	for i := first; i < end; i++ {
		s = append(s, i)
	}
	return s
}
