package mask

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestOwn: what is a name in one text of a report is one in all of them.
func TestOwn(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text, beside, want string }{
		{"a guess, where nothing tells", "I told Snowy to stop.", "Snowy's ute. Behind snowy ground", "[name]'s ute. Behind snowy ground"},
		{"after a title", "Mr Placeholder fell.", "placeholder sat down", "[name] sat down"},
		{"a title before a word that is also written small", "Mr Reed fell.", "the reed bed, by reed", "the reed bed, by reed"},
		{"two words", "He saw Amber Madeup there.", "Madeup, then Amber Madeup", "[name], then [name]"},
		{"a short name", "Mr Ng fell.", "Ng and al", "[name] and al"},
		{"a place is none", "told Lakeside to wait", "Lakeside", "Lakeside"},
		{"nobody", "The saw stopped.", "Saw stopped", "Saw stopped"},
	} {
		h := NewHouse(house)
		require.Equal(t, c.want, h.Cover(c.beside, h.Own(c.text, c.beside)), c.name)
	}
}

// TestDecided: what somebody covered by hand is covered in the other texts too.
func TestDecided(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text, covered, beside, want string }{
		{"a nickname that begins", "Snowy was on the ramp.", "[name] was on the ramp.", "next to Snowy, and snowy too", "next to [name], and [name] too"},
		{"written small", "old mate dave was on the ramp.", "[somebody] was on the ramp.", "ask old mate dave. a mate", "ask [name]. a mate"},
		{"written small, and it begins", "Old bramble saw Bazza.", "[name] saw [name].", "old bramble by an old saw, Bazza", "[name] by an old saw, [name]"},
		{"one small word", "then dave slipped", "then [name] slipped", "dave's boots", "[name]'s boots"},
		{"told otherwise", "It was then that Bazza slipped on oil.", "A worker slipped on oil.", "Bazza, oil", "[name], oil"},
		{"told otherwise, what begins a sentence stays", "Oil was there. Then Bazza slipped.", "Somebody slipped.", "Oil by Bazza", "Oil by [name]"},
		{"what is left in another place stays", "Kelly stood at Kelly ramp.", "[name] stood at Kelly ramp.", "Kelly ramp", "Kelly ramp"},
		{"small words stay", "I and the crew and Bazza fell", "I and [people] fell", "and the crew", "and the crew"},
		{"nothing covered", "The saw stopped.", "The saw stopped.", "the saw", "the saw"},
		{"a bracket that is no mark", "He fell [again] Bazza [", "He fell [again] [name] [", "again Bazza", "again [name]"},
	} {
		h := NewHouse(house)
		own := h.Own(c.text, c.beside)
		own.Decided(h, c.text, c.covered)
		require.Equal(t, c.want, h.Cover(c.beside, own), c.name)
	}
}

// TestLongTextsAreTold apart within bounds, and what is in capitals is covered
// then too.
func TestLongTexts(t *testing.T) {
	t.Parallel()
	h := NewHouse(house)
	text := "Then " + strings.Repeat("the saw and the rope ran, Bazza too, ", 520)
	covered := "What " + strings.Repeat("a rope or a saw ran, [name] too, ", 520)
	own := h.Own()
	own.Decided(h, text, covered)
	require.Equal(t, "by [name]", h.Cover("by Bazza", own))
}

// Words are found as this pattern finds them.
func TestWords(t *testing.T) {
	t.Parallel()
	pattern := regexp.MustCompile(`[\p{L}][\p{L}\p{M}'’-]*[\p{L}\p{M}]|[\p{L}]`)
	rapid.Check(t, func(t *rapid.T) {
		text := string(rapid.SliceOf(rapid.SampledFrom([]byte("ab-'\xe2\x80\x99 .9\xc3\xa9\xcc\x81"))).Draw(t, "text"))
		var want [][2]int
		for _, m := range pattern.FindAllStringIndex(text, -1) {
			want = append(want, [2]int{m[0], m[1]})
		}
		require.Equal(t, want, wordsOf(text), "%q", text)
	})
}

// A covered text stands only with the names it was made with: what is covered
// changes with no words but those of the name that came or went, which is what
// lets an index of covered texts be kept up.
func TestOnlyTheWordsOfAName(t *testing.T) {
	t.Parallel()
	vocabulary := strings.Fields("told Amber amber Madeup saw Reed reed with Tern Lakeside and Mr the fell. Tern's -")
	rapid.Check(t, func(t *rapid.T) {
		some := func(label string) string {
			return strings.Join(rapid.SliceOfN(rapid.SampledFrom(vocabulary), 0, 12).Draw(t, label), " ")
		}
		a, b := some("text"), some("another")
		known := Known{People: []string{"Iris Storybook"}, Places: []string{"Lakeside"}}
		more := known
		came := rapid.SampledFrom([]string{"Amber Madeup", "Reed Tern", "Saw"}).Draw(t, "came")
		words := PersonWords(came)
		if rapid.Bool().Draw(t, "a place") {
			words = PlaceWords(came)
			more.Places = append([]string{came}, known.Places...)
		} else {
			more.People = append([]string{came}, known.People...)
		}
		for _, w := range words {
			if strings.Contains(strings.ToLower(a+" "+b), w) {
				return
			}
		}
		before, after := NewHouse(known), NewHouse(more)
		require.Equal(t, before.Cover(a, before.Own(a, b)), after.Cover(a, after.Own(a, b)))
	})
}

// TestRules: other answers need another number, or old indexes stay as they are.
func TestRules(t *testing.T) {
	t.Parallel()
	b, err := os.ReadFile("testdata/stories.txt")
	require.NoError(t, err)
	h, sum := NewHouse(house), sha256.New()
	for line := range strings.Lines(string(b)) {
		text, _ := marked(strings.TrimSpace(line))
		own := h.Own(text)
		own.Decided(h, text, "Somebody [name] fell.")
		sum.Write([]byte(h.Cover(text, own) + "\n"))
	}
	require.Equal(t, map[int]string{2: "ab54b067af05ef4b"}, map[int]string{Rules: hex.EncodeToString(sum.Sum(nil)[:8])},
		"the rules give other answers: raise Rules, and write the new sum here")
}
