package figure_test

import (
	"fmt"
	"os"
	"strings"
	"time"

	"fairlead/analytics/figure"
)

// A control chart is filled from a computed result, laid out for a width,
// written as SVG, and handed over as a table.
func Example() {
	chart := figure.Control{
		Title:        "Lost-time injuries, Quarry Road depot",
		Unit:         "lost-time injuries per million hours",
		CountName:    "lost-time injuries",
		ExposureName: "hours",
		PeriodName:   "month",
		Method:       "u chart, exact limits",
		Center:       []figure.Level{{First: 0, Last: 3, Value: 41.5}},
	}
	for i, count := range []float64{1, 2, 9} {
		o := figure.Observation{Count: count, Exposure: 41200, Value: count / 41200 * 1e6, UCL: 145.6, HasUCL: true}
		o.Label, o.Tick, o.Group = figure.MonthLabel(2024, time.Month(1+3*i))
		o.Beyond = o.Value > o.UCL
		chart.Points = append(chart.Points, o)
	}
	chart.Points = append(chart.Points, figure.Observation{Label: "Oct 2024", Tick: "Oct", Group: "2024", Missing: true, Why: "no hours"})

	fig := chart.Layout(figure.Wide)
	var svg strings.Builder
	if err := fig.SVG(&svg, "quarry"); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	fmt.Println(svg.String()[:38])

	table := fig.Table()
	fmt.Println(strings.Join(table.Headers, " | "))
	for _, row := range table.Rows {
		fmt.Println(strings.TrimRight(strings.Join(row, " | "), " "))
	}
	fmt.Println(strings.Join(table.Notes, " "))
	// Output:
	// <svg xmlns="http://www.w3.org/2000/svg
	// Month | Lost-time injuries | Hours | Lost-time injuries per million hours | Upper limit | Remarks
	// Jan 2024 | 1 | 41,200 | 24.3 | 145.6 |
	// Apr 2024 | 2 | 41,200 | 48.5 | 145.6 |
	// Jul 2024 | 9 | 41,200 | 218.4 | 145.6 | above the upper limit
	// Oct 2024 | – | – | – | – | no hours
	// Average 41.5.
}
