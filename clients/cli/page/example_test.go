package page_test

import (
	"fmt"
	"os"

	"fairlead/clients/cli/page"
)

func Example() {
	p := page.New(os.Stdout)
	p.Bars([]page.Bar{{Name: "hazard", Value: 4}, {Name: "near miss", Value: 2}})
	p.Found([]page.Piece{{Text: "The tanker was "}, {Text: "reversing", Matched: true}, {Text: "."}}, 0)
	if err := p.Flush(); err != nil {
		fmt.Println(err)
	}
	// Output:
	//   hazard     4  ████████████████████████████████████████
	//   near miss  2  ████████████████████
	// The tanker was [[reversing]].
}
