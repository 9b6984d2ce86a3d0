package intake

import (
	"math/bits"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// goldenCode was worked out by a second implementation, in another language.
const goldenCode = "TDS-P2R-N"

func TestShortCode(t *testing.T) {
	t.Parallel()
	// The derivation is part of what people have on paper: it must not change.
	require.Equal(t, goldenCode, spoken(shortCode("0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70", 0)))
	rapid.Check(t, func(t *rapid.T) {
		id := uuid.NewString()
		code := shortCode(id, rapid.IntRange(0, 5).Draw(t, "turn"))
		shown := spoken(code)
		for _, written := range []string{code, shown, strings.ToLower(shown), strings.ReplaceAll(shown, "-", " "),
			strings.NewReplacer("0", "O", "1", "l").Replace(shown)} {
			got, ok := readCode(written)
			if !ok || got != code {
				t.Fatalf("%q reads as %q, %v", written, got, ok)
			}
		}
	})
}

// TestSlipsAreNoticed tries every wrong letter and every swap of two letters.
func TestSlipsAreNoticed(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		code := shortCode(rapid.StringMatching(`[0-9a-f]{8}`).Draw(t, "id"), 0)
		for i := range codeLength {
			for _, l := range letters {
				slip := code[:i] + string(l) + code[i+1:]
				if _, ok := readCode(slip); ok && slip != code {
					t.Fatalf("%s passes for %s", slip, code)
				}
			}
			for j := range i {
				b := []byte(code)
				b[i], b[j] = b[j], b[i]
				if _, ok := readCode(string(b)); ok && string(b) != code {
					t.Fatalf("%s passes for %s", b, code)
				}
			}
		}
	})
}

// TestFieldOf32 checks the arithmetic against plain polynomial division.
func TestFieldOf32(t *testing.T) {
	t.Parallel()
	for a := range byte(32) {
		for b := range byte(32) {
			product := 0
			for i := range 5 {
				if b>>i&1 == 1 {
					product ^= int(a) << i
				}
			}
			for bits.Len(uint(product)) > 5 {
				product ^= 0b100101 << (bits.Len(uint(product)) - 6)
			}
			require.EqualValues(t, product, times(a, b), "%d×%d", a, b)
		}
	}
}

func FuzzReadCode(f *testing.F) {
	f.Add("7KQ-2MX-4")
	f.Add(goldenCode)
	f.Add("ooo-iii-l")
	f.Add("--- ---é")
	f.Fuzz(func(t *testing.T, written string) {
		code, ok := readCode(written)
		if !ok {
			require.Empty(t, strings.TrimLeft(code, letters))
			return
		}
		again, ok := readCode(spoken(code))
		require.True(t, ok)
		require.Equal(t, code, again)
	})
}
