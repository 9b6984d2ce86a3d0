package toocs

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestResolve_everyCode: a code that may be assigned resolves to itself in
// any spacing; a heading is refused with codes below it.
func TestResolve_everyCode(t *testing.T) {
	tab := Default()
	for _, f := range Facets() {
		for _, c := range tab.Codes(f.List()) {
			spaced := " " + strings.Join(strings.Split(strings.ToLower(c.Code), ""), " ") + "\t"
			for _, written := range []string{c.Code, spaced} {
				got, err := tab.Resolve(f, written)
				if tab.Assignable(f, c.Code) {
					require.NoError(t, err, "%s %q", f, written)
					require.Equal(t, c, got)
					continue
				}
				refusal := refused(t, err)
				require.Equal(t, ReasonHeading, refusal.Reason)
				require.Equal(t, c, refusal.Heading)
				require.Equal(t, tab.Children(f.List(), c.Code), refusal.Below)
				requireAssignable(t, tab, f, refusal.Nearest)
			}
		}
	}
}

func TestResolve_everyAlias(t *testing.T) {
	tab := Default()
	for alias, code := range tab.Aliases() {
		want, ok := tab.Get(Agency, code)
		require.True(t, ok, alias)
		canonical, ok := tab.Canonical(Agency, alias)
		require.True(t, ok, alias)
		require.Equal(t, want, canonical)
		for _, f := range []Facet{AgencyFacet, BreakdownAgencyFacet} {
			got, err := tab.Resolve(f, alias)
			if tab.Assignable(f, code) {
				require.NoError(t, err)
				require.Equal(t, want, got, alias)
			} else {
				require.Equal(t, want, refused(t, err).Heading, alias)
			}
		}
		// An alias belongs to the agency list alone.
		_, err := tab.Resolve(MechanismFacet, alias)
		refusal := refused(t, err)
		require.Empty(t, refusal.Later.Code)
		if tab.Assignable(AgencyFacet, code) {
			require.Equal(t, ReasonWrongList, refusal.Reason, alias)
			require.Equal(t, []Code{want}, refusal.Other)
		} else {
			require.Equal(t, ReasonUnknown, refusal.Reason, alias)
		}
	}
}

func TestResolve_accepts(t *testing.T) {
	for _, tc := range []struct {
		facet      Facet
		text, want string
	}{
		{MechanismFacet, "01", "01"},
		{MechanismFacet, "28 Being hit by moving objects", "28"},
		{MechanismFacet, "28 - being hit by MOVING objects.", "28"},
		{MechanismFacet, "28: Being hit by moving objects", "28"},
		{MechanismFacet, "being hit by falling objects", "21"},
		{AgencyFacet, "6360", "636"},
		{AgencyFacet, "63 69", "636"},
		{AgencyFacet, "636", "636"},
		{BreakdownAgencyFacet, "3250", "325"},
		{AgencyFacet, "3259", "325"},
		{AgencyFacet, "3529", "352"}, // one source prints 3259 for it too; corrected in the data
		{AgencyFacet, "chainsaws", "344"},
		{BodilyLocationFacet, "Shoulder", "410"},
		{NatureFacet, " 1 4 9 ", "149"},
	} {
		got, err := Default().Resolve(tc.facet, tc.text)
		require.NoError(t, err, tc.text)
		require.Equal(t, tc.want, got.Code, tc.text)
	}
}

