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

// The rules offered as a choice, for readers who know what they ask for. They
// look at z, each point's distance from the centre in its own sigma.
const (
	TwoOfThree  Rule = "two of three beyond two sigma"     // on one side
	FourOfFive  Rule = "four of five beyond one sigma"     // on one side
	Trend       Rule = "six in a row rising or falling"    // a tie ends it
	Alternating Rule = "fourteen in a row alternating"     // up and down
	Hugging     Rule = "fifteen in a row within one sigma" // limits too wide, or data smoothed
	Mixture     Rule = "eight in a row beyond one sigma"   // on both sides: two sources mixed
)

// WesternElectric returns the four rules of the Western Electric handbook, the
// run being of eight.
func WesternElectric() []Rule { return []Rule{BeyondLimits, TwoOfThree, FourOfFive, RunOneSide} }

// Nelson returns the eight rules of Nelson (1984). His run is of nine: set
// RunLength to 9 on both sides with them.
func Nelson() []Rule {
	return []Rule{BeyondLimits, RunOneSide, Trend, Alternating, TwoOfThree, FourOfFive, Hugging, Mixture}
}

// length is how many points the shortest pattern of a rule spans, for the rules
// read off a detector.
func (r Rule) length() int {
	switch r {
	case TwoOfThree:
		return 3
	case FourOfFive:
		return 5
	case Trend:
		return 6
	case Alternating:
		return 14
	case Hugging:
		return 15
	case Mixture:
		return 8
	}
	return 1
}

func (r Rule) known() bool { return r == BeyondLimits || r == RunOneSide || r.length() > 1 }

// in reports whether a detector found the rule's pattern.
func (r Rule) in(f found) bool {
	switch r {
	case TwoOfThree:
		return f.twoOfThree
	case FourOfFive:
		return f.fourOfFive
	case Trend:
		return f.trend
	case Alternating:
		return f.alternate
	case Hugging:
		return f.hugging
	case Mixture:
		return f.mixture
	}
	return false
}

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
			for i := range points {
				if p := &points[i]; !p.Missing && p.Beyond != Within {
					out = append(out, Signal{Rule: r, Side: p.Beyond, Points: []int{i}, At: i})
				}
			}
		case RunOneSide:
			out = append(out, runs(points, run)...)
		default:
			out = append(out, patterns(points, r)...)
		}
	}
	sortSignals(out)
	return out
}

// patterns returns each stretch of points that complete a rule of the detector
// as one signal, from the first point of the first pattern to the last point
// that still completes one. A gap and a new phase start the detector afresh.
func patterns(points []Point, r Rule) []Signal {
	var out []Signal
	var d detector
	start, open := 0, false // where the detector began; whether a signal is growing
	for i, p := range points {
		if p.Missing || p.Sigma == 0 {
			d, start, open = detector{}, i+1, false
			continue
		}
		if i > start && p.Phase != points[i-1].Phase {
			d, start, open = detector{}, i, false
		}
		switch ok := r.in(d.step(p.Z)); {
		case ok && open:
			last := &out[len(out)-1]
			last.Points = append(last.Points, i)
		case ok:
			first := max(start, i+1-r.length())
			out = append(out, Signal{Rule: r, Side: patternSide(points[first : i+1]), Points: span(first, i+1), At: i})
			open = true
		default:
			open = false
		}
	}
	return out
}

// patternSide is the side all points of a pattern share, if they do.
func patternSide(points []Point) Side {
	s := side(points[len(points)-1].Value, points[len(points)-1].Center)
	for _, p := range points {
		if side(p.Value, p.Center) != s {
			return Within
		}
	}
	return s
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
	for i := range points {
		p, s := &points[i], Within
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
