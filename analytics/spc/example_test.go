package spc_test

import (
	"fmt"

	"fairlead/analytics/spc"
)

// Two years of months at a depot, then a month of eleven.
func Example() {
	counts := []int{3, 4, 2, 5, 3, 4, 3, 2, 4, 3, 5, 3, 4, 2, 3, 4, 3, 5, 2, 3, 4, 3, 3, 4, 11}
	var months []spc.Period
	for i, n := range counts {
		months = append(months, spc.Period{Label: fmt.Sprintf("month %d", i+1), Count: n, Exposure: 34_000 + float64(i%3)*500})
	}
	choice, err := spc.Choose(months, 1_000_000)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(choice.Reason)
	choice.Options.Baseline = 24 // frozen since the second year was complete
	chart, err := spc.New(months, choice.Options)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(chart.Verdict(spc.Words{One: "near miss", Many: "near misses"}).Sentence)
	fmt.Println(chart.Method)
	// Output:
	// 3.68 events a period: few enough that limits at three sigma mislead, so the limits are exact Poisson ones, and hours stay within 25 % of their mean, so counts can be charted as they are.
	// month 25: 11 near misses, above the upper limit of 10. More than chance.
	// c-chart, exact Poisson limits, at most 0.00135 beyond each by chance
}
