package agree_test

import (
	"fmt"

	"fairlead/analytics/agree"
)

// Two people sorted 200 patients into three groups, as printed in Cohen (1960),
// Educational and Psychological Measurement 20:37-46 (proportions times 200).
func ExampleCohen() {
	k, err := agree.Cohen([][]int{{88, 14, 18}, {10, 40, 10}, {2, 6, 12}}, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("they agree on %.0f %%, chance alone would give %.0f %%: kappa %.2f (%.2f to %.2f)\n", 100*k.Observed, 100*k.Expected, k.Value, k.Lo, k.Hi)
	// Output: they agree on 70 %, chance alone would give 41 %: kappa 0.49 (0.39 to 0.59)
}
