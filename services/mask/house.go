package mask

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// House is what a house knows, ready to be looked for.
type House struct{ people, places map[string]bool }

// NewHouse returns what is known, ready to be looked for.
func NewHouse(k Known) *House {
	h := &House{people: map[string]bool{}, places: map[string]bool{}}
	for _, p := range k.People {
		for _, w := range PersonWords(p) {
			h.people[w] = true
		}
	}
	for _, p := range k.Places {
		for _, w := range PlaceWords(p) {
			h.places[w] = true
		}
	}
	return h
}

// PersonWords are the words of somebody's name that are looked for: what is
// covered changes with them alone.
func PersonWords(name string) []string {
	var out []string
	for _, w := range PlaceWords(name) {
		if utf8.RuneCountInString(w) >= 3 && !common[w] {
			out = append(out, w)
		}
	}
	return out
}

// PlaceWords are the words of the title of a place, which are no names.
func PlaceWords(title string) []string {
	title = strings.ToLower(title)
	var out []string
	for _, at := range wordsOf(title) {
		out = append(out, title[at[0]:at[1]])
	}
	return out
}

// wordsOf returns where the words of a text begin and end: letters with their
// accents, and apostrophes and hyphens between them.
func wordsOf(text string) [][2]int {
	var out [][2]int
	start, end := -1, 0 // of the word that is open
	for at := 0; at < len(text); {
		r, n := utf8.DecodeRuneInString(text[at:])
		switch {
		case unicode.IsLetter(r):
			if start < 0 {
				start = at
			}
			end = at + n
		case start >= 0 && unicode.Is(unicode.M, r):
			end = at + n
		case start >= 0 && (r == '\'' || r == '’' || r == '-'):
		case start >= 0:
			out = append(out, [2]int{start, end})
			start = -1
		}
		at += n
	}
	if start >= 0 {
		out = append(out, [2]int{start, end})
	}
	return out
}
