package toocs

import (
	"fmt"
	"slices"
	"strings"
)

// A List is one of the four code lists.
type List string

// The four lists. The values are also the names of their files.
const (
	Mechanism      List = "mechanism"
	Nature         List = "nature"
	BodilyLocation List = "bodily_location"
	Agency         List = "agency"
)

// Lists returns the four lists in the order in which they are documented.
func Lists() []List {
	return []List{Mechanism, Nature, BodilyLocation, Agency}
}

// Title returns the list's name in plain words, in lower case.
func (l List) Title() string {
	return strings.ReplaceAll(string(l), "_", " ")
}

// A Facet is one of the five questions that a coded occurrence answers.
// Two of them, [BreakdownAgencyFacet] and [AgencyFacet], are answered from
// the same list.
type Facet string

// The five facets.
const (
	NatureFacet          Facet = "nature"
	BodilyLocationFacet  Facet = "bodily_location"
	MechanismFacet       Facet = "mechanism"
	BreakdownAgencyFacet Facet = "breakdown_agency"
	AgencyFacet          Facet = "agency"
)

// Facets returns the five facets in the order in which a coder meets them.
func Facets() []Facet {
	return []Facet{NatureFacet, BodilyLocationFacet, MechanismFacet, BreakdownAgencyFacet, AgencyFacet}
}

// facetFacts is what is known about each facet: its list, its name, the
// question that a coder answers, and the rule of level with its reason.
var facetFacts = map[Facet]struct {
	list                  List
	title, question, rule string
}{
	NatureFacet: {Nature, "nature of injury or disease",
		"What kind of injury or disease was it, taking the most serious one?",
		"Use a three-digit code. Letters (A to R) and sub-groups (F1, H2) are headings: counts by heading are made from the codes."},
	BodilyLocationFacet: {BodilyLocation, "bodily location",
		"Which part of the body had the most serious injury?",
		"Use a three-digit code. One and two digits are headings: counts by region are made from the codes."},
	MechanismFacet: {Mechanism, "mechanism of incident",
		"What happened to the person: which action, exposure or event best explains the most serious injury?",
		"Use a two-digit code, with its zero (01, not 1). The groups 0 to 9 are headings: counts by group are made from the codes."},
	BreakdownAgencyFacet: {Agency, "breakdown agency",
		"When did it first start to go wrong, and what thing, substance or circumstance was that?",
		agencyRule},
	AgencyFacet: {Agency, "agency of injury or disease",
		"What thing, substance or circumstance actually did the harm?",
		agencyRule},
}

const agencyRule = "Use a four-digit code, or a three-digit category that is not divided further. " +
	"One and two digits and divided categories are headings; the row ending in 9 takes what is other or not specified."

// ParseFacet returns the facet called s. Spaces, hyphens and capitals do not
// matter: "Breakdown agency" and "breakdown_agency" are the same.
func ParseFacet(s string) (Facet, error) {
	f := Facet(strings.NewReplacer(" ", "_", "-", "_").Replace(strings.ToLower(strings.TrimSpace(s))))
	if !f.Valid() {
		return "", fmt.Errorf("toocs: no such facet; use one of %s", joinFacets())
	}
	return f, nil
}

func joinFacets() string {
	var names []string
	for _, f := range Facets() {
		names = append(names, string(f))
	}
	return strings.Join(names, ", ")
}

// Valid reports whether f is one of the five facets.
func (f Facet) Valid() bool { _, ok := facetFacts[f]; return ok }

// List returns the list that answers f, or "" if f is not a facet.
func (f Facet) List() List { return facetFacts[f].list }

// Title returns the facet's name in plain words, in lower case.
func (f Facet) Title() string { return facetFacts[f].title }

// Question returns the question that a coder answers for f, in plain words.
// The two agency facets are kept apart by it: when did it first start to go
// wrong, and what actually did the harm.
func (f Facet) Question() string { return facetFacts[f].question }

// Rule says which codes may be assigned for f, and why.
func (f Facet) Rule() string { return facetFacts[f].rule }

// Confidence says how far a row of a table can be trusted.
type Confidence string

// The confidences a row may carry.
const (
	// Official rows come from the publisher's own file.
	Official Confidence = "official"
	// Verified rows had their code and title seen in a source that the row
	// names. That source is mostly second-hand: read it as "seen".
	Verified Confidence = "verified"
	// Memory rows come from memory or were worked out from the rows below.
	Memory Confidence = "memory"
	// Conflict rows have sources that disagree; Source says what was chosen.
	Conflict Confidence = "conflict"
)

func (c Confidence) valid() bool {
	return slices.Contains([]Confidence{Official, Verified, Memory, Conflict}, c)
}

// A Code is one row of a list: a heading or a code that may be assigned.
type Code struct {
	List       List
	Code       string // as written in the list, leading zero kept
	Parent     string // the code one step up; "" for a group
	Level      int    // 1 is a group
	Title      string
	Confidence Confidence
	Source     string // where the row comes from
}

// String returns the code and its title.
func (c Code) String() string { return c.Code + " " + c.Title }

// shapeLevel returns the level that a code written like this has in the list,
// or 0 if no code of the list looks so. The shape is part of the scheme, and
// a spreadsheet that drops a leading zero is caught by it.
func shapeLevel(l List, code string) int {
	digits := func(s string) bool {
		for i := range len(s) {
			if s[i] < '0' || s[i] > '9' {
				return false
			}
		}
		return s != ""
	}
	deepest := map[List]int{Mechanism: 2, BodilyLocation: 3, Agency: 4}[l]
	switch {
	case l == Nature && len(code) >= 1 && code[0] >= 'A' && code[0] <= 'Z':
		if len(code) == 1 {
			return 1
		}
		if len(code) == 2 && digits(code[1:]) {
			return 2
		}
	case l == Nature && len(code) == 3 && digits(code):
		return 3
	case l != Nature && digits(code) && len(code) <= deepest:
		return len(code)
	}
	return 0
}