func TestResolve_refuses(t *testing.T) {
	for _, tc := range []struct {
		name    string
		facet   Facet
		text    string
		reason  Reason
		nearest string // the first of them; "" for none
		says    string
	}{
		{"a group", MechanismFacet, "2", ReasonHeading, "21", "2 (Being hit by moving objects) is a heading"},
		{"1 is not 01", MechanismFacet, "1", ReasonHeading, "11", "1 (Hitting objects with a part of the body) is a heading"},
		{"a letter", NatureFacet, "b", ReasonHeading, "111", "B (Fractures) is a heading"},
		{"a sub-group", NatureFacet, "F1", ReasonHeading, "201", "F1 (Trauma to joints and ligaments) is a heading"},
		{"a divided category", AgencyFacet, "461", ReasonHeading, "4619", "461 (Ladders) is a heading"},
		{"an alias of a heading", AgencyFacet, "4900", ReasonHeading, "4911", "49 (Other non-powered equipment) is a heading"},
		{"two digits of the body", BodilyLocationFacet, "46", ReasonHeading, "460", "46 (Hand, fingers and thumb) is a heading"},
		{"a nature for a mechanism", MechanismFacet, "149", ReasonWrongList, "", "nature 149 Laceration or open wound"},
		{"a mechanism for a nature", NatureFacet, "28", ReasonWrongList, "218", "mechanism 28 Being hit by moving objects"},
		{"an agency for a location", BodilyLocationFacet, "4611", ReasonWrongList, "461", "agency 4611 Step ladders"},
		{"one digit off", MechanismFacet, "83", ReasonUnknown, "81", "there is no code 83; nearest: 81 "},
		{"two digits swapped", AgencyFacet, "4116", ReasonUnknown, "4111", "there is no code 4116"},
		{"one digit too many", AgencyFacet, "3444", ReasonUnknown, "344", "there is no code 3444; nearest: 344 Chainsaws"},
		{"a zero too many", MechanismFacet, "001", ReasonUnknown, "01", "there is no code 001; nearest: 01 "},
		{"far from all", MechanismFacet, "777777", ReasonUnknown, "", "there is no code 777777"},
		{"a later code", MechanismFacet, "89", ReasonLater, "81", "89 (Covid) is not in this edition"},
		{"a later nature", NatureFacet, "855", ReasonLater, "805", "855 (New novel coronavirus (Covid-19)) is not in this edition"},
		{"nothing", MechanismFacet, " \u00a0 ", ReasonEmpty, "", "no code was given"},
		{"words", MechanismFacet, "hit by falling branch", ReasonWords, "21", "words were given where a code is needed; nearest: 21 "},
		{"a code with other words", MechanismFacet, "28 bee sting", ReasonWords, "63", "words were given"},
		{"no known word", MechanismFacet, "qqqq", ReasonWords, "", "words were given"},
		{"no facet", "cause", "28", ReasonFacet, "", "use one of nature"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Default().Resolve(tc.facet, tc.text)
			refusal := refused(t, err)
			require.Equal(t, tc.reason, refusal.Reason, "%+v", refusal)
			require.ErrorContains(t, err, tc.says)
			requireAssignable(t, Default(), tc.facet, refusal.Nearest)
			if tc.nearest == "" {
				require.Empty(t, refusal.Nearest)
				return
			}
			require.NotEmpty(t, refusal.Nearest)
			require.Equal(t, tc.nearest, refusal.Nearest[0].Code)
		})
	}
}

// A spreadsheet turns 01 into 1, the heading of another group. The refusal
// offers both what stands under the heading and the code that lost its zero.
func TestResolve_lostZeroIsOffered(t *testing.T) {
	_, err := Default().Resolve(MechanismFacet, "1")
	var codes []string
	for _, c := range refused(t, err).Nearest {
		codes = append(codes, c.Code)
	}
	require.Equal(t, []string{"11", "12", "13", "01"}, codes)
}

// A narrative that lands in a code field must not come back in the error,
// which may be logged.
func TestRefusal_neverRepeatsWords(t *testing.T) {
	const secret = "Jo Bloggs slipped on the wet ramp and broke her wrist"
	for _, f := range Facets() {
		_, err := Default().Resolve(f, secret)
		refusal := refused(t, err)
		require.Empty(t, refusal.Given)
		for _, word := range []string{"Bloggs", "ramp and", "her wrist"} {
			require.NotContains(t, err.Error(), word)
		}
	}
}

func refused(t testing.TB, err error) *Refusal {
	t.Helper()
	refusal, ok := errors.AsType[*Refusal](err)
	require.True(t, ok, "%v is not a refusal", err)
	return refusal
}

func requireAssignable(t testing.TB, tab *Table, f Facet, codes []Code) {
	t.Helper()
	require.LessOrEqual(t, len(codes), nearestLimit)
	for _, c := range codes {
		require.True(t, tab.Assignable(f, c.Code), c)
	}
}
