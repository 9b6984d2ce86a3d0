package classify_test

import (
	"context"
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
)

// A coding is checked and put into its canonical form; a heading is refused.
func ExampleTables_Check() {
	tables := classify.NewTables(toocs.Default())
	c := &pb.Coding{Mechanism: "28 Being hit by moving objects", Agency: "6369"}
	fmt.Println(len(tables.Check(context.Background(), c)), c.GetMechanism(), c.GetAgency(), c.GetEdition())

	for _, v := range tables.Check(context.Background(), &pb.Coding{Mechanism: "9"}) {
		fmt.Println(v.Field, v.Description)
	}
	// Output:
	// 0 28 636 TOOCS 3.1
	// mechanism 9 (Vehicle incidents and other) is a heading; give a code below it; such as: 91 Slide or cave-in; 92 Vehicle incident; 93 Rollover; 98 Other and multiple mechanisms of incident; 99 Unspecified mechanisms of incident
}
