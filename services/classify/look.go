package classify

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/classify/toocs"
	"fairlead/services/fault"
)

// Bounds of a look-up, per facet.
const (
	usualMatches = 5
	mostMatches  = 50
)

// list returns the codes of a facet in order of code: all of them, or those at
// any level below parent.
func (t *Tables) list(f facet, parent string) ([]*pb.Code, error) {
	l := f.table.List()
	above := toocs.Code{}
	if parent != "" {
		var ok bool
		if above, ok = t.table.Canonical(l, parent); !ok {
			return nil, fault.Invalid(fault.Violation{Field: "parent",
				Description: "is not a code of the list of " + l.Title() + "; leave it out to see the whole list"})
		}
	}
	var out []*pb.Code
	for _, c := range t.table.Codes(l) {
		if parent == "" || c.Code != above.Code && slices.Contains(t.table.Chain(l, c.Code), above) {
			out = append(out, t.show(f, c))
		}
	}
	return out, nil
}

// lookUp returns the codes that words may mean, best first within each facet.
func (t *Tables) lookUp(asked []pb.Facet, words string, limit int) ([]*pb.Code, error) {
	var vs fault.Violations
	if strings.TrimSpace(words) == "" {
		vs.Add("words", "say in plain words what happened, such as: hit by falling branch")
	}
	switch {
	case limit < 0 || limit > mostMatches:
		vs.Add("limit", fmt.Sprintf("must be 1 to %d, or 0 for %d", mostMatches, usualMatches))
	case limit == 0:
		limit = usualMatches
	}
	if err := vs.Err(); err != nil {
		return nil, err
	}
	var out []*pb.Code
	for _, a := range asked {
		f, _ := facetOf(a)
		for _, m := range t.table.LookUp(f.table, words, limit) {
			c := t.show(f, m.Code)
			c.Score = m.Score
			out = append(out, c)
		}
	}
	return out, nil
}

// mostNamed is how many codes a refusal names of each sort.
const mostNamed = 5

// refusal says why a code is refused and which codes are near it, by number
// and by words. It repeats a code that was given, and never words.
func (t *Tables) refusal(f facet, given string, err error) string {
	var r *toocs.Refusal
	if !errors.As(err, &r) {
		return "cannot be looked up; " + f.table.Rule()
	}
	list := "the list of " + f.table.List().Title()
	byNumber, byWords := r.Nearest, []toocs.Code(nil)
	var why string
	switch r.Reason {
	case toocs.ReasonHeading:
		why = fmt.Sprintf("%s (%s) is a heading; give a code below it", r.Heading.Code, r.Heading.Title)
	case toocs.ReasonWrongList:
		var others []string
		for _, o := range r.Other {
			others = append(others, fmt.Sprintf("%s %s (%s)", o.List.Title(), o.Code, o.Title))
		}
		why = fmt.Sprintf("%s is not in %s; it is %s", r.Given, list, strings.Join(others, ", and "))
	case toocs.ReasonLater:
		why = fmt.Sprintf("%s (%s) is not in %s: %s", r.Given, r.Later.Title, t.Name(), r.Later.Note)
	case toocs.ReasonUnknown:
		why = fmt.Sprintf("%s is not in %s", r.Given, list)
	case toocs.ReasonWords:
		byNumber, byWords = t.firstWord(f, given), r.Nearest
		why = "is not a code of " + list + " alone, nor a code with its own title; give the code"
	default:
		why = "is no code of " + list
	}
	named := func(how string, codes []toocs.Code) {
		if len(codes) == 0 {
			return
		}
		var names []string
		for _, c := range codes[:min(len(codes), mostNamed)] {
			names = append(names, c.String())
		}
		why += "; " + how + ": " + strings.Join(names, "; ")
	}
	if r.Reason == toocs.ReasonHeading {
		named("such as", byNumber)
	} else {
		named("near it by number", byNumber)
	}
	named("by its words", byWords)
	if len(byNumber) == 0 && len(byWords) == 0 {
		why += ". " + f.table.Rule()
	}
	return why
}

// firstWord returns the codes near the first word of a text, when that looks
// like a code: the text may be a code beside words that do not go with it.
func (t *Tables) firstWord(f facet, given string) []toocs.Code {
	first, _, _ := strings.Cut(strings.TrimSpace(given), " ")
	c, err := t.table.Resolve(f.table, strings.TrimRight(first, ".:,-"))
	if err == nil {
		return []toocs.Code{c}
	}
	var r *toocs.Refusal
	if errors.As(err, &r) && r.Reason != toocs.ReasonWords {
		return r.Nearest
	}
	return nil
}
