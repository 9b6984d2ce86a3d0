package toocs

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The known-answer sets are our own: plain phrases from trees, roads, mowing,
// drainage, nursery, waste and workshop, with the code that the conventions in
// data/toocs31/notes.csv ask for. Neither has been reviewed by a coder. How
// they came about, and what the second set scored at its first run, is in
// data/words/README.md.
func TestLookUp_knownAnswers(t *testing.T) {
	for _, set := range []struct {
		file       string
		atLeast    int
		first, top float64 // least shares, at rank one and in the top three
	}{
		{"testdata/phrases.csv", 160, 0.95, 1},
		{"testdata/phrases_second.csv", 80, 0.90, 0.98},
	} {
		rows := readCSV(t, set.file)
		require.GreaterOrEqual(t, len(rows), set.atLeast)
		var first, top int
		var missed []string
		for _, row := range rows {
			f, err := ParseFacet(row["facet"])
			require.NoError(t, err)
			require.True(t, Default().Assignable(f, row["code"]), row)
			rank := slices.Index(codesOf(Default().LookUp(f, row["phrase"], 3)), row["code"])
			switch {
			case rank == 0:
				first++
				top++
			case rank > 0:
				top++
			default:
				missed = append(missed, row["phrase"])
			}
		}
		n := float64(len(rows))
		t.Logf("%s: %d phrases, top-1 %d (%.0f %%), top-3 %d (%.0f %%), missed %q",
			set.file, len(rows), first, 100*float64(first)/n, top, 100*float64(top)/n, missed)
		require.GreaterOrEqual(t, float64(first)/n, set.first)
		require.GreaterOrEqual(t, float64(top)/n, set.top)
	}
}

// The same words name a mechanism and a sensible agency. A falling branch is
// 21 (being hit by falling objects): 28 is for other moving objects.
func TestLookUp_fallingBranch(t *testing.T) {
	const words = "hit by falling branch"
	mechanisms := codesOf(Default().LookUp(MechanismFacet, words, 3))
	require.Equal(t, "21", mechanisms[0])
	for _, f := range []Facet{AgencyFacet, BreakdownAgencyFacet} {
		require.Equal(t, "7182", Default().LookUp(f, words, 3)[0].Code.Code)
	}
}

func TestLookUp_understands(t *testing.T) {
	for _, tc := range []struct {
		name  string
		facet Facet
		words []string // all the same
		want  string
	}{
		{"slips of the pen", AgencyFacet, []string{"chainsaw", "chansaw", "chainsaws", "chiansaw", "chian saw", "chain swa", "chain-saw", "CHAIN SAW"}, "344"},
		{"two slips in a long word", AgencyFacet, []string{"wheelbarrow", "wheelbarows", "weelbarow"}, "235"},
		{"half typed", AgencyFacet, []string{"wheelbarr"}, "235"},
		{"plurals", AgencyFacet, []string{"wasp", "wasps"}, "823"},
		{"verb forms", MechanismFacet, []string{"slip on mud", "slipped on mud", "slipping on mud", "slippped on muddy ground"}, "02"},
		{"irregular", MechanismFacet, []string{"bee sting", "stung by bee", "stinging bees", "a bee stung her"}, "63"},
		{"other words", AgencyFacet, []string{"lorry", "truck"}, "2419"},
		{"apostrophes and filler", MechanismFacet, []string{"The worker's hand was caught in a conveyor.", "hand caught in conveyor"}, "25"},
		{"who fell", MechanismFacet, []string{"a branch fell on the worker", "branch fell on him"}, "21"},
		{"who fell, the other way", MechanismFacet, []string{"the worker fell off a ladder", "he fell from a ladder"}, "01"},
		{"length is not a foot", MechanismFacet, []string{"fell six feet", "fell 6 ft", "fell about 2 metres"}, "01"},
		{"other than", MechanismFacet, []string{"lifting", "lifting a box"}, "41"},
	} {
		for _, words := range tc.words {
			got := codesOf(Default().LookUp(tc.facet, words, 3))
			require.NotEmpty(t, got, words)
			require.Equal(t, tc.want, got[0], "%s: %q gives %v", tc.name, words, got)
		}
	}
}

