package search

import (
	"iter"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// token is one word of a text that is looked for.
type token struct {
	start, end int // bytes of the text
	// place counts the words of the text from 1, dropped ones too: a phrase
	// may have any small word where it has one.
	place int
	term  string
}

// tokens yields the words of a text in order.
//
// A word is a run of letters, digits and marks. An apostrophe joins letters, a
// point joins digits (3.5); a point between letters parts them, because people
// write "slipped.Then". A sign of a script that is written without spaces is a
// word by itself, and such words are found as phrases.
func (l *language) tokens(text string) iter.Seq[token] {
	return func(yield func(token) bool) {
		place := 0
		var lower []byte
		for at := 0; at < len(text); {
			start, end := nextWord(text, at)
			if start == len(text) {
				return
			}
			at = end
			place++
			lower = appendLower(lower[:0], text[start:end])
			if term, ok := l.term(lower); ok && !yield(token{start, end, place, term}) {
				return
			}
		}
	}
}

// nextWord returns the bounds of the first word at or after at; start is
// len(text) when there is none.
func nextWord(text string, at int) (start, end int) {
	start = at
	var first, size = rune(0), 0
	for ; start < len(text); start += size {
		first, size = utf8.DecodeRuneInString(text[start:])
		if wordRune(first) {
			break
		}
	}
	if start == len(text) {
		return start, start
	}
	end = start + size
	if unspaced(first) {
		for end < len(text) {
			r, n := utf8.DecodeRuneInString(text[end:])
			if !unicode.Is(unicode.M, r) {
				break
			}
			end += n
		}
		return start, end
	}
	for before := first; end < len(text); {
		r, n := utf8.DecodeRuneInString(text[end:])
		if !joins(before, r, text[end+n:]) {
			break
		}
		before, end = r, end+n
	}
	return start, end
}

// joins reports whether r goes on with the word whose last rune is before.
func joins(before, r rune, rest string) bool {
	switch {
	case r == '\'' || r == '’':
		after, _ := utf8.DecodeRuneInString(rest)
		return unicode.IsLetter(before) && unicode.IsLetter(after) && !unspaced(after)
	case r == '.':
		after, _ := utf8.DecodeRuneInString(rest)
		return unicode.IsDigit(before) && unicode.IsDigit(after)
	}
	return (wordRune(r) || unicode.Is(unicode.M, r)) && !unspaced(r)
}

func wordRune(r rune) bool {
	if r < utf8.RuneSelf {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
	}
	return r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsNumber(r))
}

// unspaced reports whether r belongs to a script written without spaces.
func unspaced(r rune) bool {
	return r >= 0x0E00 && unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana,
		unicode.Thai, unicode.Lao, unicode.Khmer, unicode.Myanmar)
}

func appendLower(to []byte, word string) []byte {
	for i := range len(word) {
		c := word[i]
		if c >= utf8.RuneSelf {
			return append(to[:0], strings.ToLower(word)...)
		}
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		to = append(to, c)
	}
	return to
}

// fold makes one spelling of what is written in several ways: composed and
// decomposed letters, wide letters, and Latin letters with and without
// accents, which are left out in a hurry.
func fold(word string) string {
	ascii := true
	for i := range len(word) {
		ascii = ascii && word[i] < utf8.RuneSelf
	}
	if ascii {
		return word
	}
	var b strings.Builder
	latin := false
	for _, r := range norm.NFKD.String(word) {
		if unicode.Is(unicode.Mn, r) && latin {
			continue
		}
		latin = unicode.Is(unicode.Latin, r)
		b.WriteRune(r)
	}
	return norm.NFC.String(strings.ToLower(b.String()))
}
