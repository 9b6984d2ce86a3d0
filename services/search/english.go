package search

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"strings"
	"sync"

	"github.com/blevesearch/bleve/v2/analysis"
	"github.com/blevesearch/snowballstem"
	"github.com/blevesearch/snowballstem/english"
)

//go:embed data/english.csv
var englishCSV []byte

// language is what the search knows of English, as read from data/english.csv.
type language struct {
	drop map[string]bool   // words that are not looked for
	soft map[string]bool   // terms that count only in a phrase
	form map[string]string // irregular form to base

	// rings are groups of words with the same meaning; starts finds those
	// members that begin with a term.
	rings  [][]member
	starts map[string][]memberRef

	// terms remembers what words were reduced to: stories use few words
	// often, and stemming costs a hundred times a look-up.
	mu    sync.RWMutex
	terms map[string]string
}

// member is one word or word group of a ring.
type member struct {
	said  string
	terms []string
}

type memberRef struct{ ring, member int }

// dropped is what the memory of terms holds for a word that is not looked for.
const dropped = "\x00"

// maxRemembered bounds the memory of terms; beyond it words are reduced anew.
const maxRemembered = 1 << 16

// newLanguage reads the table.
var newLanguage = sync.OnceValue(func() *language {
	l, err := parseLanguage(englishCSV)
	if err != nil {
		panic(err) // the table is embedded: a test holds it to be good
	}
	return l
})

func parseLanguage(table []byte) (*language, error) {
	l := &language{
		drop: map[string]bool{}, soft: map[string]bool{}, form: map[string]string{},
		starts: map[string][]memberRef{}, terms: map[string]string{},
	}
	rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("search: english.csv: %w", err)
	}
	var rings []string
	for i, row := range rows[1:] {
		kind, word, as := row[0], strings.ReplaceAll(row[1], "'", ""), row[2]
		switch kind {
		case "drop":
			l.drop[word] = true
		case "soft":
			l.soft[stem(word)] = true
		case "form":
			l.form[word] = as
		case "same":
			rings = append(rings, as)
		default:
			return nil, fmt.Errorf("search: english.csv: row %d: unknown kind %q", i+2, kind)
		}
	}
	for _, ring := range rings {
		var members []member
		for _, said := range strings.Split(ring, "|") {
			m := member{said: said}
			for t := range l.tokens(said) {
				m.terms = append(m.terms, t.term)
			}
			if len(m.terms) == 0 {
				return nil, fmt.Errorf("search: english.csv: nothing to look for in %q", said)
			}
			l.starts[m.terms[0]] = append(l.starts[m.terms[0]], memberRef{len(l.rings), len(members)})
			members = append(members, m)
		}
		l.rings = append(l.rings, members)
	}
	return l, nil
}

// term reduces a word, in lower case, to what is indexed; ok is false for a
// word that is not looked for.
func (l *language) term(word []byte) (term string, ok bool) {
	l.mu.RLock()
	term, known := l.terms[string(word)]
	l.mu.RUnlock()
	if known {
		return term, term != dropped
	}
	w := string(word)
	term = l.reduce(w)
	if len(w) <= longestWord {
		l.mu.Lock()
		if len(l.terms) < maxRemembered {
			l.terms[w] = term
		}
		l.mu.Unlock()
	}
	return term, term != dropped
}

func (l *language) reduce(word string) string {
	word = fold(word)
	// driver's and workers’ are driver and worker; can't is cant.
	for _, s := range []string{"'s", "’s"} {
		word = strings.TrimSuffix(word, s)
	}
	word = strings.NewReplacer("'", "", "’", "").Replace(word)
	if base, ok := l.form[word]; ok {
		word = base
	}
	if word == "" || l.drop[word] {
		return dropped
	}
	return stem(word)
}

// longestWord bounds the words that are stemmed and remembered. No English word
// is longer, and the stemmer's work grows with the square of the length.
const longestWord = 40

// stem takes an English word back to its stem; words with anything but a to z
// are left alone.
func stem(word string) string {
	if len(word) > longestWord {
		return word
	}
	for i := range len(word) {
		if word[i] < 'a' || word[i] > 'z' {
			return word
		}
	}
	env := snowballstem.NewEnv(word)
	english.Stem(env)
	return env.Current()
}

// Analyze implements analysis.Analyzer, for the index.
func (l *language) Analyze(text []byte) analysis.TokenStream {
	all := make([]analysis.Token, 0, len(text)/6+1)
	for t := range l.tokens(string(text)) {
		all = append(all, analysis.Token{Term: []byte(t.term), Start: t.start, End: t.end, Position: t.place})
	}
	stream := make(analysis.TokenStream, len(all))
	for i := range all {
		stream[i] = &all[i]
	}
	return stream
}
