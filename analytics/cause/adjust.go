package cause

import (
	"cmp"
	"fmt"
	"slices"

	"fairlead/analytics/dist"
)

// Correction says how p-values allow for how many were looked at. Its text is
// meant for print.
type Correction string

// The corrections. BenjaminiHochberg keeps the share of false finds among all
// finds down; the others keep the chance of a single false find down.
// BenjaminiYekutieli does the former however the tests depend on each other.
const (
	BenjaminiHochberg  Correction = "Benjamini-Hochberg"
	BenjaminiYekutieli Correction = "Benjamini-Yekutieli"
	Holm               Correction = "Holm"
	Bonferroni         Correction = "Bonferroni"
)

// Adjust returns p-values that allow for all of them having been looked at, in
// the order given: a find at level q is one whose adjusted value is at most q.
// Hand in every p-value that was worked out, not only those worth showing.
//
// p must be in [0, 1]; otherwise, and for an unknown correction, the error wraps
// [dist.ErrDomain].
//
// Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B
// 57:289-300; Benjamini and Yekutieli (2001), Annals of Statistics
// 29:1165-1188; Holm (1979), Scandinavian Journal of Statistics 6:65-70.
func Adjust(p []float64, c Correction) ([]float64, error) {
	const op = "cause: adjust"
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, dist.BadFloat(op, fmt.Sprintf("p[%d]", i), v, "must be at least 0 and at most 1")
		}
	}
	n := len(p)
	order := make([]int, n) // indices by rising p
	harmonic := 0.0
	for i := range order {
		order[i] = i
		harmonic += 1 / float64(i+1)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	out := make([]float64, n)
	switch c {
	case Bonferroni:
		for i, v := range p {
			out[i] = min(1, v*float64(n))
		}
	case Holm:
		last := 0.0
		for rank, i := range order {
			last = max(last, min(1, p[i]*float64(n-rank)))
			out[i] = last
		}
	case BenjaminiHochberg, BenjaminiYekutieli:
		factor := 1.0
		if c == BenjaminiYekutieli {
			factor = harmonic
		}
		last := 1.0
		for rank := n; rank >= 1; rank-- {
			i := order[rank-1]
			last = min(last, factor*(float64(n)/float64(rank)*p[i]))
			out[i] = last
		}
	default:
		return nil, &dist.DomainError{Op: op, Arg: "correction", Value: string(c), Need: "must be one of the corrections named"}
	}
	return out, nil
}

// Finds returns how many adjusted p-values are at most q.
func Finds(adjusted []float64, q float64) int {
	n := 0
	for _, v := range adjusted {
		if v <= q {
			n++
		}
	}
	return n
}
