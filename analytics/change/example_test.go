package change_test

import (
	"fmt"

	"fairlead/analytics/change"
)

// Explosions with ten or more deaths in British coal mines, by year from 1851:
// Jarrett (1979), Biometrika 66:191-193.
func ExampleFind() {
	disasters := []int{
		4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5,
		3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1,
		0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1,
		2, 1, 1, 1, 1, 2, 3, 3, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1,
	}
	p, err := change.Find(disasters, nil, change.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	first, last, err := p.Span(0.9)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f a year until %d, %.1f after; the year lies between %d and %d with 90 %% probability\n", p.RateBefore, 1850+p.After, p.RateAfter, 1850+first, 1850+last)
	fmt.Printf("as clear a change by chance alone: p = %.0e, %s\n", p.PValue, p.Method)
	// Output:
	// 3.1 a year until 1891, 0.9 after; the year lies between 1886 and 1893 with 90 % probability
	// as clear a change by chance alone: p = 4e-15, exact, given the total, over all dates
}

// Wave damage to cargo ships built in 1970-74 and sailing in 1975-79, by type of
// ship: incidents over months of service, from McCullagh and Nelder (1989),
// Generalized Linear Models, section 6.3.2, as in fixture 10.
func ExamplePoisson() {
	incidents := []int{18, 44, 2, 11, 12}
	service := []float64{3353, 13099, 1948, 1208, 2161}
	kind := change.Factor("type ", []string{"A", "B", "C", "D", "E"})
	f, err := change.Poisson(incidents, service, kind)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, name := range []string{"type B", "type C"} {
		e, err := f.Effect(name, 1, 0.95, false)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s against A: %.2f times as often (%.2f to %.2f)\n", name, e.Ratio, e.Lo, e.Hi)
	}
	// Output:
	// type B against A: 0.63 times as often (0.36 to 1.08)
	// type C against A: 0.19 times as often (0.04 to 0.82)
}
