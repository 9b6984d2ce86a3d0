package receiptcode

import (
	"bytes"
	"crypto/rand"
	mrand "math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestNew(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for range 2000 {
		code, err := New(rand.Reader)
		require.NoError(t, err)
		require.Len(t, code, 17)
		require.False(t, seen[code], "twice the same")
		seen[code] = true
		back, err := Read(Spoken(code))
		require.NoError(t, err)
		require.Equal(t, code, back)
		require.NoError(t, Strong(code))
		require.NotContains(t, Hash(code), strings.ToLower(code))
	}
	_, err := New(bytes.NewReader(nil))
	require.Error(t, err, "without randomness there is no code")
}

// Every single wrong letter and every swap of two different ones is noticed.
func TestSlips(t *testing.T) {
	t.Parallel()
	code, err := New(mrand.NewChaCha8([32]byte{7}))
	require.NoError(t, err)
	for i := range code {
		for _, l := range letters {
			slip := code[:i] + string(l) + code[i+1:]
			_, err := Read(slip)
			require.Equal(t, slip == code, err == nil, slip)
		}
		for j := i + 1; j < len(code); j++ {
			swap := []byte(code)
			swap[i], swap[j] = swap[j], swap[i]
			_, err := Read(string(swap))
			require.Equal(t, code[i] == code[j], err == nil, string(swap))
		}
	}
	for _, bad := range []string{"", "7KQ-2MX-4", code[:16], code + "0", strings.Repeat(" ", 500) + code, "ÄÖÜ", strings.Replace(code, code[3:4], "U", 1)} {
		_, err := Read(bad)
		require.ErrorIs(t, err, ErrForm, bad)
	}
}

func TestHands(t *testing.T) {
	t.Parallel()
	code, err := New(bytes.NewReader([]byte{1, 0, 1, 0, 5, 9, 22, 31, 7, 12, 18, 3, 28, 15, 2, 26}))
	require.NoError(t, err)
	hand := strings.ToLower(strings.NewReplacer("1", "l", "0", "o").Replace(Spoken(code)))
	back, err := Read(" " + strings.ReplaceAll(hand, "-", " - ") + " ")
	require.NoError(t, err)
	require.Equal(t, code, back)
}

// What people and broken programs make up is refused; what is drawn is not, but
// for about one in 17,000.
func TestStrong(t *testing.T) {
	t.Parallel()
	whole := func(first string) string {
		var v []byte
		for i := range first {
			v = append(v, byte(strings.IndexByte(letters, first[i])))
		}
		return first + string(letters[check(v)])
	}
	for _, made := range []string{"0000000000000000", "0123456789ABCDEF", "A1A1A1A1A1A1A1A1", "7KQ2MX4H7KQ2MX4H", "FEDCB7KQ2MX4HWPN", "AAAAA7KQ2MX4HWPN"} {
		code, err := Read(whole(made))
		require.NoError(t, err, made)
		require.ErrorIs(t, Strong(code), ErrWeak, made)
	}
	r, refused := mrand.New(mrand.NewPCG(1, 2)), 0
	const many = 300_000
	for range many {
		var b [drawn]byte
		for i := range b {
			b[i] = byte(r.IntN(32))
		}
		if Strong(spell(append(b[:], check(b[:])))) != nil {
			refused++
		}
	}
	t.Logf("%d of %d drawn at random refused", refused, many)
	require.Less(t, refused, many/3000)
}

func FuzzRead(f *testing.F) {
	f.Add("7KQ2-MX4H-WPN8-3ZRTA")
	f.Fuzz(func(t *testing.T, s string) {
		code, err := Read(s)
		if err != nil {
			return
		}
		_ = Strong(code)
		back, err := Read(Spoken(code))
		if err != nil || back != code {
			t.Fatalf("%q read as %q, back as %q: %v", s, code, back, err)
		}
	})
}

func TestSpelling(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.ByteMax(31), drawn, drawn).Draw(t, "v")
		code, err := Read(spell(append(v, check(v))))
		require.NoError(t, err)
		require.Equal(t, spell(v), code[:drawn])
	})
}
