package signin

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestTooEasy(t *testing.T) {
	t.Parallel()
	for _, w := range []string{"", "short", "elevenchars", strings.Repeat("ab", 101), "aaaaaaaaaaaa", "123456789012", "Password2026!!", "P@ssw0rdP@ssw0rd",
		"welcomewelcome1", "qwertyuiop12", "poiuytrewq99", "abcdefghijkl", "summer2026!!!!", "correct horse battery staple", "correcthorsebatterystaple",
		"fairlead-safety-2026", "r.fern.r.fern", "iloveyou12345", "111111222222", "qazwsxedcrfv"} {
		require.NotEmpty(t, tooEasy(w, "r.fern"), w)
	}
	for _, w := range []string{"mossy gate by the weir", "zug-kelp-ontario", "näktergal under bron", "十二個以上の文字を使う言葉です", "v9#Tq!mZ2pLw", "the weir is mossy"} {
		require.Empty(t, tooEasy(w, "r.fern"), w)
	}
}

func TestKeptPassword(t *testing.T) {
	t.Parallel()
	kept, err := keepPassword(t.Context(), "cafe\u0301 by the weir")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(kept, "$argon2id$v=19$m=19456,t=2,p=1$"), kept)
	right := func(kept, word string) bool {
		ok, err := isPassword(t.Context(), kept, word)
		require.NoError(t, err)
		return ok
	}
	require.True(t, right(kept, "caf\u00e9 by the weir"), "one letter, two encodings")
	require.False(t, right(kept, "cafe by the weir"))
	for _, bad := range []string{"", kept[:len(kept)-2], kept + "A", "$argon2id$v=19$m=1,t=1,p=1$AAAA$AAAA", keptForm + "$", strings.Replace(kept, "argon2id", "argon2i", 1)} {
		require.False(t, right(bad, "caf\u00e9 by the weir"), bad)
		require.False(t, right(bad, ""), bad)
	}
}

func TestSlow(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	s := newSlow(func() time.Time { return now }, 3, time.Minute)
	for range 3 {
		require.Zero(t, s.try("a"))
	}
	require.Equal(t, 2*time.Second, s.try("a"))
	require.Zero(t, s.try("b"))
	require.Zero(t, s.try(""))
	last := time.Duration(0)
	for range 10 {
		wait := s.try("a")
		require.GreaterOrEqual(t, wait, last)
		require.LessOrEqual(t, wait, time.Minute)
		now, last = now.Add(wait), wait
		require.Zero(t, s.try("a"))
	}
	require.Equal(t, time.Minute, s.try("a"))
	s.forgive("a")
	require.NotZero(t, s.try("a"), "one right try does not undo the wrong ones")
	s.forget("a")
	require.Zero(t, s.try("a"))

	// A flood of names fills the memory and frees nobody who waits.
	for range 4 {
		s.try("c")
	}
	require.NotZero(t, s.try("c"))
	for i := range 3 * mostKeys {
		s.try(strings.Repeat("x", 1+i%3) + string(rune(i)))
	}
	require.LessOrEqual(t, len(s.tries), mostKeys)
	require.NotZero(t, s.try("c"))
}

func TestCodesAreReadWell(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for range 200 {
		c, err := newCode()
		require.NoError(t, err)
		require.Regexp(t, `^[2-9A-HJKMNP-Z]{4}-[2-9A-HJKMNP-Z]{4}-[2-9A-HJKMNP-Z]{4}$`, c)
		require.False(t, seen[c])
		seen[c] = true
		require.Equal(t, strings.ReplaceAll(c, "-", ""), plainCode(" "+strings.ToLower(c)+" "))
	}
}

// FuzzTyped: whatever somebody types as password, code or name is read without
// a panic, and reading what was read changes nothing.
func FuzzTyped(f *testing.F) {
	f.Add("mossy gate by the weir", "r.fern")
	f.Add("\xff\xfe", "\x00")
	f.Add("ﷺﷺﷺﷺﷺﷺ", "İ")
	f.Fuzz(func(t *testing.T, a, b string) {
		_ = tooEasy(a, b)
		require.Equal(t, plainCode(a), plainCode(plainCode(a)))
		require.Equal(t, plainName(a), plainName(plainName(a)))
	})
}
