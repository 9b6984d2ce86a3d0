package toocs

import (
	"fmt"
	"strings"
)

// A Reason says why a code was refused.
type Reason string

// The reasons for which [Table.Resolve] refuses.
const (
	ReasonEmpty     Reason = "empty"         // nothing was given
	ReasonFacet     Reason = "unknown facet" // the facet is not one of the five
	ReasonUnknown   Reason = "unknown code"  // no list has the code
	ReasonHeading   Reason = "heading"       // a heading, never assigned
	ReasonWrongList Reason = "wrong list"    // a code, but of another list
	ReasonLater     Reason = "later edition" // not in this edition
	ReasonWords     Reason = "words"         // words, not a code
)

// A Refusal is the error of [Table.Resolve]. It carries what a person needs
// to choose again. It never holds the words that were given, only a code.
type Refusal struct {
	Facet   Facet
	Given   string // the code as given, without spaces; "" if words were given
	Reason  Reason
	Heading Code   // the heading, when the reason is ReasonHeading
	Other   []Code // what the code means in other lists, if anything
	Later   Addition
	Below   []Code // the codes one step below a heading, headings included
	Nearest []Code // up to ten codes that may be assigned, likeliest first
}

// Error says what is wrong and what to give instead.
func (e *Refusal) Error() string {
	var b strings.Builder
	if e.Reason == ReasonFacet {
		return "toocs: no such facet; use one of " + joinFacets()
	}
	fmt.Fprintf(&b, "toocs: %s: ", e.Facet.Title())
	switch e.Reason {
	case ReasonEmpty:
		b.WriteString("no code was given")
	case ReasonUnknown:
		fmt.Fprintf(&b, "there is no code %s", e.Given)
	case ReasonHeading:
		fmt.Fprintf(&b, "%s (%s) is a heading and cannot be given; give a code below it", e.Heading.Code, e.Heading.Title)
	case ReasonWrongList:
		fmt.Fprintf(&b, "there is no code %s; it is a code of another list (%s)", e.Given, listed(e.Other, true))
	case ReasonLater:
		fmt.Fprintf(&b, "%s (%s) is not in this edition: %s", e.Given, e.Later.Title, e.Later.Note)
	case ReasonWords:
		b.WriteString("words were given where a code is needed")
	}
	if len(e.Nearest) > 0 {
		fmt.Fprintf(&b, "; nearest: %s", listed(e.Nearest[:min(5, len(e.Nearest))], false))
	}
	return b.String()
}

func listed(codes []Code, lists bool) string {
	var parts []string
	for _, c := range codes {
		s := c.Code + " " + c.Title
		if lists {
			s = c.List.Title() + " " + s
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, "; ")
}
