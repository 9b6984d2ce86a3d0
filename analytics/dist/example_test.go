package dist_test

import (
	"fmt"

	"fairlead/analytics/dist"
)

// How unlikely are nine cases or more in a month when four are usual, and above
// which count would chance go in one month of 740?
func ExamplePoisson() {
	d, err := dist.NewPoisson(4)
	if err != nil {
		fmt.Println(err)
		return
	}
	limit, err := d.UpperQuantile(0.00135)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("P(X >= 9) = %.4f, upper limit %d\n", d.Survival(9), limit)
	// Output: P(X >= 9) = 0.0214, upper limit 11
}
