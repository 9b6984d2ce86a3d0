package survive_test

import (
	"fmt"

	"fairlead/analytics/survive"
)

// The remission times of Freireich et al. (1963), Blood 21:699-716, as printed
// in Cox and Oakes (1984), Analysis of Survival Data, p. 7: weeks, and false
// where the patient was still well when last seen. The series every textbook of
// the method works through; with actions, read "closed" for the event.
func ExampleKaplanMeier() {
	weeks := []float64{6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35}
	ended := []bool{true, true, true, false, true, false, true, false, false, true, true, false, false, false, true, true, false, false, false, false, false}
	var items []survive.Observation
	for i := range weeks {
		items = append(items, survive.Observation{Time: weeks[i], Done: ended[i]})
	}
	c, err := survive.KaplanMeier(items, survive.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	first, m := c.Steps[0], c.Median()
	fmt.Printf("after %g weeks %.3f (%.3f to %.3f) with %d at risk\n", first.Time, first.Survival, first.Lo, first.Hi, first.AtRisk)
	fmt.Printf("median %g weeks, at least %g; an upper limit exists: %v\n", m.Time, m.Lo, m.HasHi)
	// Output:
	// after 6 weeks 0.857 (0.620 to 0.952) with 21 at risk
	// median 23 weeks, at least 13; an upper limit exists: false
}
