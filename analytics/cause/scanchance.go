package cause

import (
	"math"

	"fairlead/analytics/dist"
)

// pair is one place and kind with enough reports to look at.
type pair struct {
	place, kind int
	total       int
	share       []float64 // of total to be expected in the last 1, 2, ... periods
}

// lr is the log-likelihood ratio of n reports in the window of l+1 periods,
// given all reports of the pair; 0 unless n is above what is expected.
func (q pair) lr(n, l int) float64 {
	s, all, in := q.share[l], float64(q.total), float64(n)
	if s <= 0 || s >= 1 || in <= s*all {
		return 0
	}
	lr := in * math.Log(in/(s*all))
	if n < q.total {
		lr += (all - in) * math.Log((all-in)/((1-s)*all))
	}
	return max(0, lr)
}

// leastScanP is the smallest p-value a scan reports: chances below it are lost
// in the rounding of what is subtracted from one.
const leastScanP = 1e-9

// chanceAnywhere returns the chance that, by chance alone, some window of some
// pair reaches lr. Given how many reports each pair has, pairs are independent,
// so that the chance of none doing so is a product; no simulation is needed.
func chanceAnywhere(pairs []pair, lr float64, minCases int) (float64, error) {
	logNone := 0.0
	for _, q := range pairs {
		c, err := q.chance(lr, minCases)
		if err != nil {
			return 0, err
		}
		if c >= 1 || logNone < -50 {
			return 1, nil // no need to go on
		}
		logNone += math.Log1p(-c)
	}
	return min(1, max(-math.Expm1(logNone), leastScanP)), nil
}

// chance returns the chance that some window of the pair reaches lr, when each
// of its reports falls into a period by the shares expected.
//
// The number in ever longer windows is followed period by period, keeping only
// what stays below the count that reaches lr. Reports are dealt as independent
// Poisson numbers; that they must add up to the total is put right at the end.
func (q pair) chance(lr float64, minCases int) (float64, error) {
	least, any := q.thresholds(lr*(1-1e-9), minCases)
	if !any {
		return 0, nil
	}
	all := float64(q.total)
	f, first := []float64{1}, 0 // chance of first + i reports so far
	last := 0.0
	for l, s := range q.share {
		w, from, err := poissonWeights((s-last)*all, q.total)
		if err != nil {
			return 0, err
		}
		last = s
		top := min(least[l]-1, q.total, first+from+len(f)+len(w)-2)
		if top < first+from {
			return 1, nil
		}
		g := make([]float64, top-first-from+1)
		for i, a := range f {
			for j := 0; j < len(w) && i+j < len(g); j++ {
				g[i+j] += a * w[j]
			}
		}
		f, first = g, first+from
	}
	rest, err := dist.NewPoisson((1 - last) * all)
	if err != nil {
		return 0, err
	}
	whole, err := dist.NewPoisson(all)
	if err != nil {
		return 0, err
	}
	none := 0.0
	for i, a := range f {
		none += a * rest.PMF(q.total-first-i)
	}
	return min(1, max(0, 1-none/whole.PMF(q.total))), nil
}

// thresholds returns, for each window, the fewest reports that reach lr; any is
// false when not even all of them do in any window.
func (q pair) thresholds(lr float64, minCases int) (least []int, any bool) {
	least = make([]int, len(q.share))
	for l := range least {
		// The ratio rises with the count once above what is expected.
		lo, hi := minCases, q.total+1
		for lo < hi {
			if mid := lo + (hi-lo)/2; q.lr(mid, l) >= lr {
				hi = mid
			} else {
				lo = mid + 1
			}
		}
		least[l] = lo
		any = any || lo <= q.total
	}
	return least, any
}

// poissonWeights returns P(X = from), P(X = from+1), ... for a Poisson mean, up
// to top and as far as they matter.
func poissonWeights(mean float64, top int) (w []float64, from int, err error) {
	d, err := dist.NewPoisson(max(0, mean))
	if err != nil {
		return nil, 0, err
	}
	const least = 1e-22
	mode := min(int(mean), top)
	at := d.PMF(mode)
	if at < least {
		return []float64{at}, mode, nil
	}
	for p, k := at, mode; k > 0; k-- {
		if p *= float64(k) / mean; p < least {
			break
		}
		w = append(w, p)
	}
	from = mode - len(w)
	for i, j := 0, len(w)-1; i < j; i, j = i+1, j-1 {
		w[i], w[j] = w[j], w[i]
	}
	for p, k := at, mode; k <= top && p >= least; k++ {
		w = append(w, p)
		p *= mean / float64(k+1)
	}
	return w, from, nil
}
