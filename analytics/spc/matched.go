package spc

import (
	"math"

	"fairlead/analytics/dist"
)

// MatchedRuns returns the run lengths that make a run on either side of the
// centre about as unlikely as eight in a row are for a symmetric chart: the
// least lengths r with P(side)^r <= 2^-8. Counts are skewed, so the two sides of
// their mean are not equally likely: at a mean of 1.05 a month lies below it
// with probability 0.72, and eight such months in a row come by chance once in
// four years; the matched length there is 17. A mean of zero or less, or one that is
// not finite, gives the plain eight.
func MatchedRuns(mean float64) RunLength {
	plain := RunLength{Above: defaultRun, Below: defaultRun}
	d, err := dist.NewPoisson(mean)
	if err != nil || mean <= 0 {
		return plain
	}
	below := d.CDF(int(math.Ceil(mean)) - 1)
	above := d.Survival(int(math.Floor(mean)) + 1)
	need := func(p float64) int {
		if p <= 0 || p >= 1 {
			return defaultRun
		}
		return max(defaultRun, int(math.Ceil(defaultRun*math.Ln2/-math.Log(p)-1e-9)))
	}
	return RunLength{Above: need(above), Below: need(below)}
}
