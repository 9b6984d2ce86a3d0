package sites_test

import (
	"fmt"

	"fairlead/analytics/sites"
)

// Ten pumps of a power plant, failures in thousand hours: Gaver and
// O'Muircheartaigh (1987), Technometrics 29:1-15. The seventh failed once in
// 1,050 hours, 0.95 per thousand hours; its record is so short that its rate is
// drawn half-way towards the group's.
func ExampleShrink() {
	failures := []int{5, 1, 5, 14, 3, 19, 1, 1, 4, 22}
	hours := []float64{94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5}
	s, err := sites.Shrink(failures, hours, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("the group: gamma with shape %.3f and rate %.3f\n", s.Alpha, s.Beta)
	for _, i := range []int{0, 6} {
		p := s.Sites[i]
		fmt.Printf("pump %d: %.3f as counted, probably %.3f (%.3f to %.3f); its own record weighs %.0f %%\n", i+1, p.Raw, p.Mean, p.Full.Lo, p.Full.Hi, 100*p.Weight)
	}
	// Output:
	// the group: gamma with shape 0.823 and rate 1.262
	// pump 1: 0.053 as counted, probably 0.061 (0.022 to 0.120); its own record weighs 99 %
	// pump 7: 0.952 as counted, probably 0.789 (0.073 to 2.234); its own record weighs 45 %
}

// Six crews of a works depot. Mowing has told nothing in as many hours as trees
// told 31 times in: what happens there is not known.
func ExampleSilent() {
	s, err := sites.Silent([]sites.Site{
		{Label: "trees", Count: 31, Exposure: 20_000},
		{Label: "roads", Count: 28, Exposure: 19_000},
		{Label: "mowing", Count: 0, Exposure: 21_000},
		{Label: "waste", Count: 25, Exposure: 16_000},
		{Label: "drainage", Count: 30, Exposure: 20_000},
		{Label: "casuals", Count: 0, Exposure: 900},
	}, sites.SilenceOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range s.Crews {
		switch {
		case c.Silent:
			fmt.Printf("%s: %d where about %.0f were to be expected: unknown\n", c.Label, c.Count, c.Expected)
		case !c.CanTell:
			fmt.Printf("%s: too few hours to say; %.0f would be needed\n", c.Label, c.Needed)
		}
	}
	// Output:
	// mowing: 0 where about 31 were to be expected: unknown
	// casuals: too few hours to say; 3701 would be needed
}
