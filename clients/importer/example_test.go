package importer_test

import (
	"fmt"
	"time"

	"fairlead/clients/importer"
	"fairlead/clients/sheet"
)

func Example() {
	mapping, err := importer.Parse([]byte(`
fairlead_mapping: 1
dataset: near-miss-book
id: No
report:
  kind: {constant: near-miss}
  workplace: {column: Depot, values: {Northside: northside}}
  narrative: What happened
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	utc := func(string) (*time.Location, error) { return time.UTC, nil }
	rows, err := mapping.Bind([]string{"No", "Depot", "What happened"}, utc)
	if err != nil {
		fmt.Println(err)
		return
	}
	record, _ := rows.Record(sheet.Row{Line: 2, Cells: []string{"17", "northside", "The mower slid down the bank."}})
	fmt.Println(record.GetReport().GetKind(), record.GetReport().GetName())
	_, problems := rows.Record(sheet.Row{Line: 3, Cells: []string{"18", "The tip", "A bale rolled off the stack."}})
	fmt.Println(problems[0].Column, problems[0].Cure)
	// Output:
	// REPORT_KIND_NEAR_MISS reports/2d763b4d-e44c-5c89-adc6-8d51c3f2e8a5
	// Depot is not named under report.workplace.values in the mapping; give it a line there
}
