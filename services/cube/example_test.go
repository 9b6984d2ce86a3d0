package cube_test

import (
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
)

func Example() {
	c := cube.Cube{
		Sides: []cube.Side{
			{Heads: []*pb.TableHead{{Key: "", Total: 2}, {Key: "28", Total: 7}}},
			{Heads: []*pb.TableHead{{Key: "north", Total: 4}, {Key: "quarry", Total: 5}}},
		},
		Counts: []int64{1, 1, 3, 4},
	}
	rows := c.Sides[0]
	fmt.Println(c.Cells(), "cells,", rows.Unknown(), "not coded")
	fmt.Println(c.Counts[c.At(rows.Known(), 1)], "of 28 at quarry")
	// Output:
	// 4 cells, 2 not coded
	// 4 of 28 at quarry
}
