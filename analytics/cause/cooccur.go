package cause

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"fairlead/analytics/dist"
)

// Caption goes under every picture of what goes together.
const Caption = "Lines join what is reported together more often than chance would have it. Together is not because of: co-occurrence is not cause."

// Answer is what a report says about one factor. The zero value is unknown, so
// that what was never asked is never taken for "no".
type Answer uint8

// The answers.
const (
	Unknown Answer = iota
	Absent
	Present
)

// Factor is one contributing factor with the answer of every report, in the
// same order for all factors.
type Factor struct {
	Name    string
	Answers []Answer
}

// Network is which factors go together, after allowing for every pair tried.
type Network struct {
	Nodes      []Node
	Edges      []Edge // pairs that go together, the surest first
	Apart      []Edge // pairs that are seen together less often than by chance
	Reports    int
	Tried      int // pairs tested, shown or not
	TooFew     int // of them, pairs together in too few reports to show, whatever their p-value
	Untested   int // pairs of which a factor is the same in all reports that know both
	Q          float64
	Level      float64 // of the intervals asked for
	EdgeLevel  float64 // of the intervals of Edges and Apart: stricter, because only remarkable pairs are shown
	MinShown   int     // fewest reports of an edge
	Correction Correction
	Caption    string
}

// Node is one factor.
type Node struct {
	Name    string
	Present int
	Known   int // reports that say whether it was there
}

// Edge is one pair of factors, by index into Nodes.
type Edge struct {
	A, B     int
	Fourfold         // reports that know both
	Lift     float64 // times as often together as by chance
	Odds     Odds
	PValue   float64 // of the pair by itself
	Adjusted float64 // allowing for all pairs tried
}

const (
	maxFactors   = 500
	maxReports   = 20_000_000
	maxPairCells = 4_000_000_000
)

// CoOccurrence tests every pair of factors for going together, each over the
// reports that know both, by Fisher's exact test corrected over all pairs. A
// pair becomes an edge when its adjusted p-value is at most o.Q and it is
// together in at least o.MinSupport reports; its interval is widened so that
// among the intervals shown at most 1 - o.Level miss, although only remarkable
// pairs are shown.
//
// Factors that some third thing brings together, such as a season or a kind of
// work, go together too. The result carries a caption that says so; print it.
//
// All factors must have as many answers, at most 2e7, with at most 500 factors
// of different names; other arguments return an error that wraps
// [dist.ErrDomain].
//
// Benjamini and Hochberg (1995); Benjamini and Yekutieli (2005), Journal of the
// American Statistical Association 100:71-81, for the intervals of what was
// selected.
func CoOccurrence(factors []Factor, o SearchOptions) (Network, error) {
	const op = "cause: co-occurrence"
	if err := o.complete(op); err != nil {
		return Network{}, err
	}
	sets, err := newAnswerSets(op, factors)
	if err != nil {
		return Network{}, err
	}
	n := Network{Q: o.Q, Level: o.Level, EdgeLevel: o.Level, MinShown: o.MinSupport, Correction: o.Correction, Caption: Caption}
	if len(factors) > 0 {
		n.Reports = len(factors[0].Answers)
	}
	for i, f := range factors {
		n.Nodes = append(n.Nodes, Node{f.Name, count(sets[i].present), count(sets[i].known)})
	}
	var all []Edge
	var ps []float64
	for a := range factors {
		for b := a + 1; b < len(factors); b++ {
			e := Edge{A: a, B: b, Fourfold: sets[a].against(sets[b])}
			if e.obstacle() != "" {
				n.Untested++
				continue
			}
			if e.PValue, err = e.pValue(); err != nil {
				return Network{}, fmt.Errorf("%s: %w", op, err)
			}
			if e.Both < o.MinSupport {
				n.TooFew++
			}
			all, ps = append(all, e), append(ps, e.PValue)
		}
	}
	n.Tried = len(all)
	adjusted, err := Adjust(ps, o.Correction)
	if err != nil {
		return Network{}, fmt.Errorf("%s: %w", op, err)
	}
	for i, e := range all {
		if e.Adjusted = adjusted[i]; e.Adjusted > o.Q {
			continue
		}
		row, col := float64(e.Both+e.ExposureOnly), float64(e.Both+e.OutcomeOnly)
		e.Lift = float64(e.Both) / row * (float64(e.Total()) / col)
		switch {
		case e.Lift < 1:
			n.Apart = append(n.Apart, e)
		case e.Both >= o.MinSupport:
			n.Edges = append(n.Edges, e)
		}
	}
	return n, n.measure(op)
}

