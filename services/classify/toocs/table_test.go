package toocs

import (
	"encoding/csv"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// readCSV reads a csv file into maps by column name.
func readCSV(t testing.TB, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	recs, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, rec := range recs[1:] {
		m := map[string]string{}
		for i, name := range recs[0] {
			m[name] = rec[i]
		}
		out = append(out, m)
	}
	return out
}

// The counts by confidence are those that the compiler of the transcription
// published beside it (data/toocs31/README.md).
func TestDefault_rowsByConfidence(t *testing.T) {
	want := map[List]map[Confidence]int{
		Mechanism:      {Verified: 61, Conflict: 1},
		BodilyLocation: {Verified: 95, Memory: 48, Conflict: 1},
		Nature:         {Verified: 180, Memory: 2, Conflict: 3},
		Agency:         {Verified: 623, Memory: 74, Conflict: 12},
	}
	for l, counts := range want {
		got := map[Confidence]int{}
		for _, c := range Default().Codes(l) {
			got[c.Confidence]++
		}
		require.Equal(t, counts, got, l)
	}
	require.Len(t, Default().Aliases(), 571)
	e := Default().Edition()
	require.Equal(t, "TOOCS 3.1 (2008-05)", e.String())
	require.Contains(t, e.Credit, "Commonwealth of Australia")
	require.Contains(t, e.Advice, "official file")
}

// Source of the mechanism codes: two public SQL scripts of December 2011 (S2
// in data/toocs31/README.md), which list exactly these.
func TestDefault_mechanismCodesOfS2(t *testing.T) {
	const s2 = "01 02 03 11 12 13 21 22 23 24 25 26 27 28 29 31 32 38 39 41 42 43 44 " +
		"51 52 53 54 55 56 57 58 59 61 62 63 64 69 71 72 79 81 82 84 85 86 87 88 91 92 93 98 99"
	var got []string
	for _, c := range Default().Codes(Mechanism) {
		if Default().Assignable(MechanismFacet, c.Code) {
			got = append(got, c.Code)
		}
	}
	require.Equal(t, strings.Fields(s2), got)
}

// Source: printed page 201 of the TOOCS manual, 3rd edition (S4 in
// data/toocs31/README.md). The page prints four digits throughout.
func TestDefault_agencyPage201(t *testing.T) {
	for printed, title := range map[string]string{
		"4900": "Other non-powered equipment", "4910": "Hypodermic syringes", "4911": "Needles",
		"4912": "Other medical sharps", "4920": "Other medical equipment", "4923": "Wheelchair (manual)",
		"4930": "Sporting equipment", "4940": "Playground and sportsground equipment",
		"4970": "Vehicle wheels and tyres", "4981": "Personal protective equipment", "4983": "Spectacles, sunglasses",
	} {
		c, ok := Default().Canonical(Agency, printed)
		require.True(t, ok, printed)
		require.Equal(t, title, c.Title, printed)
	}
}

// The titles of the groups as published in claims tables and in the
// transcription S1; see data/toocs31/README.md and testdata/crosscheck.csv.
func TestDefault_groups(t *testing.T) {
	want := map[List]string{
		Mechanism: "0 Falls, trips and slips of a person|1 Hitting objects with a part of the body|2 Being hit by moving objects|" +
			"3 Sound and pressure|4 Body stressing|5 Heat, electricity and other environmental factors|6 Chemicals and other substances|" +
			"7 Biological factors|8 Mental stress|9 Vehicle incidents and other",
		BodilyLocation: "1 Head|2 Neck|3 Trunk|4 Upper limbs|5 Lower limbs|6 Multiple locations|7 Systemic locations|" +
			"8 Non-physical locations|9 Unspecified locations",
		Nature: "A Intracranial injuries|B Fractures|C Wounds, lacerations, amputations and internal organ damage|D Burns|" +
			"E Injury to nerves and spinal cord|F Traumatic joint/ligament and muscle/tendon injury|G Other injuries|" +
			"H Musculoskeletal and connective tissue diseases|I Mental diseases|J Digestive system diseases|" +
			"K Skin and subcutaneous tissue diseases|L Nervous system and sense organ diseases|M Respiratory system diseases|" +
			"N Circulatory system diseases|O Infectious and parasitic diseases|P Neoplasms (cancer)|Q Other diseases|R Other claims",
		Agency: "1 Machinery and (mainly) fixed plant|2 Mobile plant and transport|3 Powered equipment, tools and appliances|" +
			"4 Non-powered handtools, appliances and equipment|5 Chemicals and chemical products|6 Materials and substances|" +
			"7 Environmental agencies|8 Animal, human and biological agencies|9 Other and unspecified agencies",
	}
	for l, titles := range want {
		var got []string
		for _, g := range Default().Groups(l) {
			require.Equal(t, 1, g.Level)
			got = append(got, g.String())
		}
		require.Equal(t, strings.Split(titles, "|"), got, l)
	}
}

func TestTable_everyCodeStandsInItsList(t *testing.T) {
	tab := Default()
	for _, l := range Lists() {
		for _, c := range tab.Codes(l) {
			got, ok := tab.Get(l, c.Code)
			require.True(t, ok)
			require.Equal(t, c, got)
			chain := tab.Chain(l, c.Code)
			require.Equal(t, c, chain[len(chain)-1])
			for i := 1; i < len(chain); i++ {
				require.Greater(t, chain[i].Level, chain[i-1].Level)
				require.Contains(t, tab.Children(l, chain[i-1].Code), chain[i])
			}
			group, ok := tab.Group(l, c.Code)
			require.True(t, ok)
			require.Equal(t, 1, group.Level)
			require.Empty(t, group.Parent)
			if up, ok := tab.Parent(c); ok {
				require.Equal(t, c.Parent, up.Code)
			} else {
				require.Equal(t, group, c)
			}
		}
	}
}

func TestTable_assignableIsTheMostSpecific(t *testing.T) {
	tab := Default()
	levels := map[Facet][]int{
		MechanismFacet: {2}, NatureFacet: {3}, BodilyLocationFacet: {3}, AgencyFacet: {3, 4}, BreakdownAgencyFacet: {3, 4},
	}
	for _, f := range Facets() {
		require.NotEmpty(t, f.Title())
		require.NotEmpty(t, f.Question())
		require.NotEmpty(t, f.Rule())
		for _, c := range tab.Codes(f.List()) {
			leaf := len(tab.Children(f.List(), c.Code)) == 0
			require.Equal(t, leaf, tab.Assignable(f, c.Code), c)
			if leaf {
				require.Contains(t, levels[f], c.Level, c)
			}
		}
	}
	require.False(t, tab.Assignable("colour", "28"))
	require.False(t, tab.Assignable(MechanismFacet, "111"))
	require.NotEqual(t, AgencyFacet.Question(), BreakdownAgencyFacet.Question())
}

// Every divided agency category has a row for what is other or not specified,
// so that refusing the category itself never leaves a coder without a code.
func TestTable_dividedCategoriesHaveAResidual(t *testing.T) {
	for _, c := range Default().Codes(Agency) {
		below := Default().Children(Agency, c.Code)
		if c.Level != 3 || len(below) == 0 {
			continue
		}
		require.True(t, slices.ContainsFunc(below, func(b Code) bool {
			return strings.HasSuffix(b.Code, "9") && strings.HasPrefix(b.Title, "Other")
		}), c)
	}
}

func TestTable_breadcrumb(t *testing.T) {
	for _, tc := range []struct {
		list       List
		code, want string
	}{
		{Mechanism, "01", "Falls, trips and slips of a person > Falls from a height"},
		{Nature, "201", "Traumatic joint/ligament and muscle/tendon injury > Trauma to joints and ligaments > Dislocation"},
		{Agency, "344", "Powered equipment, tools and appliances > Garden and outdoor powered equipment > Chainsaws"},
		{Agency, "4611", "Non-powered handtools, appliances and equipment > Ladders, mobile platforms, mobile stairways and scaffolding > Ladders > Step ladders"},
		{BodilyLocation, "430", "Upper limbs > Elbow"}, // the two-digit row has the same title
		{Mechanism, "80", ""},
		{"colour", "1", ""},
	} {
		require.Equal(t, tc.want, Default().Breadcrumb(tc.list, tc.code))
	}
}

func TestTable_unknownListIsEmpty(t *testing.T) {
	tab := Default()
	_, ok := tab.Get("colour", "1")
	require.False(t, ok)
	_, ok = tab.Group("colour", "1")
	require.False(t, ok)
	require.Empty(t, tab.Codes("colour"))
	require.Empty(t, tab.Groups("colour"))
	require.Empty(t, tab.Children("colour", "1"))
	require.Empty(t, tab.LookUp("colour", "fall", 3))
}

func TestTable_copiesAreTheCallersOwn(t *testing.T) {
	Default().Codes(Mechanism)[0].Title = "changed"
	Default().Aliases()["1110"] = "changed"
	Default().Notes(Mechanism, "01")[0].Text = "changed"
	c, _ := Default().Get(Mechanism, "0")
	require.Equal(t, "Falls, trips and slips of a person", c.Title)
	require.Equal(t, "111", Default().Aliases()["1110"])
	require.Contains(t, Default().Notes(Mechanism, "01")[0].Text, "moving vehicle or bicycle is 92")
	require.Empty(t, Default().Notes(Mechanism, "31"))
}

func TestParseFacet(t *testing.T) {
	for _, s := range []string{"breakdown_agency", " Breakdown agency ", "BREAKDOWN-AGENCY"} {
		f, err := ParseFacet(s)
		require.NoError(t, err)
		require.Equal(t, BreakdownAgencyFacet, f)
	}
	_, err := ParseFacet("cause")
	require.ErrorContains(t, err, "use one of nature, bodily_location, mechanism, breakdown_agency, agency")
}
