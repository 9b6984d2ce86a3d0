package search

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// clause is one piece of what was written to be looked for.
type clause struct {
	text     string
	quoted   bool
	unwanted bool
}

// split takes what was written apart: words between spaces, "quoted words" as
// one piece, and a minus sign right before a piece as unwanted. A quote that
// is not closed is not there. Nothing that can be written is an error.
func split(words string) []clause {
	var out []clause
	for at := 0; at < len(words); {
		r, n := utf8.DecodeRuneInString(words[at:])
		if unicode.IsSpace(r) {
			at += n
			continue
		}
		var c clause
		if isMinus(r) {
			c.unwanted = true
			at += n
			r, n = utf8.DecodeRuneInString(words[at:])
		}
		if isQuote(r) && n > 0 {
			at += n
			if end := strings.IndexFunc(words[at:], isQuote); end >= 0 {
				c.text, c.quoted = words[at:at+end], true
				at += end
				_, n = utf8.DecodeRuneInString(words[at:])
				at += n
				out = appendClause(out, c)
			}
			continue
		}
		end := strings.IndexFunc(words[at:], func(r rune) bool { return unicode.IsSpace(r) || isQuote(r) })
		if end < 0 {
			end = len(words) - at
		}
		c.text = words[at : at+end]
		at += end
		out = appendClause(out, c)
	}
	return out
}

func appendClause(to []clause, c clause) []clause {
	if start, _ := nextWord(c.text, 0); start == len(c.text) {
		return to // signs only
	}
	return append(to, c)
}

func isQuote(r rune) bool { return strings.ContainsRune(`"“”„«»`, r) }

// isMinus takes the signs that keyboards make of a minus.
func isMinus(r rune) bool { return r == '-' || r == '−' || r == '–' || r == '—' }

// phrase is words that stand next to each other. Each place holds the terms
// that may stand there; a place without terms may hold any word.
type phrase [][]string

// way is one way in which something wanted can be there: all of its phrases
// are.
type way struct {
	said    string
	weight  float64
	phrases []phrase
}

// wanted is one thing that a report must have, in one way or another; the
// first way is what was written.
type wanted struct {
	said string
	ways []way
}

// reading is how words were read.
type reading struct {
	wanted   []wanted
	unwanted []phrase
	// helps are terms that move a report up the list and are not needed.
	helps []string
	notes []string
}

// Weights of the ways to be there.
const (
	asWritten   = 1.0
	asCorrected = 0.7
	asSame      = 0.5
	asHelp      = 0.25
)

// read reads what was written. It knows nothing of any report.
func (l *language) read(words string) reading {
	var rd reading
	var common, soft []string
	clauses := split(words)
	for i := 0; i < len(clauses); i++ {
		c := clauses[i]
		p := l.phrase(c.text)
		switch {
		case len(p) == 0:
			common = append(common, c.text)
		case c.unwanted:
			rd.unwanted = append(rd.unwanted, p)
		case c.quoted:
			rd.wanted = append(rd.wanted, wanted{c.text, []way{{c.text, asWritten, []phrase{p}}}})
		case len(p) > 1:
			// A hyphenated word: its parts stand next to each other.
			w := wanted{c.text, []way{{c.text, asWritten, []phrase{p}}}}
			if ref, ok := l.whole(p); ok {
				w.ways = append(w.ways, l.others(ref)...)
			}
			rd.wanted = append(rd.wanted, w)
		default:
			run := l.plainRun(clauses[i:])
			if ref, size := l.ring(run); size > 0 {
				rd.wanted = append(rd.wanted, l.sameAs(run[:size], ref))
				i += size - 1
			} else if l.soft[p[0][0]] {
				rd.helps = append(rd.helps, p[0][0])
				soft = append(soft, c.text)
			} else {
				rd.wanted = append(rd.wanted, wanted{c.text, []way{{c.text, asWritten, []phrase{p}}}})
			}
		}
	}
	rd.wanted = once(rd.wanted)
	if len(rd.wanted) == 0 {
		// Nothing else to go by: then the words of direction are wanted.
		for i, t := range rd.helps {
			rd.wanted = append(rd.wanted, wanted{soft[i], []way{{soft[i], asWritten, []phrase{{{t}}}}}})
		}
		rd.helps, soft = nil, nil
	}
	if len(common) > 0 {
		rd.notes = append(rd.notes, "too common to look for: "+quoted(common))
	}
	if len(soft) > 0 {
		rd.notes = append(rd.notes, "only helps the order, unless put in quotes: "+quoted(soft))
	}
	for _, w := range rd.wanted {
		if len(w.ways) > 1 {
			var others []string
			for _, o := range w.ways[1:] {
				others = append(others, o.said)
			}
			rd.notes = append(rd.notes, quoted([]string{w.said})+" also read as "+quoted(others))
		}
	}
	return rd
}

