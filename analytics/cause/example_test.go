package cause_test

import (
	"fmt"

	"fairlead/analytics/cause"
)

// Fisher's tea tasting (The Design of Experiments, 1935): milk was poured first
// into four of eight cups, and three of the four were named. What sounds like
// skill is no more than chance.
func ExampleAssociate() {
	s, err := cause.Associate(cause.Fourfold{Both: 3, ExposureOnly: 1, OutcomeOnly: 1, Neither: 3}, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	o := s.Odds()
	fmt.Printf("odds ratio %.2f (%.2f to %.0f), p = %.3f\n", o.Value, o.Lo, o.Hi, s.Fisher.TwoSided)
	// Output: odds ratio 6.41 (0.21 to 626), p = 0.486
}

// Fifteen comparisons of two treatments, from Benjamini and Hochberg (1995),
// Journal of the Royal Statistical Society B 57:289-300, section 4.1.
func ExampleAdjust() {
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1}
	for _, c := range []cause.Correction{cause.BenjaminiHochberg, cause.Bonferroni} {
		adjusted, err := cause.Adjust(p, c)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s: %d of %d, where nine are below 5 %% by themselves\n", c, cause.Finds(adjusted, 0.05), len(p))
	}
	// Output:
	// Benjamini-Hochberg: 4 of 15, where nine are below 5 % by themselves
	// Bonferroni: 3 of 15, where nine are below 5 % by themselves
}

// Four workplaces, one kind of report, twelve months: at the third one it has
// begun to pile up.
func ExampleScan() {
	counts := []int{
		2, 1, 3, 2, 2, 1, 2, 3, 1, 2, 2, 2, // Northside depot
		1, 0, 1, 2, 1, 1, 0, 1, 2, 1, 1, 1, // Lakeside nursery
		1, 1, 0, 2, 1, 0, 1, 1, 1, 5, 6, 7, // Transfer station
		3, 2, 4, 3, 2, 3, 3, 4, 2, 3, 3, 3, // Quarry Road depot
	}
	s, err := cause.Scan(cause.Grid{Places: 4, Kinds: 1, Periods: 12, Counts: counts}, cause.ScanOptions{Show: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	c := s.Clusters[0]
	fmt.Printf("place %d, last %d months: %d reports where %.1f were to be expected; by chance one as clear in %.0f scans\n", c.Place, c.Periods, c.Count, c.Expected, c.OnceIn())
	// Output: place 2, last 3 months: 18 reports where 9.8 were to be expected; by chance one as clear in 85 scans
}
