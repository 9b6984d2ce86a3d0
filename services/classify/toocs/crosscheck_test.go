package toocs

import (
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// testdata/crosscheck.csv holds published counts and shares by mechanism and
// nature; each row names its publication and says whether it was seen there
// or only quoted elsewhere. Its compiler's notes are in data/toocs31/README.md.

// olderLabels are group labels in those publications that are shorter or older
// than the titles of TOOCS 3.1.
var olderLabels = map[string]string{
	"Falls, trips and slips": "0", "Falls, slips and trips of a person": "0", "Hitting objects": "1",
	"Heat, radiation and electricity": "5", "Chemicals and other": "6", "Other and unspecified": "9",
	"Falls from height": "01", "Being hit by moving object": "28",
	"Being trapped between stationary and moving object": "26", "Reaction to stressors": "707",
}

func TestCrosscheck_codesAndTitles(t *testing.T) {
	n := 0
	for _, row := range readCSV(t, "testdata/crosscheck.csv") {
		if row["code"] == "" {
			continue
		}
		n++
		c, ok := Default().Get(List(row["classification"]), row["code"])
		require.True(t, ok, row)
		if c.Title != row["group"] {
			require.Equal(t, row["code"], olderLabels[row["group"]], "title %q, published %q", c.Title, row["group"])
		}
	}
	require.Equal(t, 60, n)
}

// The departmental table of accepted claims 2015-16 to 2017-18: occurrences
// coded at the level of this package, tabulated by Group, give the printed
// groups (21, 11, 1, 20, 0, 3, 3, 9, 3) and the printed total 71.
func TestCrosscheck_tabulation(t *testing.T) {
	const years = "2015-16 to 2017-18"
	printed, total := map[string]int{}, 0
	sums := map[string]int{}  // of the three years, where all three are printed
	cells := map[string]int{} // how many years are printed
	perYear, yearTotal := map[string]int{}, map[string]int{}
	for _, row := range readCSV(t, "testdata/crosscheck.csv") {
		if row["measure"] != "claims accepted by Comcare" {
			continue
		}
		count, err := strconv.Atoi(row["count"])
		require.NoError(t, err)
		switch {
		case row["year"] == years && row["group"] == "Total":
			total = count
		case row["year"] == years:
			printed[row["code"]] = count
		case row["group"] == "Total":
			yearTotal[row["year"]] = count
		default:
			sums[row["code"]] += count
			cells[row["code"]]++
			perYear[row["year"]] += count
		}
	}
	require.Equal(t, map[string]int{"0": 21, "1": 11, "3": 1, "4": 20, "5": 0, "6": 3, "7": 3, "8": 9, "9": 3}, printed)
	require.Equal(t, 71, total)

	tabulated := map[string]int{}
	for group, count := range printed {
		// The table has no finer codes: use each code of the group in turn.
		below := Default().Children(Mechanism, group)
		for i := range count {
			c, err := Default().Resolve(MechanismFacet, below[i%len(below)].Code)
			require.NoError(t, err)
			g, ok := Default().Group(Mechanism, c.Code)
			require.True(t, ok)
			tabulated[g.Code]++
		}
	}
	sum := 0
	for group, count := range printed {
		require.Equal(t, count, tabulated[group], group)
		sum += tabulated[group]
	}
	require.Equal(t, total, sum)
	require.Len(t, tabulated, 8) // group 5 had none, and a zero is not a row

	require.Equal(t, total, yearTotal["2015-16"]+yearTotal["2016-17"]+yearTotal["2017-18"])
	for group, years := range cells {
		if years == 3 {
			require.Equal(t, printed[group], sums[group], group)
		}
	}
	for year, sum := range perYear {
		require.LessOrEqual(t, sum, yearTotal[year], "blank cells can only add")
	}
}

// Printed shares follow from printed counts, within the publisher's rounding.
func TestCrosscheck_shares(t *testing.T) {
	type key struct{ measure, population, year string }
	totals := map[key]float64{}
	rows := readCSV(t, "testdata/crosscheck.csv")
	for _, row := range rows {
		if n, err := strconv.ParseFloat(row["count"], 64); err == nil && row["group"] == "Total" {
			totals[key{row["measure"], row["population"], row["year"]}] = n
		}
	}
	checked := 0
	for _, row := range rows {
		count, errCount := strconv.ParseFloat(row["count"], 64)
		percent, errPercent := strconv.ParseFloat(row["percent"], 64)
		total := totals[key{row["measure"], row["population"], row["year"]}]
		if errCount != nil || errPercent != nil || total == 0 || row["group"] == "Total" {
			continue
		}
		require.LessOrEqual(t, math.Abs(100*count/total-percent), 0.5, row)
		checked++
	}
	require.Equal(t, 4, checked) // 2024: 79 and 24 of 188; 2021: 19 and 16 of 169
}
