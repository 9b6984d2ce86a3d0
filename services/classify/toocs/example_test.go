package toocs_test

import (
	"errors"
	"fmt"

	"fairlead/services/classify/toocs"
)

// Words are looked up, a person chooses, and the code is resolved before it is
// stored beside its edition.
func Example() {
	table := toocs.Default()
	for _, m := range table.LookUp(toocs.MechanismFacet, "hit by falling branch", 2) {
		fmt.Println(m.Code)
	}
	code, err := table.Resolve(toocs.MechanismFacet, "21")
	fmt.Println(code, err, "/", table.Edition())
	// Output:
	// 21 Being hit by falling objects
	// 28 Being hit by moving objects
	// 21 Being hit by falling objects <nil> / TOOCS 3.1 (2008-05)
}

func ExampleTable_Resolve() {
	table := toocs.Default()
	code, _ := table.Resolve(toocs.AgencyFacet, "63 69") // another written form
	fmt.Println(code)

	_, err := table.Resolve(toocs.MechanismFacet, "9")
	if refusal, ok := errors.AsType[*toocs.Refusal](err); ok {
		fmt.Println(refusal.Reason, "-", refusal.Heading.Title)
		for _, c := range refusal.Nearest {
			fmt.Println(" ", c)
		}
	}
	// Output:
	// 636 Air under pressure
	// heading - Vehicle incidents and other
	//   91 Slide or cave-in
	//   92 Vehicle incident
	//   93 Rollover
	//   98 Other and multiple mechanisms of incident
	//   99 Unspecified mechanisms of incident
}

func ExampleTable_LookUp() {
	for _, m := range toocs.Default().LookUp(toocs.AgencyFacet, "whiper snipper", 1) {
		fmt.Println(m.Code)
	}
	// Output: 342 Brush cutters
}

func ExampleTable_Breadcrumb() {
	fmt.Println(toocs.Default().Breadcrumb(toocs.Nature, "201"))
	// Output: Traumatic joint/ligament and muscle/tendon injury > Trauma to joints and ligaments > Dislocation
}

func ExampleCrosswalk_Mechanism() {
	c, _ := toocs.DefaultCrosswalk().Mechanism("4332")
	fmt.Printf("%s (%s) -> %s\n", c.From, c.MatchedTitle, c.To)
	fmt.Printf("fit %s; may also be %v; %s\n", c.Fit, c.Alternatives, c.Mark)
	// Output:
	// 4332 (Other fall to lower level) -> 01 Falls from a height
	// fit close; may also be [02 Falls on the same level]; crosswalk, not reviewed
}
