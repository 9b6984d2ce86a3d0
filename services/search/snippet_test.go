package search

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

func plainParts(parts []*pb.SnippetPart) string {
	var b strings.Builder
	for _, p := range parts {
		if p.GetMatched() {
			b.WriteString("[" + p.GetText() + "]")
		} else {
			b.WriteString(p.GetText())
		}
	}
	return b.String()
}

func TestPassage(t *testing.T) {
	t.Parallel()
	filler := strings.Repeat("Nothing of note happened then. ", 20)
	for _, c := range []struct{ name, words, text, want string }{
		{"short text is whole", "kerb", "A kerb rolled.", "A [kerb] rolled."},
		{"every form is marked", "reverse", "Reversing trucks reversed.", "[Reversing] trucks [reversed]."},
		{"line breaks", "kerb", "A\r\n\n kerb\trolled.\n", "A [kerb] rolled."},
		{"match at both ends", "kerb", "Kerb and kerb", "[Kerb] and [kerb]"},
		{"densest place", "kerb stone", "A stone. " + filler + "The kerb stone fell. " + filler,
			"…Nothing of note happened then. Nothing of note happened then. Nothing of note happened then. The [kerb] [stone] fell. Nothing of note happened then. Nothing of note happened then. Nothing of note happened then.…"},
		{"nothing matched", "kerb", "Another story.", "Another story."},
		{"phrase only", `"kerb stone"`, "A kerb. A kerb stone. A stone.", "A kerb. A [kerb] [stone]. A stone."},
		{"possessive", "driver", "The driver’s door", "The [driver’s] door"},
		{"decomposed letters", "cafe", "The cafe\u0301 door", "The [cafe\u0301] door"},
		{"other script around", "kerb", "坡道上 kerb 滑倒", "坡道上 [kerb] 滑倒"},
	} {
		l := newLanguage()
		got := l.passage(&pb.Report{Narrative: c.text}, l.read(c.words))
		require.Equal(t, c.want, plainParts(got), c.name)
	}
}

func TestPassageOfALongTextWithoutSpaces(t *testing.T) {
	t.Parallel()
	l := newLanguage()
	text := strings.Repeat("坡", 400) + "滑倒" + strings.Repeat("道", 400)
	got := plainParts(l.passage(&pb.Report{Narrative: text}, l.read("滑倒")))
	require.Contains(t, got, "[滑][倒]")
	require.True(t, strings.HasPrefix(got, "…坡") && strings.HasSuffix(got, "道…"), got)
	require.Less(t, utf8.RuneCountInString(got), passageRunes+10)
}

func TestPassageFromTheBestPart(t *testing.T) {
	t.Parallel()
	l := newLanguage()
	r := &pb.Report{Narrative: "A kerb rolled.", DoneRightAway: "The kerb stone was put back.",
		Harms: []*pb.Harm{{Description: "Foot under the kerb stone, toe nail lost."}}}
	require.Equal(t, "The [kerb] [stone] was put back.", plainParts(l.passage(r, l.read("kerb stone"))))
	require.Equal(t, "Foot under the [kerb] [stone], [toe] nail lost.", plainParts(l.passage(r, l.read("kerb stone toe"))))
}

// FuzzPassage holds that a passage is a stretch of the text, whole letters
// only, about as long as promised, and that what is marked was looked for.
func FuzzPassage(f *testing.F) {
	f.Add("kerb", "A kerb rolled.")
	f.Add(`"a b" c`, strings.Repeat("a b c ", 100))
	f.Add("滑", strings.Repeat("滑倒", 200))
	f.Add("e", strings.Repeat("e\u0301", 300))
	f.Add("kerb", "\n\n\t")
	l := newLanguage()
	f.Fuzz(func(t *testing.T, words, text string) {
		if !utf8.ValidString(text) || len(text) > 20_000 {
			return // the contract's text is valid
		}
		rd := l.read(words)
		parts := l.passage(&pb.Report{Narrative: text}, rd)
		wanted := map[string]bool{}
		for _, term := range rd.allTerms() {
			wanted[term] = true
		}
		whole := ""
		for _, p := range parts {
			require.NotEmpty(t, p.GetText())
			require.True(t, utf8.ValidString(p.GetText()))
			whole += p.GetText()
			if p.GetMatched() {
				for tok := range l.tokens(p.GetText()) {
					require.True(t, wanted[tok.term], "%q is marked", p.GetText())
				}
			}
		}
		whole = strings.TrimSuffix(strings.TrimPrefix(whole, ellipsis), ellipsis)
		require.LessOrEqual(t, utf8.RuneCountInString(whole), passageRunes+longestMark(text, l)+2*wordRoom+longestMarks(text))
		require.True(t, strings.Contains(spaces(" "+text+" "), strings.Trim(whole, " ")) || strings.Contains(text, ellipsis))
	})
}

// longestMark is the longest word, which is never cut where it was found.
func longestMark(text string, l *language) int {
	longest := 0
	for tok := range l.tokens(text) {
		longest = max(longest, utf8.RuneCountInString(text[tok.start:tok.end]))
	}
	return longest
}

// longestMarks is the longest run of combining marks, which is not parted.
func longestMarks(text string) int {
	longest, run := 0, 0
	for _, r := range text {
		if unicode.Is(unicode.M, r) {
			run++
		} else {
			run = 0
		}
		longest = max(longest, run)
	}
	return 2 * longest
}
