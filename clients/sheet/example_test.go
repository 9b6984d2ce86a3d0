package sheet_test

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"fairlead/clients/sheet"
)

func Example() {
	table, err := sheet.New(strings.NewReader("site;note\r\nnorthside;\"a gate; bent\"\r\n\"quarry;x\r\nlakeside;ok\r\n"), sheet.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for {
		row, err := table.Next()
		var bad *sheet.RowError
		switch {
		case errors.Is(err, io.EOF):
			return
		case errors.As(err, &bad):
			fmt.Println(bad)
		case err != nil:
			fmt.Println(err)
			return
		default:
			fmt.Println("line", row.Line, row.Cells[0], row.Cells[1])
		}
	}
	// Output:
	// line 2 northside a gate; bent
	// line 3: has a quotation mark that is never closed; close it or take it out
	// line 4 lakeside ok
}