// measure gives the edges their intervals and puts the surest first.
func (n *Network) measure(op string) error {
	shown := len(n.Edges) + len(n.Apart)
	if shown > 0 {
		// The share of intervals that miss, among those selected, stays at what
		// was asked for when each is this much stricter.
		n.EdgeLevel = math.Min(1-1e-12, 1-(1-n.Level)*float64(shown)/float64(n.Tried))
	}
	for _, edges := range [][]Edge{n.Edges, n.Apart} {
		for i := range edges {
			s, err := Associate(edges[i].Fourfold, n.EdgeLevel)
			if err != nil {
				return fmt.Errorf("%s: %w", op, err)
			}
			edges[i].Odds = s.Odds()
		}
		slices.SortStableFunc(edges, func(a, b Edge) int {
			if a.PValue != b.PValue {
				return cmp.Compare(a.PValue, b.PValue)
			}
			return b.Both - a.Both
		})
	}
	return nil
}

// answerSet holds the answers to one factor as two sets of reports.
type answerSet struct{ known, present []uint64 }

func newAnswerSets(op string, factors []Factor) ([]answerSet, error) {
	if len(factors) > maxFactors {
		return nil, dist.BadInt(op, "factors", len(factors), "must be at most 500")
	}
	sets := make([]answerSet, len(factors))
	names := map[string]bool{}
	for i, f := range factors {
		arg := fmt.Sprintf("factors[%d]", i)
		switch {
		case names[f.Name]:
			return nil, &dist.DomainError{Op: op, Arg: arg, Value: f.Name, Need: "must differ from the names before it"}
		case len(f.Answers) != len(factors[0].Answers):
			return nil, dist.BadInt(op, arg, len(f.Answers), fmt.Sprintf("must have %d answers like the first factor", len(factors[0].Answers)))
		case len(f.Answers) > maxReports:
			return nil, dist.BadInt(op, arg, len(f.Answers), "must have at most 20,000,000 answers")
		case len(factors)*len(f.Answers) > maxPairCells:
			return nil, dist.BadInt(op, "factors", len(factors), "are too many for so many reports")
		}
		names[f.Name] = true
		words := (len(f.Answers) + 63) / 64
		sets[i] = answerSet{make([]uint64, words), make([]uint64, words)}
		for r, a := range f.Answers {
			if a > Present {
				return nil, dist.BadInt(op, fmt.Sprintf("%s answers[%d]", arg, r), int(a), "must be Unknown, Absent or Present")
			}
			if a != Unknown {
				sets[i].known[r/64] |= 1 << (r % 64)
			}
			if a == Present {
				sets[i].present[r/64] |= 1 << (r % 64)
			}
		}
	}
	return sets, nil
}

// against counts two factors over the reports that know both.
func (s answerSet) against(o answerSet) Fourfold {
	var both, first, second, known int
	for i, k := range s.known {
		k &= o.known[i]
		a, b := s.present[i]&k, o.present[i]&k
		known += bits.OnesCount64(k)
		first += bits.OnesCount64(a)
		second += bits.OnesCount64(b)
		both += bits.OnesCount64(a & b)
	}
	return Fourfold{Both: both, ExposureOnly: first - both, OutcomeOnly: second - both, Neither: known - first - second + both}
}

func count(set []uint64) int {
	n := 0
	for _, w := range set {
		n += bits.OnesCount64(w)
	}
	return n
}
