package rate_test

import (
	"fmt"

	"fairlead/analytics/rate"
)

// Three lost-time injuries in 412,000 hours worked, per million hours.
func ExampleOf() {
	r, err := rate.Of(3, 412_000, rate.PerMillion, rate.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	value, err := rate.Decimal(3, r.Base, r.Exposure, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d in %.0f hours: %s per million, and anything from %.1f to %.0f would fit (%g %%, %s)\n",
		r.Count, r.Exposure, value, r.Lo, r.Hi, 100*r.Level, r.Method)
	// Output: 3 in 412000 hours: 7.3 per million, and anything from 1.5 to 21 would fit (95 %, exact (Garwood))
}

// Nine last year, seventeen the year before.
func ExampleCompare() {
	c, err := rate.Compare(rate.Sample{Count: 9, Exposure: 840_000}, rate.Sample{Count: 17, Exposure: 910_000}, 1, rate.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("ratio %.2f, %.2f to %.2f, p = %.2f\n", c.Ratio, c.Lo, c.Hi, c.PValue)
	// Output: ratio 0.57, 0.23 to 1.36, p = 0.24
}

// How long until a halving could be seen?
func ExampleDetect() {
	d, err := rate.Detect(rate.Sample{Count: 40, Exposure: 2_000_000}, 0.5, rate.DetectOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("about %.1f million hours\n", d.Exposure/1e6)
	d, err = rate.Detect(rate.Sample{Count: 4, Exposure: 2_000_000}, 0.5, rate.DetectOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(d.Reason)
	// Output:
	// about 2.1 million hours
	// the past rate rests on 4 cases and is itself too uncertain: however many hours follow, a change of this size lies inside its interval
}
