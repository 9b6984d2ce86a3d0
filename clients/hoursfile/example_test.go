package hoursfile_test

import (
	"fmt"
	"strings"

	"fairlead/clients/hoursfile"
)

func Example() {
	rows, problems, err := hoursfile.Read(strings.NewReader(
		"workplace,month,employment_group,hours_worked\n" +
			"northside,2026-03,employee,11840.5\n" +
			"northside,2026-03,contractor,\"1,234\"\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range rows {
		fmt.Println(r.GetHours().GetWorkplace(), r.GetHours().GetHoursWorked())
	}
	for _, p := range problems {
		fmt.Printf("line %d, %s: %s\n", p.Line, p.Column, p.Cure)
	}
	// Output:
	// workplaces/northside 11840.5
	// line 3, hours_worked: could mean 1234 or 1.234; write it without the comma, or with a point
}
