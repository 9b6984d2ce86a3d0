package toocs

import (
	"cmp"
	"slices"
	"strings"
	"unicode"
)

// nearestLimit is how many codes a refusal names: as many as fit beside a
// field on a tablet without scrolling.
const nearestLimit = 10

// longestCode bounds what is looked at as a code; longer text is words.
const longestCode = 6

// Resolve returns the code of the list that answers f, if text is one that
// may be assigned: the code itself, with spaces forgiven and zeros kept; an
// alias of it; the code followed by its own title; or exactly its title.
// Anything else is refused with a [*Refusal] that gives the reason and the
// nearest codes. Resolve never guesses: near is not enough.
func (t *Table) Resolve(f Facet, text string) (Code, error) {
	if !f.Valid() {
		return Code{}, &Refusal{Facet: f, Reason: ReasonFacet}
	}
	text = strings.TrimSpace(text)
	if text == "" {
		return Code{}, &Refusal{Facet: f, Reason: ReasonEmpty}
	}
	if code := squeeze(text); codeLike(code) {
		return t.resolveCode(f, code)
	}
	if c, ok := t.codeWithTitle(f, text); ok {
		return c, nil
	}
	refusal := &Refusal{Facet: f, Reason: ReasonWords}
	for _, m := range t.LookUp(f, text, 5) {
		refusal.Nearest = append(refusal.Nearest, m.Code)
	}
	return Code{}, refusal
}

// squeeze removes spaces and raises letters: "63 60" and "f1" become "6360"
// and "F1".
func squeeze(s string) string {
	if len(s) > 4*longestCode {
		return "" // not a code; do not build long strings from narratives
	}
	return strings.ToUpper(strings.Join(strings.Fields(s), ""))
}

// codeLike reports whether s looks like a code of any list: digits, a single
// letter, or a letter followed by one digit.
func codeLike(s string) bool {
	if s == "" || len(s) > longestCode {
		return false
	}
	letter := s[0] >= 'A' && s[0] <= 'Z'
	if letter && len(s) > 2 {
		return false
	}
	for i := range len(s) {
		if (s[i] < '0' || s[i] > '9') && (i > 0 || !letter) {
			return false
		}
	}
	return true
}

func (t *Table) resolveCode(f Facet, code string) (Code, error) {
	l := f.List()
	if c, ok := t.Canonical(l, code); ok {
		if t.isLeaf(c) {
			return c, nil
		}
		return Code{}, &Refusal{
			Facet: f, Given: code, Reason: ReasonHeading, Heading: c,
			Below: t.Children(l, c.Code), Nearest: t.belowHeading(c),
		}
	}
	refusal := &Refusal{Facet: f, Given: code, Reason: ReasonUnknown, Nearest: t.byNumber(l, code)}
	for _, a := range t.later {
		if a.List == l && a.Code == code {
			refusal.Reason, refusal.Later = ReasonLater, a
			return Code{}, refusal
		}
	}
	for _, other := range Lists() {
		// A heading of another list is more likely a slip than a mix-up.
		if c, ok := t.Canonical(other, code); ok && other != l && t.isLeaf(c) {
			refusal.Reason = ReasonWrongList
			refusal.Other = append(refusal.Other, c)
		}
	}
	return Code{}, refusal
}

// belowHeading returns codes under a heading. A divided category is mostly
// meant as a whole, so its residual code (other and not specified), the last
// one, comes first. A one-digit heading may have lost its zero on the way
// through a spreadsheet, so that code follows.
func (t *Table) belowHeading(c Code) []Code {
	below := t.leaves(c)
	if last := len(below) - 1; c.List == Agency && c.Level == 3 && strings.HasSuffix(below[last].Code, "9") {
		below = append([]Code{below[last]}, below[:last]...)
	}
	below = below[:min(nearestLimit, len(below))]
	if zeroed, ok := t.Get(c.List, "0"+c.Code); ok && t.isLeaf(zeroed) && !slices.Contains(below, zeroed) {
		below = append(below[:min(nearestLimit-1, len(below))], zeroed)
	}
	return below
}

// byNumber returns the assignable codes that are written most like code: the
// fewest slips apart, then the longest common beginning, then code order. A
// lost zero and two digits swapped count as one slip each.
func (t *Table) byNumber(l List, code string) []Code {
	type near struct {
		Code
		slips, common int
	}
	var all []near
	for _, c := range t.lists[l].codes {
		if !t.isLeaf(c) {
			continue
		}
		slips := slipsBetween(code, c.Code)
		// Two slips in two or three digits may be anything: the list of
		// "nearest" would be noise.
		if slips > 2 || slips > 1 && len(code) <= 3 {
			continue
		}
		all = append(all, near{c, slips, commonPrefix(code, c.Code)})
	}
	slices.SortFunc(all, func(a, b near) int {
		return cmp.Or(cmp.Compare(a.slips, b.slips), cmp.Compare(b.common, a.common), strings.Compare(a.Code.Code, b.Code.Code))
	})
	var out []Code
	for _, n := range all[:min(nearestLimit, len(all))] {
		out = append(out, n.Code)
	}
	return out
}

func commonPrefix(a, b string) int {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

// codeWithTitle accepts "28 Being hit by moving objects", with a dash or colon
// between if need be, and a bare title that only one assignable code has. The
// words must be the title's own: a code with other words is a contradiction
// that a person has to settle.
func (t *Table) codeWithTitle(f Facet, text string) (Code, bool) {
	if len(text) > 200 {
		return Code{}, false
	}
	l := f.List()
	first, rest, _ := strings.Cut(text, " ")
	if c, ok := t.Canonical(l, strings.TrimRight(first, ".:-")); ok && t.isLeaf(c) && sameWords(rest, c.Title) {
		return c, true
	}
	var found []Code
	for _, c := range t.lists[l].codes {
		if t.isLeaf(c) && sameWords(text, c.Title) {
			found = append(found, c)
		}
	}
	if len(found) == 1 {
		return found[0], true
	}
	return Code{}, false
}

// sameWords compares two texts by their letters and digits alone.
func sameWords(a, b string) bool {
	split := func(s string) []string {
		return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	}
	return slices.Equal(split(a), split(b))
}
