package toocs

import (
	"slices"
	"strings"
	"unicode"
)

// A lexicon turns text into atoms: stems and word classes, each a small
// number. It is built once per table and then only read.
type lexicon struct {
	atoms   map[string]atom   // stem or "<class>" -> its number
	stems   []string          // number -> stem or "<class>"
	classes map[string][]atom // stem -> the classes it belongs to
	stop    map[string]bool   // words, as written, that say nothing alone
	silent  map[string]bool   // the stems of those
	forms   map[string]string // irregular form -> base form
	same    map[string]string // other spelling or word -> the one used
	joins   map[string]string // "chain saw" -> "chainsaw"
	spell   *speller
	pairs   *speller // the two words of each join, written together
}

type atom int32

// A token is one word of a text after stemming.
type token struct {
	stem string
	atom atom // -1 if no title or phrase uses the stem
	raw  int  // letters in the word as written
	stop bool // the word says nothing by itself
}

const noAtom atom = -1

// longestText bounds how much of a text is looked at. A narrative is a page
// at most; what comes after says little about how the harm was done.
const longestText = 20_000

// sentences splits a text into sentences of words. Words are runs of letters
// or digits in lower case; an apostrophe joins; a run of digits becomes "#".
func (x *lexicon) sentences(text string) [][]token {
	if len(text) > longestText {
		text = text[:longestText]
	}
	var out [][]token
	var words []string
	flush := func() {
		if len(words) > 0 {
			out = append(out, x.tokens(words))
			words = words[:0]
		}
	}
	var b strings.Builder
	endWord := func() {
		if b.Len() > 0 {
			words = append(words, b.String())
			b.Reset()
		}
	}
	for i, r := range text {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(unicode.ToLower(r))
		case r == '\'' || r == '’':
		case r == '.' && i+1 < len(text) && text[i+1] != ' ' && text[i+1] != '\n':
			endWord() // "4.5", "p.m." do not end a sentence
		case r == '.' && b.Len() == 1:
			endWord() // an initial or "a. m."
		case r == '.' || r == '!' || r == '?' || r == ';' || r == '\n':
			endWord()
			flush()
		default:
			endWord()
		}
	}
	endWord()
	flush()
	return out
}

// tokens joins compounds, maps spellings and stems each word.
func (x *lexicon) tokens(words []string) []token {
	out := make([]token, 0, len(words))
	for i := 0; i < len(words); i++ {
		w := words[i]
		if i+1 < len(words) {
			if joined, ok := x.join(w, words[i+1]); ok {
				w = joined
				i++
			}
		}
		stem := x.stem(w)
		t := token{stem: stem, atom: noAtom, raw: len(w), stop: x.stop[w]}
		if a, ok := x.atoms[stem]; ok {
			t.atom = a
		}
		// "eight feet" is a length and has nothing to do with a foot.
		if n := len(out); n > 0 && x.is(stem, "<length>") && x.is(out[n-1].stem, "<number>") {
			out[n-1] = token{stem: lengthStem, atom: noAtom, raw: len(w)}
			if a, ok := x.atoms[lengthStem]; ok {
				out[n-1].atom = a
			}
			continue
		}
		out = append(out, t)
	}
	return out
}

// numberStem and lengthStem stand for any number and for any number with a
// unit of length. Letters cannot spell them.
const (
	numberStem = "#"
	lengthStem = "#length"
)

// is reports whether a stem belongs to a class.
func (x *lexicon) is(stem, class string) bool {
	a, ok := x.atoms[class]
	return ok && slices.Contains(x.classes[stem], a)
}

// join returns the one word that stands for two, such as "chain saw". If one
// of the two is not known otherwise, a single slip in the pair is forgiven.
func (x *lexicon) join(a, b string) (string, bool) {
	if to, ok := x.joins[a+" "+b]; ok {
		return to, true
	}
	if x.pairs == nil || len(a)+len(b) > 30 || x.knows(a) && x.knows(b) {
		return "", false
	}
	if near := x.pairs.oneSlip(a + b); len(near) > 0 {
		return x.same[near[0]], true
	}
	return "", false
}

func (x *lexicon) knows(w string) bool {
	_, ok := x.atoms[x.stem(w)]
	return ok || x.stop[w]
}

// stem brings a word to the form under which it is indexed.
func (x *lexicon) stem(w string) string {
	if w[0] >= '0' && w[0] <= '9' {
		if digitsOnly(w) {
			return numberStem
		}
		return w
	}
	if to, ok := x.same[w]; ok {
		w = to
	}
	if to, ok := x.forms[w]; ok {
		w = to
	}
	s := cutEnding(w)
	// The plural or the past of a word that has another usual name.
	if to, ok := x.same[s]; ok {
		s = cutEnding(to)
	}
	return s
}

func digitsOnly(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// cutEnding removes English plural and verb endings. The results need not be
// words; they need only be the same for the forms of one word.
func cutEnding(w string) string {
	w = cutPlural(w)
	switch {
	case len(w) >= 6 && strings.HasSuffix(w, "ing") && hasVowel(w[:len(w)-3]):
		w = w[:len(w)-3]
	case len(w) >= 5 && strings.HasSuffix(w, "ed") && !strings.HasSuffix(w, "eed") && hasVowel(w[:len(w)-2]):
		w = w[:len(w)-2]
		if strings.HasSuffix(w, "i") {
			w = w[:len(w)-1] + "y"
		}
	}
	if n := len(w); n > 3 && w[n-1] == w[n-2] && w[n-1] != 's' && w[n-1] != 'e' && !isVowel(w[n-1]) {
		w = w[:n-1]
	}
	if n := len(w); n > 3 && w[n-1] == 'e' && w[n-2] != 'e' {
		w = w[:n-1]
	}
	return w
}

func cutPlural(w string) string {
	n := len(w)
	if n <= 3 || w[n-1] != 's' {
		return w
	}
	switch {
	case strings.HasSuffix(w, "ies") && n > 4:
		return w[:n-3] + "y"
	case strings.HasSuffix(w, "sses"), strings.HasSuffix(w, "ches"), strings.HasSuffix(w, "shes"),
		strings.HasSuffix(w, "xes"), strings.HasSuffix(w, "zes"):
		return w[:n-2]
	case strings.HasSuffix(w, "ss"), strings.HasSuffix(w, "us"), strings.HasSuffix(w, "is"):
		return w
	}
	return w[:n-1]
}

func isVowel(c byte) bool { return strings.IndexByte("aeiouy", c) >= 0 }

func hasVowel(s string) bool { return strings.ContainsAny(s, "aeiouy") }

// add returns the number of a stem or class, giving it one if it is new.
func (x *lexicon) add(stem string) atom {
	if a, ok := x.atoms[stem]; ok {
		return a
	}
	a := atom(len(x.stems))
	x.atoms[stem] = a
	x.stems = append(x.stems, stem)
	return a
}
