package measure

import (
	"fmt"
)

// fewCases is below how many cases a rate is said to rest on few. It is this
// project's own line; no source fixes it.
const fewCases = 10

// What must be read with figures. The range of under-reporting: Kyung and others
// 2023, BMC Public Health 23:558, over 20 studies. On rates: Hallowell and others
// 2021, Professional Safety 66(4):28-34.
const (
	cautionReports = "These are reports, not events. In 20 studies between 20 and 91 % of injured workers in the United States did not report. When a figure moves, ask first whether the telling has changed."
	cautionFew     = "Few events: read the stories, not the rate."
	cautionCompare = "Nearly all change in such rates is chance. Do not compare crews, sites or firms by them."
	cautionRising  = "More near-miss and hazard reports are good news or no news: a rise is not a warning."
)

// cautions lists what must be read with rates; few is the largest number of cases
// that any of them rests on.
func (q *question) cautions(g *gathered, few int) []string {
	out := []string{cautionReports}
	cases, told := false, false
	for _, r := range q.rules {
		cases = cases || r.form != plainCount && !r.pick.ofReports()
		told = told || len(r.pick.kinds) > 0
	}
	if cases && few < fewCases {
		out = append(out, cautionFew)
	}
	if cases {
		out = append(out, cautionCompare)
	}
	if told {
		out = append(out, cautionRising)
	}
	return append(append(out, q.common(g)...), q.convention.cautions...)
}

// common are cautions that rates and charts share.
func (q *question) common(g *gathered) []string {
	var out []string
	if g.otherSets > 0 {
		out = append(out, fmt.Sprintf("%s of other data sets left out; name the data set to count them.", capital(number(float64(g.otherSets), "record", "records"))))
	}
	if q.period.has(q.thisMonth) {
		out = append(out, fmt.Sprintf("%s is not over: its counts and hours are not whole.", q.thisMonth))
	}
	return out
}
