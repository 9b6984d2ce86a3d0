package cause

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/dist"
)

// Grid is counts by place, kind and period: Counts[(p*Kinds+k)*Periods+t] is the
// number of reports at place p of kind k in period t, the last period being the
// latest.
type Grid struct {
	Places, Kinds, Periods int
	Counts                 []int
	// Exposure, when given, is hours worked by place and period,
	// Exposure[p*Periods+t]. Handing in all reports of the place instead makes
	// the scan look at the mix of reports, which a change of willingness to
	// report does not move.
	Exposure []float64
}

// ScanOptions choose what a scan looks for. The zero value looks at windows of
// up to six periods (at most half of all), with three reports or more, and
// judges the ten clearest.
type ScanOptions struct {
	Longest  int // longest window, in periods; 0 means 6, or half of all if that is less
	MinCases int // fewest reports of a cluster; 0 means 3
	Show     int // clusters to judge; 0 means 10
	// OwnPast compares with the place's own past alone. Otherwise what the kind
	// did everywhere in the same periods, such as a season, is allowed for.
	OwnPast bool
}

// Cluster is a place at which one kind has lately piled up.
type Cluster struct {
	Place, Kind int
	From        int     // first period of the window, which lasts to the latest
	Periods     int     // length of the window
	Count       int     // reports in it
	Expected    float64 // by chance, given all reports of the kind at the place
	Total       int     // reports of the kind at the place in all periods
	LR          float64 // log-likelihood ratio
	PValue      float64 // chance of as clear a cluster anywhere by chance, allowing for all windows
}

// OnceIn returns how many scans it takes on average, by chance alone, to see
// one as clear: with a scan a month, months.
func (c Cluster) OnceIn() float64 { return 1 / c.PValue }

// ScanResult is what a scan found, the clearest first. Look at PValue: the
// clearest of nothing is in it too.
type ScanResult struct {
	Clusters []Cluster
	Pairs    int // places and kinds with enough reports to look at
	Windows  int // windows looked at
	// Blind is how many pairs hold at least half of all reports of their kind:
	// they cannot stand out against others. Watch them by a control chart, or
	// scan with OwnPast.
	Blind  int
	Method string
}

const maxGrid = 50_000_000

// Scan looks for emerging clusters: for every place and kind, and every window
// that ends with the latest period, it compares the reports in the window with
// what the rest of the grid leads to expect, and judges the clearest ones by
// the chance of as clear a one anywhere when nothing is going on. That chance
// allows for every place, kind and window tried.
//
// To be expected is a share of all reports of that kind at that place: by
// exposure when given, and, unless o.OwnPast, by what the kind did everywhere in
// the same periods. When nothing is going on, each report of a kind at a place
// falls into a period by these shares. The distribution of the clearest window
// of the whole grid then follows exactly, where such scans commonly simulate a
// thousand grids: it takes less time than they do, is not limited to p-values
// above one in a thousand, and is the same on every run. P-values of all but the
// clearest cluster are a little too large, on the safe side.
//
// A grid without a window worth judging has no clusters. Sizes must be at least
// 1 and fit Counts and Exposure, of at most 5e7 cells; counts in [0, 1e6] with
// exposure above 0 wherever there are reports; o.Longest below Periods;
// otherwise the error wraps [dist.ErrDomain].
//
// Kulldorff (2001), Journal of the Royal Statistical Society A 164:61-72, for
// prospective scans; Kulldorff et al. (2005), PLoS Medicine 2:e59, for
// expectations from margins alone.
func Scan(g Grid, o ScanOptions) (ScanResult, error) {
	const op = "cause: scan"
	if err := o.complete(op, g); err != nil {
		return ScanResult{}, err
	}
	if err := g.check(op); err != nil {
		return ScanResult{}, err
	}
	r := ScanResult{Method: fmt.Sprintf("space-time scan of windows up to %d periods, exact, given how often each kind is reported at each place", o.Longest)}
	var pairs []pair
	for k := range g.Kinds {
		recent := g.recentShares(k, o)
		total := 0
		for p := range g.Places {
			total += g.total(p, k)
		}
		for p := range g.Places {
			n := g.total(p, k)
			if n < o.MinCases {
				continue
			}
			r.Pairs++
			if 2*n >= total && !o.OwnPast {
				r.Blind++
			}
			pairs = append(pairs, pair{place: p, kind: k, total: n, share: recent[p]})
		}
	}
	r.Windows = r.Pairs * o.Longest
	for i := range pairs {
		if c, ok := g.clearest(pairs[i], o); ok {
			r.Clusters = append(r.Clusters, c)
		}
	}
	slices.SortStableFunc(r.Clusters, func(a, b Cluster) int { return cmp.Compare(b.LR, a.LR) })
	r.Clusters = slices.Clip(r.Clusters[:min(len(r.Clusters), o.Show)])
	for i := range r.Clusters {
		p, err := chanceAnywhere(pairs, r.Clusters[i].LR, o.MinCases)
		if err != nil {
			return ScanResult{}, fmt.Errorf("%s: %w", op, err)
		}
		r.Clusters[i].PValue = p
	}
	return r, nil
}

