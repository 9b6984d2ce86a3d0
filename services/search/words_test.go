package search

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// plain writes a reading down: what is wanted by its ways, what helps with a
// question mark, what is unwanted with a minus.
func (rd reading) plain() string {
	var out []string
	phraseText := func(p phrase) string {
		var places []string
		for _, alternatives := range p {
			places = append(places, strings.Join(alternatives, "/"))
		}
		return strings.Join(places, "_")
	}
	for _, w := range rd.wanted {
		var ways []string
		for _, way := range w.ways {
			var ps []string
			for _, p := range way.phrases {
				ps = append(ps, phraseText(p))
			}
			ways = append(ways, strings.Join(ps, "&"))
		}
		out = append(out, strings.Join(ways, "|"))
	}
	for _, h := range rd.helps {
		out = append(out, "?"+h)
	}
	for _, p := range rd.unwanted {
		out = append(out, "-"+phraseText(p))
	}
	return strings.Join(out, " ")
}

func TestRead(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, words, want string }{
		{"words", "reversed bay", "revers bay"},
		{"small words", "reversed without a spotter", "revers spotter|safeti_observ ?without"},
		{"phrase", `"fell off the ladder"`, "fall_off__ladder"},
		{"phrase in other quotes", "„fell off“ ladder", "fall_off ladder"},
		{"phrase begins and ends where it says something", `"in the bay of"`, "bay"},
		{"unwanted", "mower -slope", "mower|lawnmow|lawn_mower -slope"},
		{"unwanted phrase", `mower -"wet grass"`, "mower|lawnmow|lawn_mower -wet_grass"},
		{"long minus", "bay −wet –dry", "bay -wet -dri"},
		{"minus inside a word", "trip-wire", "trip_wire"},
		{"minus alone", "bay - wet", "bay wet"},
		{"quote not closed", `bay "wet grass`, "bay wet grass"},
		{"quote in a word", `bay"wet grass"dry`, "bay wet_grass dri"},
		{"empty quotes", `"" bay`, "bay"},
		{"signs only", `?! bay ...`, "bay"},
		{"same word", "lorry", "lorri|truck"},
		{"same words written apart", "fork lift driver", "fork&lift|forklift|fork_truck|lift_truck driver"},
		{"same words with a soft one", "it rolled over", "roll|overturn|rollov|tip_over"},
		{"hyphenated same", "close-call", "close_call|near_miss|close_shave"},
		{"hyphenated, only a part is the same", "forklift-driver", "forklift_driver"},
		{"quoted is not widened", `"lorry"`, "lorri"},
		{"soft words alone are wanted", "off over", "off over"},
		{"quoted soft word is wanted", `"off" ladder`, "off ladder"},
		{"short code", "7KQ-2MX-4", "7kq_2mx_4"},
		{"said twice", "Kerb kerb KERB stone", "kerb stone"},
		{"words and phrase", `fork lift "fork lift"`, "fork&lift|forklift|fork_truck|lift_truck fork_lift"},
		{"only small words", "the and of", ""},
		{"only unwanted", "-bay", "-bay"},
		{"script without spaces", "滑倒", "滑_倒"},
	} {
		require.Equal(t, c.want, newLanguage().read(c.words).plain(), c.name)
	}
}

func TestNotes(t *testing.T) {
	t.Parallel()
	require.Equal(t, []string{
		`too common to look for: "the" and "of"`,
		`only helps the order, unless put in quotes: "off"`,
		`"lorry" also read as "truck"`,
	}, newLanguage().read("fell off the back of lorry").notes)
	require.Empty(t, newLanguage().read("ladder").notes)
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{"", `"`, `""`, `-`, `-"`, `--a`, `-"a b" c`, "„x“y”", "fork-lift fork lift", "\xff\"\xfe", "a\u0301'-’", "-\xff"} {
		f.Add(s)
	}
	l := newLanguage()
	f.Fuzz(func(t *testing.T, words string) {
		rd := l.read(words)
		for _, w := range rd.wanted {
			require.NotEmpty(t, w.ways)
			for _, way := range w.ways {
				require.NotEmpty(t, way.phrases, "%s", fmt.Sprint(way))
				for _, p := range way.phrases {
					require.NotEmpty(t, p)
					require.NotEmpty(t, p[0], "a phrase begins with a word")
					require.NotEmpty(t, p[len(p)-1], "a phrase ends with a word")
				}
			}
		}
		for _, n := range rd.notes {
			require.True(t, !utf8.ValidString(words) || utf8.ValidString(n))
		}
	})
}
