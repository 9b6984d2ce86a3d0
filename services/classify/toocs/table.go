package toocs

import (
	"strings"
)

// A Table is one edition of the four lists. It never changes after loading
// and may be used by several goroutines.
type Table struct {
	edition Edition
	lists   map[List]*listTable
	aliases map[string]string // written form -> code, agency list only
	later   []Addition
	notes   map[listCode][]Note
	words   *lexicon
	unused  int
}

type listTable struct {
	codes    []Code           // sorted by code
	byCode   map[string]int   // code -> place in codes
	children map[string][]int // code -> places of the codes one step below
	index    *index           // plain words -> codes; see index.go
}

type listCode struct {
	list List
	code string
}

// An Addition is a code that is known to belong to a later edition or to one
// jurisdiction. It is not in the table; [Table.Resolve] names it when asked.
type Addition struct {
	List   List
	Code   string
	Title  string
	Note   string
	Source string
}

// A Note says what a code takes in or leaves out, in this project's words.
type Note struct {
	Text  string
	Basis string // where the note comes from
}

// Edition returns the table's edition, to be stored beside every code given.
func (t *Table) Edition() Edition { return t.edition }

// Codes returns a copy of the whole list in code order, headings included.
func (t *Table) Codes(l List) []Code {
	lt := t.lists[l]
	if lt == nil {
		return nil
	}
	return append([]Code(nil), lt.codes...)
}

// Get returns the row of exactly this code, heading or not. It does not look
// at aliases; see [Table.Canonical].
func (t *Table) Get(l List, code string) (Code, bool) {
	lt := t.lists[l]
	if lt == nil {
		return Code{}, false
	}
	i, ok := lt.byCode[code]
	if !ok {
		return Code{}, false
	}
	return lt.codes[i], true
}

// Canonical returns the row for a code as someone wrote it: spaces inside or
// around it and lower-case letters are forgiven, and aliases lead to their
// code. Headings are returned too, so it serves for reading and grouping
// stored codes. To accept a code for an occurrence use [Table.Resolve].
func (t *Table) Canonical(l List, written string) (Code, bool) {
	code := squeeze(written)
	if c, ok := t.Get(l, code); ok {
		return c, true
	}
	if l == Agency {
		if to, ok := t.aliases[code]; ok {
			return t.Get(l, to)
		}
	}
	return Code{}, false
}

// Parent returns the code one step up, or false for a group.
func (t *Table) Parent(c Code) (Code, bool) {
	if c.Parent == "" {
		return Code{}, false
	}
	return t.Get(c.List, c.Parent)
}

// Chain returns the codes from the group down to this code, itself included,
// or nil if the list has no such code.
func (t *Table) Chain(l List, code string) []Code {
	c, ok := t.Get(l, code)
	if !ok {
		return nil
	}
	chain := []Code{c}
	for up, ok := t.Parent(c); ok; up, ok = t.Parent(up) {
		chain = append([]Code{up}, chain...)
	}
	return chain
}

// Group returns the top heading above a code, or the code itself if it is one.
func (t *Table) Group(l List, code string) (Code, bool) {
	chain := t.Chain(l, code)
	if len(chain) == 0 {
		return Code{}, false
	}
	return chain[0], true
}

// Groups returns the top headings of a list in code order.
func (t *Table) Groups(l List) []Code {
	var groups []Code
	if lt := t.lists[l]; lt != nil {
		for _, c := range lt.codes {
			if c.Level == 1 {
				groups = append(groups, c)
			}
		}
	}
	return groups
}

// Children returns the codes one step below, in code order.
func (t *Table) Children(l List, code string) []Code {
	lt := t.lists[l]
	if lt == nil {
		return nil
	}
	var below []Code
	for _, i := range lt.children[code] {
		below = append(below, lt.codes[i])
	}
	return below
}

// Breadcrumb returns the titles from the group down to the code, joined by
// " > ". A title that only repeats the one before it is left out.
func (t *Table) Breadcrumb(l List, code string) string {
	var titles []string
	for _, c := range t.Chain(l, code) {
		if len(titles) == 0 || titles[len(titles)-1] != c.Title {
			titles = append(titles, c.Title)
		}
	}
	return strings.Join(titles, " > ")
}

// Assignable reports whether the code may be given for the facet: it is in
// the facet's list and no code stands below it. It does not look at aliases.
func (t *Table) Assignable(f Facet, code string) bool {
	c, ok := t.Get(f.List(), code)
	return ok && t.isLeaf(c)
}

// isLeaf reports whether no code stands below c. Loading has made sure that
// such a code is at a level that may be assigned.
func (t *Table) isLeaf(c Code) bool {
	return len(t.lists[c.List].children[c.Code]) == 0
}

// leaves returns the assignable codes at or below c, in code order.
func (t *Table) leaves(c Code) []Code {
	if t.isLeaf(c) {
		return []Code{c}
	}
	var out []Code
	for _, below := range t.Children(c.List, c.Code) {
		out = append(out, t.leaves(below)...)
	}
	return out
}

// Aliases returns a copy of the other written forms of agency codes.
func (t *Table) Aliases() map[string]string {
	out := make(map[string]string, len(t.aliases))
	for alias, code := range t.aliases {
		out[alias] = code
	}
	return out
}

// Later returns the codes of a list that are known from later editions or
// from one jurisdiction and are not in this table.
func (t *Table) Later(l List) []Addition {
	var out []Addition
	for _, a := range t.later {
		if a.List == l {
			out = append(out, a)
		}
	}
	return out
}

// Notes returns what is known of a code's limits: what it takes in and what
// belongs elsewhere. Most codes have none.
func (t *Table) Notes(l List, code string) []Note {
	return append([]Note(nil), t.notes[listCode{l, code}]...)
}

// UnusedWords returns how many built-in plain-word entries point to a code
// that this edition does not have and were therefore left out.
func (t *Table) UnusedWords() int { return t.unused }
