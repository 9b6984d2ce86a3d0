package signin

import (
	_ "embed"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// commonWords are what passwords are most often made of; see the file.
//
//go:embed common.txt
var commonWords string

// common returns the words of the list.
func common() []string {
	var out []string
	for line := range strings.Lines(commonWords) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			out = append(out, line)
		}
	}
	return out
}

const mostRunes, fewestRunes = 200, 12

// tooEasy says what is wrong with a new password, or "" when nothing is: it is
// short, one of those that are tried first, or the sign-in name over again.
// What letters it has is not asked: rules of that sort make passwords that are
// written down (NIST SP 800-63B, from memory).
func tooEasy(password, signInName string) string {
	password = norm.NFKC.String(password)
	if n := len([]rune(password)); n < fewestRunes || n > mostRunes {
		return "must have 12 to 200 characters; a few words in a row are easy to keep in mind"
	}
	const guessed = "is one that is guessed first; use a few words that have nothing to do with each other"
	plain := strings.ToLower(password)
	if distinct(plain) < 5 || inRow(plain) {
		return guessed
	}
	// Digits and signs put around or instead of letters make nothing harder to
	// guess: what is left without them must not be of common words alone.
	words := append(common(), letters(signInName))
	// The longest first, so that none is left over from a shorter one in it.
	slices.SortFunc(words, func(a, b string) int { return len(b) - len(a) })
	for _, left := range []string{letters(plain), letters(looksLike.Replace(plain))} {
		for _, w := range words {
			if w != "" {
				left = strings.ReplaceAll(left, w, "")
			}
		}
		if len([]rune(left)) < 4 && strings.ContainsFunc(plain, unicode.IsLetter) {
			return guessed
		}
	}
	return ""
}

// looksLike are signs that stand for letters.
var looksLike = strings.NewReplacer("@", "a", "4", "a", "3", "e", "1", "i", "0", "o", "$", "s", "5", "s", "7", "t")

// letters is a text without what is no letter.
func letters(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return r
		}
		return -1
	}, s)
}

func distinct(s string) int {
	seen := map[rune]bool{}
	for _, r := range s {
		seen[r] = true
	}
	return len(seen)
}

// rows are keys as they lie beside each other, and the alphabet.
var rows = []string{"qwertyuiop", "asdfghjkl", "zxcvbnm", "1234567890", "abcdefghijklmnopqrstuvwxyz", "qazwsxedcrfvtgbyhnujmikolp"}

// inRow reports whether most of a text runs along a row of keys or the
// alphabet, forwards or backwards.
func inRow(s string) bool {
	r := []rune(s)
	steps := 0
	for i := 1; i < len(r); i++ {
		pair, back := string(r[i-1:i+1]), string([]rune{r[i], r[i-1]})
		for _, row := range rows {
			if strings.Contains(row, pair) || strings.Contains(row, back) {
				steps++
				break
			}
		}
	}
	return steps*4 >= (len(r)-1)*3
}
