package guard_test

import (
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

func ExampleTable() {
	t := &pb.Table{
		Rows:    []*pb.TableHead{{Title: "falls", Total: 11}, {Title: "cuts", Total: 20}, {Title: "burns", Total: 40}},
		Columns: []*pb.TableHead{{Title: "count", Total: 71}},
		Counts:  []int64{11, 20, 40}, Total: 71,
	}
	fmt.Println(guard.Table(t, guard.Smallest), t.GetCounts())
	t.Counts = []int64{2, 20, 49}
	// 2 follows from the total and the others, unless 20 is held back with it.
	fmt.Println(guard.Table(t, guard.Smallest), t.GetCounts())
	// Output:
	// 0 [11 20 40]
	// 2 [-1 -1 49]
}
