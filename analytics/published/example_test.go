package published_test

import (
	"fmt"

	"fairlead/analytics/published"
)

// One method on one's own numbers, by the names the fixtures use.
func ExampleCompute() {
	in := published.NewInputs(map[string]any{"count": 10.0, "exposure": 1.0, "conf": 0.95}, nil)
	r, err := published.Compute("exact_count_ci", in)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f to %.4f\n", r["lower"], r["upper"])
	// Output: 4.7954 to 18.3904
}
