package change

import (
	"math"
	"math/rand/v2"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/stat/distuv"
)

// exactWork bounds the multiplications spent on an exact p-value: about a
// second on one core.
const exactWork = 400_000_000

// leastP is the smallest p-value reported; what is left out of the tables adds
// up to less.
const leastP = 1e-90

// exact returns the chance that the statistic reaches lr at some date, given
// the total. Running totals that stay quiet at every date form a band; the
// chance of leaving it is added up at the first date at which it is left,
// never as one minus something, so that small values keep their digits.
//
// Given the total, running totals are a Markov chain: of Poisson counts with
// any common rate. Each first exit is weighed with the chance that the rest of
// the series brings the total to what it was.
func (s series) exact(lr float64) (p float64, ok bool) {
	n, e := s.total()
	if lr <= 0 {
		return 1, true
	}
	band, last := s.band(lr), s.hi
	work := 0.0
	for k := 1; k <= last; k++ {
		mean := (s.exposure[k] - s.exposure[k-1]) / e * float64(n)
		work += float64(band[k-1].width()) * min(float64(n+1-band[k-1].lo), 45*math.Sqrt(mean)+200)
	}
	if work > exactWork {
		return 0, false
	}
	rate := float64(n) / e
	total := logPoisson(n, float64(n))
	f := []float64{1} // chance of band[k].lo + i cases so far, never having left the band
	for k := 1; k <= last; k++ {
		first, step := poissonTable((s.exposure[k]-s.exposure[k-1])*rate, n-band[k-1].lo)
		g := make([]float64, n+1)
		for i, w := range f {
			from := band[k-1].lo + i + first
			for d := 0; d < len(step) && from+d <= n; d++ {
				g[from+d] += w * step[d]
			}
		}
		rest := (e - s.exposure[k]) * rate
		for y, w := range g {
			if w > 0 && !band[k].holds(y) {
				p += w * math.Exp(logPoisson(n-y, rest)-total)
			}
		}
		if band[k].width() == 0 {
			break // every series has left by now
		}
		f = g[band[k].lo : band[k].hi+1]
	}
	return min(1, max(p, leastP)), true
}

// span is a range of running totals; empty when hi < lo.
type span struct{ lo, hi int }

func (b span) width() int       { return max(0, b.hi-b.lo+1) }
func (b span) holds(y int) bool { return y >= b.lo && y <= b.hi }

// band returns, for each date, the totals at which the statistic stays below
// lr. Dates that are not looked at let everything pass.
func (s series) band(lr float64) []span {
	n, _ := s.total()
	out := make([]span, len(s.cases))
	// A tie counts as reached, however it was rounded.
	limit := lr / 2 * (1 - 1e-9)
	for k := range out {
		if k == 0 {
			continue // no case before the first period
		}
		out[k] = span{0, n}
		if k < s.lo || k > s.hi || !s.splits(k) {
			continue
		}
		// The gain is zero at the proportional share and rises away from it.
		_, e := s.total()
		mid := int(float64(n) * s.exposure[k] / e)
		out[k].lo = leastInt(0, mid+1, func(y int) bool { return s.gain(y, k) < limit })
		out[k].hi = leastInt(mid+1, n+1, func(y int) bool { return s.gain(y, k) >= limit }) - 1
	}
	return out
}

// leastInt returns the least y in [lo, hi) with ok(y), or hi; ok must be false
// and then true.
func leastInt(lo, hi int, ok func(int) bool) int {
	for lo < hi {
		mid := lo + (hi-lo)/2
		if ok(mid) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// poissonTable returns P(X = first), P(X = first+1) and so on up to P(X = top),
// cut on both sides where less than leastP is left.
func poissonTable(mean float64, top int) (first int, q []float64) {
	if mean == 0 {
		return 0, []float64{1}
	}
	first = int(max(0, mean-22*math.Sqrt(mean)-1))
	for k := first; k <= top; k++ {
		p := math.Exp(logPoisson(k, mean))
		if p < leastP && float64(k) > mean {
			break
		}
		q = append(q, p)
	}
	return first, q
}

// logPoisson returns log P(X = k) for a Poisson mean, a large negative number
// where it is zero.
func logPoisson(k int, mean float64) float64 {
	const never = -1e300
	d, err := dist.NewPoisson(mean)
	if err != nil {
		return never // a mean past the domain: not reached, totals are bounded
	}
	if lp, ok := d.LogPMF(k); ok {
		return lp
	}
	return never
}

// simulate returns the share of simulated series with the same total in which
// the statistic reaches lr, the series at hand counted among them.
func (s series) simulate(lr float64, draws int, seed uint64) float64 {
	src := rand.NewPCG(seed, 0x6368616e6765)
	n, _ := s.total()
	band := s.band(lr)
	reached := 1
	draw := s.sampler(src)
	for range draws {
		y := 0
		for k, c := range draw() {
			y += c
			if k+1 < len(band)-1 && !band[k+1].holds(y) {
				reached++
				break
			}
			if y == n && k+1 >= s.hi {
				break
			}
		}
	}
	return float64(reached) / float64(draws+1)
}

// sampler returns a function that spreads the cases over the periods in
// proportion to exposure. The slice it returns is overwritten by the next call.
func (s series) sampler(src *rand.PCG) func() []int {
	n, e := s.total()
	periods := len(s.cases) - 1
	out := make([]int, periods)
	if n > 30*periods {
		// Many cases: one binomial draw per period.
		return func() []int {
			left, rest := n, e
			for i := range out {
				w := s.exposure[i+1] - s.exposure[i]
				switch {
				case left == 0 || w == 0:
					out[i] = 0
				case w >= rest*(1-1e-15):
					out[i] = left
				default:
					out[i] = min(left, int(distuv.Binomial{N: float64(left), P: w / rest, Src: src}.Rand()))
				}
				left -= out[i]
				rest = e - s.exposure[i+1]
			}
			return out
		}
	}
	// Few cases: place each by itself. Its period is found in the running
	// exposure, from a table of first guesses.
	r := rand.New(src)
	guess := make([]int, 4*periods)
	for j, i := 0, 0; j < len(guess); j++ {
		for i < periods-1 && s.exposure[i+1] <= e*float64(j)/float64(len(guess)) {
			i++
		}
		guess[j] = i
	}
	return func() []int {
		clear(out)
		for range n {
			u := r.Float64()
			i := guess[int(u*float64(len(guess)))]
			for i < periods-1 && s.exposure[i+1] <= u*e {
				i++
			}
			out[i]++
		}
		return out
	}
}
