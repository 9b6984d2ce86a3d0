package survive

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mat"
)

// Weight says how a comparison of curves weighs early against late times.
type Weight string

const (
	// LogRank weighs all closings alike; it is the usual choice.
	LogRank Weight = "log-rank"
	// PetoPrentice weighs each time by the share still open before it, and so
	// attends more to early differences.
	PetoPrentice Weight = "Peto-Prentice"
)

// Comparison is a test of whether several groups close their items alike.
type Comparison struct {
	Weight    Weight
	Items     []int     // in each group
	Observed  []float64 // weighted closings in each group
	Expected  []float64 // what they would be if all groups were alike
	Statistic float64   // chi-square distributed by chance alone
	DF        int
	PValue    float64
	Defined   bool
	Reason    string // why it is undefined; empty when it is defined
}

// Compare tests whether groups of items close at the same pace, given at each
// time how many are open in each. It says whether there is more than chance
// between them, not how much: show the curves beside it.
//
// Groups without items count as absent. Fewer than two groups with items, or no
// time at which more than one group could have closed an item, leave the
// comparison undefined. Times have the domain of [KaplanMeier]; an unknown
// weight returns an error that wraps [dist.ErrDomain].
//
// Mantel (1966), Cancer Chemotherapy Reports 50:163-170; Peto and Peto (1972),
// Journal of the Royal Statistical Society A 135:185-207; weights in the form
// of Harrington and Fleming (1982), Biometrika 69:553-566.
func Compare(groups [][]Observation, w Weight) (Comparison, error) {
	const op = "survive: compare"
	if w == "" {
		w = LogRank
	}
	if w != LogRank && w != PetoPrentice {
		return Comparison{}, &dist.DomainError{Op: op, Arg: "weight", Value: string(w), Need: "must be log-rank or Peto-Prentice"}
	}
	type item struct {
		Observation
		group int
	}
	var all []item
	c := Comparison{Weight: w, Items: make([]int, len(groups)), Observed: make([]float64, len(groups)), Expected: make([]float64, len(groups))}
	present := 0
	for g, items := range groups {
		if _, err := ordered(fmt.Sprintf("%s: groups[%d]", op, g), items); err != nil {
			return Comparison{}, err
		}
		c.Items[g] = len(items)
		if len(items) > 0 {
			present++
		}
		for _, it := range items {
			all = append(all, item{it, g})
		}
	}
	if present < 2 {
		c.Reason = "fewer than two groups have items: there is nothing to compare"
		return c, nil
	}
	slices.SortFunc(all, func(a, b item) int { return cmp.Compare(a.Time, b.Time) })
	k := len(groups)
	risk, done := slices.Clone(c.Items), make([]int, k)
	variance := mat.NewSymDense(k, nil)
	weight, total := 1.0, len(all)
	for i := 0; i < len(all); {
		j, d := i, 0
		clear(done)
		for ; j < len(all) && all[j].Time == all[i].Time; j++ {
			if all[j].Done {
				done[all[j].group]++
				d++
			}
		}
		if d > 0 {
			c.add(variance, risk, done, total, d, weight)
			if w == PetoPrentice {
				weight *= float64(total-d) / float64(total)
			}
		}
		for ; i < j; i++ {
			risk[all[i].group]--
			total--
		}
	}
	return c.test(variance)
}

// add adds one time at which d of total items closed, done of each group.
func (c *Comparison) add(variance *mat.SymDense, risk, done []int, total, d int, weight float64) {
	n, dd := float64(total), float64(d)
	spread := 0.0 // hypergeometric: none when the last item closes
	if total > 1 {
		spread = weight * weight * dd * (n - dd) / (n - 1)
	}
	for g := range risk {
		share := float64(risk[g]) / n
		c.Observed[g] += weight * float64(done[g])
		c.Expected[g] += weight * dd * share
		for h := g; h < len(risk); h++ {
			v := -share * float64(risk[h]) / n
			if h == g {
				v = share * (1 - share)
			}
			variance.SetSym(g, h, variance.At(g, h)+spread*v)
		}
	}
}

// test forms the chi-square statistic over the groups that have any variance,
// less one, because the differences add up to zero.
func (c Comparison) test(variance *mat.SymDense) (Comparison, error) {
	var used []int
	for g := range c.Items {
		if c.Items[g] > 0 && variance.At(g, g) > 1e-12 {
			used = append(used, g)
		}
	}
	if len(used) < 2 {
		c.Reason = "no item was closed while more than one group had open ones: there is nothing to compare"
		return c, nil
	}
	m := len(used) - 1
	v, diff := mat.NewSymDense(m, nil), mat.NewVecDense(m, nil)
	for i := range m {
		diff.SetVec(i, c.Observed[used[i]]-c.Expected[used[i]])
		for j := i; j < m; j++ {
			v.SetSym(i, j, variance.At(used[i], used[j]))
		}
	}
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(v) || chol.SolveVecTo(&x, diff) != nil {
		c.Reason = "the groups were never open side by side in a way that lets all of them be compared: compare fewer"
		return c, nil
	}
	c.Statistic, c.DF = math.Max(0, mat.Dot(diff, &x)), m
	p, err := dist.ChiSquareTail(c.Statistic, float64(m))
	if err != nil {
		return Comparison{}, fmt.Errorf("survive: compare: %w", err)
	}
	c.PValue, c.Defined = p, true
	return c, nil
}
