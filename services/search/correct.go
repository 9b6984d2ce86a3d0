package search

import (
	"cmp"
	"slices"
	"strings"
	"unicode/utf8"

	index "github.com/blevesearch/bleve_index_api"
)

// correction is a term that found nothing and what it is read as.
type correction struct {
	said  string   // as written
	terms []string // what it is looked for as
	words []string // the same as they stand in reports
}

// corrector reads words with a slip of spelling as the nearest terms. A term
// counts as there, and as a reading, only if a report within scope has it: so
// the answer says nothing about reports outside.
type corrector struct {
	plan
	lang  *language
	scope []anyOf
	// word returns the word of a report that has a term and is written most
	// like what was said; the term itself when the report has none to show.
	word func(id, said, term string) string
}

const (
	// mostReadings bounds how many terms one word is read as, and mostTried
	// how many are looked at for it.
	mostReadings = 3
	mostTried    = 8
	// mostCorrected bounds how many words of one search are looked up for
	// slips: with more of them wrong it is not slips.
	mostCorrected = 10
	// enough bounds how far reports are counted to tell common readings
	// from rare ones.
	enough = 1000
)

// correct returns the reading with its corrections put in.
func (c corrector) correct(rd reading) (reading, []correction, error) {
	var made []correction
	tried := 0
	for i := range rd.wanted {
		w := &rd.wanted[i]
		if _, there, err := c.any(reading{wanted: []wanted{*w}}, c.scope); err != nil || there {
			if err != nil {
				return rd, nil, err
			}
			continue
		}
		own := w.ways[0]
		changed := false
		for _, ph := range own.phrases {
			for at, alternatives := range ph {
				if len(alternatives) != 1 || tried == mostCorrected {
					continue
				}
				tried++
				near, err := c.nearest(c.lang.wordOf(w.said, alternatives[0]), alternatives[0])
				if err != nil {
					return rd, nil, err
				}
				if len(near.terms) > 0 {
					ph[at] = near.terms
					changed = true
					made = append(made, near)
				}
			}
		}
		if changed {
			w.ways = []way{{own.said, asCorrected, own.phrases}}
		}
	}
	return rd, made, nil
}

// candidate is a term that a word may have been meant to be.
type candidate struct {
	term  string
	slips int
	count int
	word  string
	far   int // how far its word is from what was said
}

// nearest returns the terms that a term may have been meant to be; none when
// the term is there, is too short to tell, or has a digit in it, where another
// digit means another thing.
func (c corrector) nearest(said, term string) (correction, error) {
	made := correction{said: said}
	if slips(term) == 0 {
		return made, nil
	}
	if _, there, err := c.any(readingOf(term), c.scope); err != nil || there {
		return made, err
	}
	near, err := c.candidates(said, term)
	if err != nil {
		return made, err
	}
	var there []candidate
	for _, n := range near {
		if len(there) == mostTried || len(there) > 0 && n.slips > there[0].slips {
			break
		}
		id, ok, err := c.any(readingOf(n.term), c.scope)
		if err != nil {
			return made, err
		}
		if !ok {
			continue
		}
		if n.count, err = c.count(readingOf(n.term), c.scope, enough); err != nil {
			return made, err
		}
		n.word = c.word(id, said, n.term)
		n.far = slipsBetween(said, n.word)
		there = append(there, n)
	}
	slices.SortStableFunc(there, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.far, b.far), cmp.Compare(b.count, a.count))
	})
	for _, n := range there[:min(len(there), mostReadings)] {
		// A stem can be near where its word is not: lader and lacer(ation).
		if n.far <= there[0].far+2 {
			made.terms, made.words = append(made.terms, n.term), append(made.words, n.word)
		}
	}
	return made, nil
}

// candidates returns terms that are within the slips that are forgiven,
// nearest first.
func (c corrector) candidates(said, term string) ([]candidate, error) {
	fuzzy, ok := c.reader.(index.IndexReaderFuzzy)
	if !ok {
		return nil, nil
	}
	allowed := slips(term)
	var near []candidate
	_, first := utf8.DecodeRuneInString(term)
	for _, field := range c.fields {
		// Two edits find two letters that changed places, which is one slip.
		dict, err := fuzzy.FieldDictFuzzy(field, term, 2, term[:first])
		if err != nil {
			return nil, wrap(err)
		}
		for {
			entry, err := dict.Next()
			if err != nil || entry == nil {
				if cerr := dict.Close(); err == nil {
					err = cerr
				}
				if err != nil {
					return nil, wrap(err)
				}
				break
			}
			// A slip at the end of a word can make the stemmer cut it in
			// another place, so the whole word is compared too.
			d := min(slipsBetween(term, entry.Term), slipsBetween(said, entry.Term))
			if d <= allowed && entry.Term != term && strings.HasPrefix(entry.Term, term[:first]) {
				near = append(near, candidate{term: entry.Term, slips: d})
			}
		}
	}
	slices.SortFunc(near, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.slips, b.slips), cmp.Compare(a.term, b.term))
	})
	return slices.CompactFunc(near, func(a, b candidate) bool { return a.term == b.term }), nil
}

// wordOf returns the word of a text that has a term, in lower case.
func (l *language) wordOf(text, term string) string {
	for t := range l.tokens(text) {
		if t.term == term {
			return strings.ToLower(text[t.start:t.end])
		}
	}
	return term
}

func readingOf(term string) reading {
	return reading{wanted: []wanted{{ways: []way{{weight: asWritten, phrases: []phrase{{{term}}}}}}}}
}

// slips returns how many slips are forgiven in a term.
func slips(term string) int {
	letters := 0
	for _, r := range term {
		if r >= '0' && r <= '9' {
			return 0
		}
		letters++
	}
	switch {
	case letters < 4:
		return 0
	case letters < 8:
		return 1
	}
	return 2
}

// slipsBetween counts the letters left out, put in, changed, or swapped with
// their neighbour between two words (optimal string alignment).
func slipsBetween(a, b string) int {
	x, y := []rune(a), []rune(b)
	before, last := make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row := make([]int, len(y)+1)
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(y)]
}
