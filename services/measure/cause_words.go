package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
)

// What must be read with cause analytics. On grave and minor events: Martin and
// Black 2015, who found the causes of events with serious or fatal potential
// measurably different from those of others.
const (
	cautionTogether = "Two things that go together need not cause each other: a third, such as a kind of work or a season, may bring both."
	cautionOneCoder = "Each case was coded by one person; how far two coders would agree has not been measured."
	cautionMost     = "What is reported most need not matter most."
	cautionPlaces   = "A larger workplace has more of everything, and one that tells more looks worse. Do not rank places by counts; compare their rates in a funnel, which allows for hours and chance."
	cautionPersons  = "Several persons may be hurt in one event; the tests take them as if each had been hurt alone, so that chances are a little larger than stated."
	cautionFewCause = "Few reports: read the stories, not the table."
	cautionGuard    = "Counts under %d are held back to protect people, and as many more as are needed so that none follows from the rest of this answer."
)

// dimensionNames is what a dimension is called.
var dimensionNames = map[pb.Dimension]string{
	pb.Dimension_DIMENSION_KIND:             "kind of report",
	pb.Dimension_DIMENSION_WORKPLACE:        "workplace",
	pb.Dimension_DIMENSION_MONTH:            "month",
	pb.Dimension_DIMENSION_YEAR:             "year",
	pb.Dimension_DIMENSION_MECHANISM:        "mechanism",
	pb.Dimension_DIMENSION_BREAKDOWN_AGENCY: "breakdown agency",
	pb.Dimension_DIMENSION_AGENCY:           "agency of injury",
	pb.Dimension_DIMENSION_NATURE:           "nature of injury or disease",
	pb.Dimension_DIMENSION_BODILY_LOCATION:  "bodily location",
	pb.Dimension_DIMENSION_OUTCOME:          "outcome",
	pb.Dimension_DIMENSION_POTENTIAL:        "worst credible outcome",
	pb.Dimension_DIMENSION_DATASET:          "data set",
	pb.Dimension_DIMENSION_EMPLOYMENT_GROUP: "employment group",
}

// coded says whether a dimension is a facet of the classification.
func coded(d pb.Dimension) bool {
	switch d {
	case pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_BREAKDOWN_AGENCY, pb.Dimension_DIMENSION_AGENCY,
		pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_BODILY_LOCATION:
		return true
	}
	return false
}

// unit is what is counted: one, and many.
func (q *causeQuestion) unit() (one, many string) {
	if q.harms {
		return "person hurt", "persons hurt"
	}
	return "report", "reports"
}

func (q *causeQuestion) how(n int64) string {
	one, many := q.unit()
	return number(float64(n), one, many)
}

// article puts a or an before a word.
func article(word string) string {
	if strings.ContainsAny(word[:1], "aeiou") {
		return "an " + word
	}
	return "a " + word
}

// percent writes a share in whole per cent that is 0 or 100 only when it is.
func percent(v float64) string {
	switch {
	case v > 0 && v < 0.01:
		return "under 1 %"
	case v < 1 && v > 0.99:
		return "over 99 %"
	}
	return strconv.Itoa(int(math.Round(100*v))) + " %"
}

// few writes what is to be expected by chance: one decimal below 100.
func few(v float64) string {
	if v > 0 && v < 0.05 {
		return "under 0.1"
	}
	if v < 100 {
		return commas(figure.Number(v, 1))
	}
	return whole(math.Round(v))
}

// chance writes how seldom chance does something: `in 1 of 400`.
func chance(p float64) string {
	if p <= 1e-6 {
		return "in fewer than 1 of a million"
	}
	n := 1 / p
	// Two figures are all that a chance is worth.
	scale := max(1, math.Pow(10, math.Floor(math.Log10(n))-1))
	return "in 1 of " + whole(math.Round(n/scale)*scale)
}

// named writes a head in words, a code before its title.
func named(h *pb.TableHead) string {
	if h.GetFacet() != pb.Facet_FACET_UNSPECIFIED && h.GetKey() != "" && h.GetTitle() != h.GetKey() {
		return h.GetKey() + " " + lower(h.GetTitle())
	}
	return h.GetTitle()
}

// lower writes a title within a sentence, unless it starts with capitals.
func lower(s string) string {
	if len(s) > 1 && s[1] >= 'a' && s[1] <= 'z' {
		return strings.ToLower(s[:1]) + s[1:]
	}
	return s
}

// some joins the first of many: `a, b and 3 more`.
func some(words []string, most int) string {
	if len(words) > most+1 {
		return list(append(words[:most:most], fmt.Sprintf("%d more", len(words)-most)))
	}
	return list(words)
}

// cautions are what must be read with any answer; held is how many counts are
// held back, and doubtful the shares of codes that nobody has reviewed.
func (q *causeQuestion) cautions(b beside, held int32, doubtful ...*pb.Proportion) []string {
	out := []string{cautionReports}
	isCoded := false
	for _, d := range q.dims {
		isCoded = isCoded || coded(d)
	}
	if isCoded {
		out = append(out, cautionOneCoder)
	}
	for i, p := range doubtful {
		if p.GetCount() > 0 && p.Value != nil {
			// A cross has two sides; the dimension says which.
			out = append(out, fmt.Sprintf("%s: %s of %s codes (%s) come from a crosswalk and nobody has reviewed them.",
				capital(dimensionNames[q.dims[i]]), whole(float64(p.GetCount())), whole(float64(p.GetOf())), percent(p.GetValue())))
		}
	}
	if len(q.filter.GetPotentials()) == 0 && b.grave > 0 && b.grave < b.total && !q.small(b.grave) && !q.small(b.total-b.grave) {
		out = append(out, fmt.Sprintf("%s of %s could have been death or lasting harm, and are counted together with the rest. What makes grave events is not what makes minor ones: filter by worst credible outcome to see them apart.",
			whole(float64(b.grave)), whole(float64(b.total))))
	}
	if held > 0 {
		out = append(out, fmt.Sprintf(cautionGuard, q.smallest))
	}
	return append(out, q.common(&gathered{otherSets: int(b.elsewhere)})...)
}

// countedHow says what is counted and how, in words.
func (q *causeQuestion) countedHow() string {
	s := "Reports, each counted once; codes, outcome and employment group are those of the person worst hurt, else codes of the report."
	if q.harms {
		s = "Persons hurt, each counted once; codes are those of the person, else of the report."
	}
	if q.codeLevel > 0 {
		for _, d := range q.dims {
			if coded(d) {
				return s + fmt.Sprintf(" Codes are gathered at level %d of their list.", q.codeLevel)
			}
		}
	}
	return s
}