func TestLookUp_doesNotGuess(t *testing.T) {
	for _, words := range []string{"", "  ", "the of and", "qqqqqq", "12345", "日本語", "the employee was injured at work"} {
		require.Empty(t, Default().LookUp(MechanismFacet, words, 5), words)
	}
	require.Empty(t, Default().LookUp("cause", "fall", 5))
}

func TestLookUp_limit(t *testing.T) {
	require.Len(t, Default().LookUp(AgencyFacet, "other machine", 3), 3)
	require.Len(t, Default().LookUp(AgencyFacet, "other machine", 0), defaultLimit)
	require.Len(t, Default().LookUp(AgencyFacet, "other machine", -4), defaultLimit)
	require.LessOrEqual(t, len(Default().LookUp(AgencyFacet, "machine equipment powered metal", 5000)), maxLimit)
}

// Because is shown to people and may be logged: it is a title or a phrase of
// the thesaurus, never what was asked.
func TestLookUp_becauseComesFromTheTables(t *testing.T) {
	known := map[string]bool{}
	for _, l := range Lists() {
		for _, e := range Default().lists[l].index.entries {
			known[e.text] = true
		}
	}
	for _, m := range Default().LookUp(MechanismFacet, "Jo Bloggs of Quarry Road slipped on wet clay and fell", 10) {
		require.True(t, known[m.Because], m.Because)
	}
}

// Properties: matches are assignable codes without repeats, in order of
// score; the answer is the same each time, and the same for any capitals.
func TestLookUp_properties(t *testing.T) {
	vocabulary := Default().words.stems
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(Facets()).Draw(t, "facet")
		words := strings.Join(rapid.SliceOfN(rapid.SampledFrom(vocabulary), 0, 25).Draw(t, "words"), " ")
		matches := Default().LookUp(f, words, 20)
		seen := map[string]bool{}
		for i, m := range matches {
			if !Default().Assignable(f, m.Code.Code) || seen[m.Code.Code] || !(m.Score > 0) {
				t.Fatalf("%q gives %v", words, m)
			}
			seen[m.Code.Code] = true
			if i > 0 && m.Score > matches[i-1].Score {
				t.Fatalf("%q: %v stands after %v", words, m, matches[i-1])
			}
		}
		if again := Default().LookUp(f, strings.ToUpper(words), 20); fmt.Sprint(again) != fmt.Sprint(matches) {
			t.Fatalf("%q in capitals gives another answer", words)
		}
	})
}

func TestLookUp_severalAtOnce(t *testing.T) {
	want := Default().LookUp(MechanismFacet, "slipped on wet floor", 5)
	for range 8 {
		t.Run("", func(t *testing.T) {
			t.Parallel()
			require.Equal(t, want, Default().LookUp(MechanismFacet, "slipped on wet floor", 5))
		})
	}
}

// Slips between words, worked by hand.
func TestSlipsBetween(t *testing.T) {
	for _, tc := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"28", "28", 0}, {"1", "01", 1}, {"82", "28", 1}, {"kitten", "sitting", 3},
		{"chainsaw", "chansaw", 1}, {"chainsaw", "chianswa", 2}, {"", "abc", 3},
		{strings.Repeat("a", 40), "a", 40},
	} {
		require.Equal(t, tc.want, slipsBetween(tc.a, tc.b), "%q %q", tc.a, tc.b)
		require.Equal(t, tc.want, slipsBetween(tc.b, tc.a), "%q %q", tc.b, tc.a)
	}
}

func TestCutEnding(t *testing.T) {
	for _, forms := range [][]string{
		{"slip", "slips", "slipped", "slipping"}, {"roll", "rolls", "rolled", "rolling"},
		{"carry", "carries", "carried", "carrying"}, {"crush", "crushes", "crushed", "crushing"},
		{"blade", "blades"}, {"branch", "branches"}, {"tree", "trees"}, {"box", "boxes"},
		{"prune", "prunes", "pruned", "pruning"}, {"grass", "grasses"}, {"wasp", "wasps"},
	} {
		for _, w := range forms {
			require.Equal(t, cutEnding(forms[0]), cutEnding(w), w)
		}
	}
	for _, w := range []string{"bus", "gas", "string", "spring", "speed", "shed", "pelvis"} {
		require.Equal(t, w, cutEnding(w), "not an ending")
	}
}

func codesOf(matches []Match) []string {
	var codes []string
	for _, m := range matches {
		codes = append(codes, m.Code.Code)
	}
	return codes
}
