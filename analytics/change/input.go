package change

import (
	"fmt"

	"fairlead/analytics/dist"
)

const (
	minExposure = 1e-9
	maxExposure = 1e15
	maxCount    = 100_000_000
)

// checkSeries checks counts with their exposures, which may be nil for equal
// exposure, and returns the totals.
func checkSeries(op string, counts []int, exposures []float64) (cases int, exposure float64, err error) {
	if exposures != nil && len(exposures) != len(counts) {
		return 0, 0, dist.BadInt(op, "exposures", len(exposures), fmt.Sprintf("must be as many as the %d counts, or none for equal exposure", len(counts)))
	}
	for i, n := range counts {
		if n < 0 || n > maxCount {
			return 0, 0, dist.BadInt(op, fmt.Sprintf("counts[%d]", i), n, "must be at least 0 and at most 1e8 cases")
		}
		e := exposureAt(exposures, i)
		if !(e == 0 || (e >= minExposure && e <= maxExposure)) {
			return 0, 0, dist.BadFloat(op, fmt.Sprintf("exposures[%d]", i), e, "must be 0, or at least 1e-9 and at most 1e15 units, such as hours worked")
		}
		if e == 0 && n > 0 {
			return 0, 0, dist.BadInt(op, fmt.Sprintf("counts[%d]", i), n, "must be 0 where the exposure is 0: check the hours")
		}
		cases += n
		exposure += e
	}
	if cases > maxCount {
		return 0, 0, dist.BadInt(op, "counts", cases, "must add up to at most 1e8 cases")
	}
	return cases, exposure, nil
}

// exposureAt returns the exposure of a period; nil exposures are all 1.
func exposureAt(exposures []float64, i int) float64 {
	if exposures == nil {
		return 1
	}
	return exposures[i]
}