func (o *ScanOptions) complete(op string, g Grid) error {
	if o.Longest == 0 {
		o.Longest = max(1, min(6, g.Periods/2))
	}
	if o.MinCases == 0 {
		o.MinCases = 3
	}
	if o.Show == 0 {
		o.Show = 10
	}
	switch {
	case g.Periods < 2:
		return dist.BadInt(op, "periods", g.Periods, "must be at least 2")
	case o.Longest < 1 || o.Longest >= g.Periods:
		return dist.BadInt(op, "longest", o.Longest, "must be at least 1 and less than all periods")
	case o.MinCases < 1:
		return dist.BadInt(op, "least cases", o.MinCases, "must be at least 1 report")
	case o.Show < 1 || o.Show > 10_000:
		return dist.BadInt(op, "show", o.Show, "must be at least 1 and at most 10,000")
	}
	return nil
}

func (g Grid) check(op string) error {
	for _, s := range []struct {
		name string
		n    int
	}{{"places", g.Places}, {"kinds", g.Kinds}, {"periods", g.Periods}} {
		if s.n < 1 || s.n > maxGrid {
			return dist.BadInt(op, s.name, s.n, "must be at least 1")
		}
	}
	if g.Places > maxGrid/g.Kinds || g.Places*g.Kinds > maxGrid/g.Periods {
		return dist.BadInt(op, "counts", len(g.Counts), "must be at most 5e7 cells")
	}
	if want := g.Places * g.Kinds * g.Periods; len(g.Counts) != want {
		return dist.BadInt(op, "counts", len(g.Counts), fmt.Sprintf("must be %d, places times kinds times periods", want))
	}
	if want := g.Places * g.Periods; g.Exposure != nil && len(g.Exposure) != want {
		return dist.BadInt(op, "exposure", len(g.Exposure), fmt.Sprintf("must be %d, places times periods, or none", want))
	}
	for i, e := range g.Exposure {
		if !(e == 0 || (e >= 1e-9 && e <= 1e15)) {
			return dist.BadFloat(op, fmt.Sprintf("exposure[%d]", i), e, "must be 0, or at least 1e-9 and at most 1e15 units")
		}
	}
	for i, n := range g.Counts {
		if n < 0 || n > 1_000_000 {
			return dist.BadInt(op, fmt.Sprintf("counts[%d]", i), n, "must be at least 0 and at most 1,000,000 reports")
		}
		if p, t := i/(g.Kinds*g.Periods), i%g.Periods; n > 0 && g.hours(p, t) == 0 {
			return dist.BadInt(op, fmt.Sprintf("counts[%d]", i), n, "must be 0 where the exposure is 0: check the hours")
		}
	}
	return nil
}

func (g Grid) hours(p, t int) float64 {
	if g.Exposure == nil {
		return 1
	}
	return g.Exposure[p*g.Periods+t]
}

func (g Grid) at(p, k, t int) int { return g.Counts[(p*g.Kinds+k)*g.Periods+t] }

func (g Grid) total(p, k int) int {
	n := 0
	for t := range g.Periods {
		n += g.at(p, k, t)
	}
	return n
}

// recentShares returns, for each place, the share of its reports of kind k that
// the last 1, 2, ... periods should hold.
func (g Grid) recentShares(k int, o ScanOptions) [][]float64 {
	season := make([]float64, g.Periods) // what the kind did everywhere, for given hours
	for t := range season {
		season[t] = 1
	}
	if !o.OwnPast {
		g.fitSeason(k, season)
	}
	out := make([][]float64, g.Places)
	for p := range out {
		all := 0.0
		for t := range season {
			all += g.hours(p, t) * season[t]
		}
		out[p] = make([]float64, o.Longest)
		sum := 0.0
		for l := range o.Longest {
			t := g.Periods - 1 - l
			sum += g.hours(p, t) * season[t]
			if all > 0 {
				out[p][l] = min(1, sum/all)
			}
		}
	}
	return out
}

// fitSeason scales the periods until what is expected in each over all places
// equals what was counted there, which is the likelihood's maximum. With equal
// hours one round does it.
func (g Grid) fitSeason(k int, season []float64) {
	counted := make([]float64, g.Periods)
	totals := make([]float64, g.Places)
	for p := range totals {
		for t := range counted {
			n := float64(g.at(p, k, t))
			counted[t] += n
			totals[p] += n
		}
	}
	expected := make([]float64, g.Periods)
	for range 200 {
		clear(expected)
		for p, n := range totals {
			if n == 0 {
				continue
			}
			all := 0.0
			for t := range season {
				all += g.hours(p, t) * season[t]
			}
			for t := range season {
				expected[t] += n * g.hours(p, t) * season[t] / all
			}
		}
		off := 0.0
		for t := range season {
			switch {
			case counted[t] == 0:
				season[t] = 0
			case expected[t] > 0:
				season[t] *= counted[t] / expected[t]
				off = max(off, math.Abs(counted[t]-expected[t])/counted[t])
			}
		}
		if off < 1e-9 {
			return
		}
	}
}

// clearest returns the window of a pair with the highest likelihood ratio, if
// any holds more than expected.
func (g Grid) clearest(q pair, o ScanOptions) (best Cluster, ok bool) {
	n := 0
	for l := range o.Longest {
		t := g.Periods - 1 - l
		n += g.at(q.place, q.kind, t)
		if n < o.MinCases {
			continue
		}
		if lr := q.lr(n, l); lr > best.LR {
			ok = true
			best = Cluster{Place: q.place, Kind: q.kind, From: t, Periods: l + 1, Count: n, Expected: q.share[l] * float64(q.total), Total: q.total, LR: lr}
		}
	}
	return best, ok
}
