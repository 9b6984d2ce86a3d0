package sites

import "fairlead/analytics/dist"

// Moments is the shrinkage of rates by their first two moments, which needs no
// distribution of true rates and no search: a check on [Shrink], and the
// customary way on maps.
type Moments struct {
	PooledRate float64
	Variance   float64   // of true rates between places; 0 when they differ no more than chance
	Rates      []float64 // in the order of the places
	Defined    bool
	Reason     string // why it is undefined; empty when it is defined
}

// ShrinkByMoments returns the rates of places, each drawn towards the pooled
// rate. A place without exposure gets the pooled rate. Without exposure at all
// the result is undefined. The domain is that of [Shrink].
//
// Marshall (1991), Applied Statistics 40:283-294, global empirical Bayes.
func ShrinkByMoments(counts []int, exposures []float64) (Moments, error) {
	const op = "sites: shrink by moments"
	cases, exposure, err := checkSites(op, counts, exposures)
	if err != nil {
		return Moments{}, err
	}
	m := Moments{Rates: make([]float64, len(counts))}
	if exposure == 0 {
		m.Reason = "no place has hours: there is no rate"
		return m, nil
	}
	m.Defined, m.PooledRate = true, float64(cases)/exposure
	places := 0.0
	for i, e := range exposures {
		if e > 0 {
			places++
			d := float64(counts[i])/e - m.PooledRate
			m.Variance += e / exposure * d * d
		}
	}
	m.Variance = max(0, m.Variance-m.PooledRate/(exposure/places))
	for i, e := range exposures {
		m.Rates[i] = m.PooledRate
		if e > 0 && m.Variance > 0 {
			m.Rates[i] += m.Variance / (m.Variance + m.PooledRate/e) * (float64(counts[i])/e - m.PooledRate)
		}
	}
	if !finite(m.Variance) {
		return Moments{}, dist.BadFloat(op, "exposures", exposure, "differ so much that the spread overflows")
	}
	return m, nil
}
