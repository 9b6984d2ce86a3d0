package toocs

import (
	"fmt"
	"math"
	"strings"
)

// An index is the inverted index of one list: from each atom to the entries
// that use it. An entry is a code's title, the titles above it, or one phrase
// of the thesaurus, cut into units.
//
// A unit is one word or word class, or several that must follow each other in
// this order with little between them. Units of an entry may stand in any
// order within a sentence.
type index struct {
	codes    []Code // those that may be assigned, in code order
	entries  []entry
	postings map[atom][]posting // by the first atom of the unit
	idf      map[atom]float64
}

type entryKind uint8

const (
	titleEntry  entryKind = iota // the code's own title
	parentEntry                  // the titles above it
	phraseEntry                  // a phrase of the thesaurus
)

type entry struct {
	kind  entryKind
	code  int32 // place in index.codes
	units [][]atom
	worth []float64 // of each unit
	total float64
	text  string
}

type posting struct {
	entry int32
	unit  uint8
}

// maxUnits is how many units an entry may have; a set of them is kept in 32
// bits.
const maxUnits = 32

// silentWorth is what a word that says nothing alone is worth within an order.
const silentWorth = 0.5

// maxGap is how many words may stand between the atoms of one unit: "fell on
// to the worker" still follows "fell on worker".
const maxGap = 4

// newIndex builds the index of one list. Phrases that cannot be used are
// reported to r.
func newIndex(r *reader, t *Table, l List, phrases []phrase) *index {
	ix := &index{postings: map[atom][]posting{}, idf: map[atom]float64{}}
	place := map[string]int32{}
	for _, c := range t.Codes(l) {
		if t.isLeaf(c) {
			place[c.Code] = int32(len(ix.codes))
			ix.codes = append(ix.codes, c)
		}
	}
	for i, c := range ix.codes {
		ix.addWords(t.words, titleEntry, int32(i), c.Title)
		var above []string
		chain := t.Chain(l, c.Code)
		for _, up := range chain[:len(chain)-1] {
			above = append(above, up.Title)
		}
		ix.addWords(t.words, parentEntry, int32(i), strings.Join(above, " "))
	}
	for _, p := range phrases {
		if p.list != l {
			continue
		}
		units, err := t.words.units(p.text)
		if err != nil {
			r.problem(thesaurusFile, p.line, "%v", err)
			continue
		}
		ix.entries = append(ix.entries, entry{kind: phraseEntry, code: place[p.code], units: units, text: p.text})
	}
	ix.weigh(t.words)
	return ix
}

// addWords adds an entry for a title: each telling word once.
func (ix *index) addWords(x *lexicon, kind entryKind, code int32, title string) {
	e := entry{kind: kind, code: code, text: title}
	seen := map[string]bool{}
	for _, sentence := range x.sentences(withoutExclusion(title)) {
		for _, tok := range sentence {
			if tok.stop || seen[tok.stem] || len(e.units) == maxUnits {
				continue
			}
			seen[tok.stem] = true
			e.units = append(e.units, []atom{x.add(tok.stem)})
		}
	}
	if len(e.units) > 0 {
		ix.entries = append(ix.entries, e)
	}
}

// withoutExclusion cuts off what a title says the code is not: "handling
// objects other than lifting" must not be found by "lifting".
func withoutExclusion(title string) string {
	low := strings.ToLower(title)
	for _, cue := range []string{" other than ", " excluding ", " not involving ", " without mention ", " with no "} {
		if i := strings.Index(low, cue); i >= 0 {
			title, low = title[:i], low[:i]
		}
	}
	return title
}

// units reads the parts of a thesaurus phrase: words, <classes>, and several
// of these joined by "_" where the order matters.
func (x *lexicon) units(text string) ([][]atom, error) {
	var units [][]atom
	for part := range strings.FieldsSeq(text) {
		var unit []atom
		silent := true
		for w := range strings.SplitSeq(part, "_") {
			if strings.HasPrefix(w, "<") {
				a, ok := x.atoms[w]
				if !ok {
					return nil, fmt.Errorf("phrase %q uses the class %s, which classes.csv does not have", text, w)
				}
				unit, silent = append(unit, a), false
				continue
			}
			if w == numberStem || w == lengthStem {
				unit, silent = append(unit, x.add(w)), false
				continue
			}
			for _, sentence := range x.sentences(w) {
				for _, tok := range sentence {
					unit = append(unit, x.add(tok.stem))
					silent = silent && tok.stop
				}
			}
		}
		// A stop word says nothing by itself, but its place in an order does.
		if len(unit) == 1 && silent {
			continue
		}
		if len(unit) > 0 {
			units = append(units, unit)
		}
	}
	if len(units) == 0 {
		return nil, fmt.Errorf("phrase %q has no telling word", text)
	}
	return units, nil
}

// weigh sets what each atom is worth: the fewer codes use it, the more it
// tells. This is the usual inverse document frequency, with a code as the
// document. Then it posts every unit under its first atom.
func (ix *index) weigh(x *lexicon) {
	uses := map[atom]map[int32]bool{}
	for _, e := range ix.entries {
		if e.kind == parentEntry {
			continue
		}
		for _, unit := range e.units {
			for _, a := range unit {
				if uses[a] == nil {
					uses[a] = map[int32]bool{}
				}
				uses[a][e.code] = true
			}
		}
	}
	n := float64(len(ix.codes))
	for a, codes := range uses {
		ix.idf[a] = math.Log(1 + n/float64(len(codes)))
		if x.silent[x.stems[a]] {
			// "to" and "on" place other words; rare use does not make them tell.
			ix.idf[a] = silentWorth
		}
	}
	for i := range ix.entries {
		e := &ix.entries[i]
		for u, unit := range e.units {
			worth := 0.0
			for _, a := range unit {
				worth += ix.idf[a]
			}
			e.worth = append(e.worth, worth)
			e.total += worth
			ix.postings[unit[0]] = append(ix.postings[unit[0]], posting{int32(i), uint8(u)})
		}
	}
}
