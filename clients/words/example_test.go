package words_test

import (
	"fmt"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func Example() {
	kind, err := words.Parse[pb.ReportKind]("Near miss")
	fmt.Println(kind, words.Slug(kind), words.Of(kind), err)
	_, err = words.Parse[pb.TellerMode]("secret")
	fmt.Println(err)
	// Output:
	// REPORT_KIND_NEAR_MISS near-miss near miss <nil>
	// "secret" is not known; choose one of named, confidential, anonymous
}