// once leaves out what was written before.
func once(all []wanted) []wanted {
	seen := map[string]bool{}
	return slices.DeleteFunc(all, func(w wanted) bool {
		// A phrase is not the same as its words written apart.
		said := fmt.Sprintf("%d %s", len(w.ways[0].phrases), strings.ToLower(w.said))
		before := seen[said]
		seen[said] = true
		return before
	})
}

// phrase returns the places of a text, from its first word that is looked for
// to its last.
func (l *language) phrase(text string) phrase {
	var p phrase
	last := 0
	for t := range l.tokens(text) {
		for ; last > 0 && last < t.place-1; last++ {
			p = append(p, nil)
		}
		p = append(p, []string{t.term})
		last = t.place
	}
	return p
}

// plainWord is a word written without quotes or minus, as a place of its own
// in a run of such words.
type plainWord struct{ said, term string }

// plainRun returns the words from the first clause on, while each is plain and
// has one term.
func (l *language) plainRun(clauses []clause) []plainWord {
	var run []plainWord
	for _, c := range clauses {
		p := l.phrase(c.text)
		if c.quoted || c.unwanted || len(p) != 1 {
			break
		}
		run = append(run, plainWord{c.text, p[0][0]})
	}
	return run
}

// ring returns the longest member of any ring that begins the run, and how
// many words it takes; 0 when none does.
func (l *language) ring(run []plainWord) (ref memberRef, size int) {
	if len(run) == 0 {
		return ref, 0
	}
	for _, r := range l.starts[run[0].term] {
		m := l.rings[r.ring][r.member].terms
		if len(m) > size && len(m) <= len(run) &&
			slices.EqualFunc(m, run[:len(m)], func(t string, w plainWord) bool { return t == w.term }) {
			ref, size = r, len(m)
		}
	}
	return ref, size
}

// whole returns the member of a ring that is the whole phrase.
func (l *language) whole(p phrase) (ref memberRef, ok bool) {
	for _, r := range l.starts[p[0][0]] {
		m := l.rings[r.ring][r.member].terms
		if slices.EqualFunc(m, p, func(t string, place []string) bool { return len(place) == 1 && place[0] == t }) {
			return r, true
		}
	}
	return ref, false
}

// sameAs is a wanted word or word group, and the others of its ring.
func (l *language) sameAs(run []plainWord, ref memberRef) wanted {
	var said []string
	var each []phrase
	for _, word := range run {
		said = append(said, word.said)
		// Words written apart are wanted, but not next to each other.
		if !l.soft[word.term] {
			each = append(each, phrase{{word.term}})
		}
	}
	w := wanted{said: strings.Join(said, " ")}
	w.ways = append([]way{{w.said, asWritten, each}}, l.others(ref)...)
	return w
}

// others are the ways of a ring but for one member.
func (l *language) others(ref memberRef) []way {
	var out []way
	for i, m := range l.rings[ref.ring] {
		if i != ref.member {
			out = append(out, way{m.said, asSame, []phrase{inRow(m.terms)}})
		}
	}
	return out
}

func inRow(terms []string) phrase {
	var p phrase
	for _, t := range terms {
		p = append(p, []string{t})
	}
	return p
}

// quoted lists what was written, for notes.
func quoted(said []string) string {
	var b strings.Builder
	for i, s := range said {
		switch {
		case i > 0 && i == len(said)-1:
			b.WriteString(" and ")
		case i > 0:
			b.WriteString(", ")
		}
		b.WriteString(`"` + s + `"`)
	}
	return b.String()
}
