package sites

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

const (
	defaultLevel = 0.95
	minExposure  = 1e-9
	maxExposure  = 1e15
	maxCount     = 100_000_000
	maxSites     = 100_000
)

// checkSites checks counts with their exposures and returns the totals. A place
// without exposure must have no case.
func checkSites(op string, counts []int, exposures []float64) (cases int, exposure float64, err error) {
	if len(counts) != len(exposures) {
		return 0, 0, dist.BadInt(op, "exposures", len(exposures), fmt.Sprintf("must be as many as the %d counts", len(counts)))
	}
	if len(counts) > maxSites {
		return 0, 0, dist.BadInt(op, "counts", len(counts), "must be at most 100,000 places")
	}
	for i, n := range counts {
		if err := checkSite(op, fmt.Sprintf("[%d]", i), n, exposures[i]); err != nil {
			return 0, 0, err
		}
		cases += n
		exposure += exposures[i]
	}
	if cases > maxCount {
		return 0, 0, dist.BadInt(op, "counts", cases, "must add up to at most 1e8 cases")
	}
	return cases, exposure, nil
}

func checkSite(op, where string, n int, e float64) error {
	switch {
	case n < 0 || n > maxCount:
		return dist.BadInt(op, "counts"+where, n, "must be at least 0 and at most 1e8 cases")
	case !(e == 0 || (e >= minExposure && e <= maxExposure)):
		return dist.BadFloat(op, "exposures"+where, e, "must be 0, or at least 1e-9 and at most 1e15 units, such as hours worked")
	case e == 0 && n > 0:
		return dist.BadInt(op, "counts"+where, n, "must be 0 where the exposure is 0: check the hours")
	}
	return nil
}

// finite reports whether x is neither NaN nor an infinity.
func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
