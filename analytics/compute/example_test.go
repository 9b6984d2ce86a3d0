package compute_test

import (
	"fmt"

	"fairlead/analytics/compute"
)

func Example() {
	r, err := compute.Run("rate", map[string]any{
		"count": 3.0, "exposure": 412_000.0, "event": "lost-time injury", "events": "lost-time injuries",
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(r.Sentence)
	fmt.Printf("%.2f %.2f\n", r.Outputs["lower"], r.Outputs["upper"])
	_, err = compute.Run("rate", map[string]any{"count": -3.0, "hours": 412_000.0})
	fmt.Println(err)
	// Output:
	// 3 lost-time injuries in 412,000 hours: 7.28 per million hours, and anything from 1.5 to 21.3 would fit (95 %, exact (Garwood)).
	// 1.50 21.28
	// compute: rate: hours is no input of rate; did you mean exposure?; count is -3: must be at least 0 and below 1e9; exposure is missing: give the hours in which the cases arose, a number
}
