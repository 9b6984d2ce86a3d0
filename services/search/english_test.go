package search

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

func terms(text string) []string {
	var out []string
	for t := range newLanguage().tokens(text) {
		out = append(out, t.term)
	}
	return out
}

func TestTokens(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text, want string }{
		{"forms of one verb", "reversed reversing reverses reverse", "revers revers revers revers"},
		{"irregular forms", "fell fallen falls falling", "fall fall fall fall"},
		{"struck is strike", "struck striking", "strike strike"},
		{"small words are left out", "The mower was on a slope", "mower slope"},
		{"words of direction stay", "ran over him without looking", "run over without look"},
		{"possessive", "driver's drivers’ driver’s", "driver driver driver"},
		{"short negation", "didn't see; can't stop", "see cant stop"},
		{"numbers", "3.5 t at 40km/h, bay 12.", "3.5 t 40km h bay 12"},
		{"no space after the point", "slipped.Then fell", "slip fall"},
		{"hyphen", "near-miss", "near miss"},
		{"accents", "café CAFE\u0301 cafe", "cafe cafe cafe"},
		{"spelling", "tire tyres curb kerb grey gray", "tyre tyre kerb kerb grey grey"},
		{"tired is not a tyre", "tired", "tire"},
		{"script without spaces", "滑倒了", "滑 倒 了"},
		{"mixed", "ตก ladder", "ต ก ladder"},
		{"nothing", " -- ... !?", ""},
	} {
		require.Equal(t, c.want, strings.Join(terms(c.text), " "), c.name)
	}
}

func TestTablesAreSound(t *testing.T) {
	t.Parallel()
	l, err := parseLanguage(englishCSV)
	require.NoError(t, err)
	require.Greater(t, len(l.drop), 80)
	for from, to := range l.form {
		_, again := l.form[to]
		require.False(t, again, "%s leads to another form, %s", from, to)
		require.False(t, l.drop[to], "%s leads to a word that is not looked for", from)
		require.NotEqual(t, stem(from), stem(to), "the stemmer knows %s by itself", from)
	}
	seen := map[string]string{}
	for _, ring := range l.rings {
		require.Greater(t, len(ring), 1)
		for _, m := range ring {
			key := strings.Join(m.terms, " ")
			require.Empty(t, seen[key], "%q stands in two rings or twice in one", m.said)
			seen[key] = m.said
			require.False(t, len(m.terms) == 1 && l.soft[m.terms[0]], "%q is a soft word", m.said)
		}
	}
	_, err = parseLanguage([]byte("kind,word,as\nverb,fell,fall\n"))
	require.ErrorContains(t, err, "row 2")
}

func FuzzTokens(f *testing.F) {
	for _, s := range []string{"", "it’s", "a.b 3.5.", "e\u0301", "滑倒", "\xff\xfe", "ﬁre", "İstanbul", "K"} {
		f.Add(s)
	}
	l := newLanguage()
	f.Fuzz(func(t *testing.T, text string) {
		last, place := 0, 0
		for tok := range l.tokens(text) {
			require.True(t, tok.start >= last && tok.end > tok.start && tok.end <= len(text))
			require.Greater(t, tok.place, place)
			last, place = tok.end, tok.place
			require.NotEmpty(t, tok.term)
			if utf8.ValidString(text) {
				require.True(t, utf8.ValidString(tok.term))
				require.True(t, utf8.ValidString(text[tok.start:tok.end]))
			}
			// A word taken by itself is read as it was read in its text,
			// so that what is copied out of a passage finds it again.
			alone := terms(text[tok.start:tok.end])
			require.True(t, slices.Equal(alone, []string{tok.term}), "%q alone is %q", tok.term, alone)
		}
	})
}
