package dist

// maxSupport bounds the table a hypergeometric distribution keeps.
const maxSupport = 4_000_000

// Hypergeometric is the distribution of one cell of a 2x2 table with all four
// margins fixed: of draws things drawn from white and black ones, how many are
// white. odds weighs a white draw against a black one; 1 is the central
// distribution, other values Fisher's noncentral one, by which exact limits of
// an odds ratio are found. The zero value is not valid; make one.
type Hypergeometric struct {
	lo   int       // least possible count
	pmf  []float64 // from lo
	cdf  []float64 // summed from below
	surv []float64 // summed from above
	mean float64
}

// NewHypergeometric returns the distribution of the number of white things
// among draws drawn without replacement from white and black ones, each white
// one having the given odds against a black one. white and black must be in
// [0, 1e9], draws in [0, white+black], odds in (0, 1e300]; and the count must
// have at most 4,000,001 possible values. Otherwise the error wraps
// [ErrDomain].
//
// Fisher (1935), Journal of the Royal Statistical Society 98:39-82.
func NewHypergeometric(white, black, draws int, odds float64) (Hypergeometric, error) {
	const op = "dist: hypergeometric"
	switch {
	case white < 0 || white > MaxMean:
		return Hypergeometric{}, BadInt(op, "white", white, "must be at least 0 and at most 1e9")
	case black < 0 || black > MaxMean:
		return Hypergeometric{}, BadInt(op, "black", black, "must be at least 0 and at most 1e9")
	case draws < 0 || draws > white+black:
		return Hypergeometric{}, BadInt(op, "draws", draws, "must be at least 0 and at most white plus black")
	case !(odds >= 1e-300 && odds <= 1e300):
		return Hypergeometric{}, BadFloat(op, "odds", odds, "must be above 0 and at most 1e300")
	}
	lo, hi := max(0, draws-black), min(white, draws)
	if hi-lo > maxSupport {
		return Hypergeometric{}, BadInt(op, "draws", draws, "leaves more than 4,000,001 possible counts")
	}
	d := Hypergeometric{lo: lo, pmf: make([]float64, hi-lo+1)}
	d.fill(float64(white), float64(black), float64(draws), odds)
	return d, nil
}

// fill works out the probabilities from the ratio of neighbours, starting at
// the mode so that nothing overflows and only what is negligible underflows.
func (d *Hypergeometric) fill(white, black, draws, odds float64) {
	lo := float64(d.lo)
	// ratio of P(k) to P(k-1)
	ratio := func(i int) float64 {
		k := lo + float64(i)
		return (white - k + 1) / k * ((draws - k + 1) / (black - draws + k)) * odds
	}
	mode := 0
	// The ratio falls with k; the mode is the last k at which it is above one.
	for a, b := 1, len(d.pmf)-1; a <= b; {
		if m := a + (b-a)/2; ratio(m) >= 1 {
			mode, a = m, m+1
		} else {
			b = m - 1
		}
	}
	d.pmf[mode] = 1
	for i := mode + 1; i < len(d.pmf); i++ {
		d.pmf[i] = d.pmf[i-1] * ratio(i)
	}
	for i := mode; i > 0; i-- {
		d.pmf[i-1] = d.pmf[i] / ratio(i)
	}
	// Add up from both ends inwards: small terms first.
	n := len(d.pmf)
	d.cdf, d.surv = make([]float64, n), make([]float64, n)
	var below, above, moment float64
	for i := range n {
		below += d.pmf[i]
		d.cdf[i] = below
		above += d.pmf[n-1-i]
		d.surv[n-1-i] = above
	}
	total := below
	for i := range n {
		d.pmf[i] /= total
		d.cdf[i] = min(1, d.cdf[i]/total)
		d.surv[i] = min(1, d.surv[i]/total)
		moment += float64(i) * d.pmf[i]
	}
	d.mean = lo + moment
}

// Support returns the least and the greatest possible count.
func (d Hypergeometric) Support() (lo, hi int) { return d.lo, d.lo + max(0, len(d.pmf)-1) }

// Mean returns the expected count.
func (d Hypergeometric) Mean() float64 { return d.mean }

// PMF returns P(X = k). It is zero outside the support.
func (d Hypergeometric) PMF(k int) float64 {
	if k < d.lo || k-d.lo >= len(d.pmf) {
		return 0
	}
	return d.pmf[k-d.lo]
}

// CDF returns P(X <= k), summed from below.
func (d Hypergeometric) CDF(k int) float64 {
	switch {
	case k < d.lo:
		return 0
	case k-d.lo >= len(d.cdf):
		return 1
	}
	return d.cdf[k-d.lo]
}

// Survival returns P(X >= k), with k included, summed from above.
func (d Hypergeometric) Survival(k int) float64 {
	switch {
	case k <= d.lo:
		return 1
	case k-d.lo >= len(d.surv):
		return 0
	}
	return d.surv[k-d.lo]
}
