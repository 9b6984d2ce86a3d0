package receiptcode

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
)

// letters are Crockford's base 32, without I, L, O and U: no two look alike on
// paper.
const letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

const (
	// drawn letters hold the 80 bits; one more checks them.
	drawn  = 16
	length = drawn + 1
)

// What can be wrong with a code.
var (
	// ErrForm says that it is no code: too long, too short, or a slip in it.
	ErrForm = errors.New("receiptcode: not a receipt code, or one with a slip")
	// ErrWeak says that nobody drew it at random.
	ErrWeak = errors.New("receiptcode: not drawn at random")
)

// New draws a code from a source of randomness.
func New(random io.Reader) (string, error) {
	for {
		var b [drawn]byte
		if _, err := io.ReadFull(random, b[:]); err != nil {
			return "", fmt.Errorf("receiptcode: draw: %w", err)
		}
		for i := range b {
			b[i] &= 31 // 256 is a multiple of 32: no letter is favoured
		}
		code := spell(append(b[:], check(b[:])))
		if Strong(code) == nil {
			return code, nil
		}
	}
}

// Read reads a code as people write it down: in either case, with or without
// hyphens and spaces, with O for 0 and I or L for 1. Every single wrong letter
// and every swap of two is noticed.
func Read(written string) (code string, err error) {
	if len(written) > 4*length {
		return "", ErrForm
	}
	written = strings.NewReplacer("-", "", " ", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(written))
	if len(written) != length {
		return "", ErrForm
	}
	var v [length]byte
	for i := range length {
		at := strings.IndexByte(letters, written[i])
		if at < 0 {
			return "", ErrForm
		}
		v[i] = byte(at)
	}
	if check(v[:drawn]) != v[drawn] {
		return "", ErrForm
	}
	return written, nil
}

// Strong returns [ErrWeak] for a code that Read has read and that chance would
// hardly make: fewer than eight different letters, a row of five that count up,
// down or stay, or a half that comes twice. One in about 17,000 that are drawn
// at random is refused too; whoever mints tries again.
func Strong(code string) error {
	seen := map[byte]bool{}
	for i := range drawn {
		seen[code[i]] = true
	}
	if len(seen) < 8 || code[:drawn/2] == code[drawn/2:drawn] {
		return ErrWeak
	}
	row, step := 1, 99
	for i := 1; i < drawn; i++ {
		d := strings.IndexByte(letters, code[i]) - strings.IndexByte(letters, code[i-1])
		if d != step || d < -1 || d > 1 {
			row, step = 1, d
		}
		if d >= -1 && d <= 1 {
			row++
		}
		if row >= 5 {
			return ErrWeak
		}
	}
	return nil
}

// Spoken puts hyphens into a code: 7KQ2-MX4H-WPN8-3ZRTA.
func Spoken(code string) string {
	if len(code) != length {
		return code
	}
	return code[:4] + "-" + code[4:8] + "-" + code[8:12] + "-" + code[12:]
}

// Hash is what is kept of a code.
func Hash(code string) string {
	sum := sha256.Sum256([]byte("fairlead receipt\n" + code))
	return hex.EncodeToString(sum[:])
}

func spell(v []byte) string {
	out := make([]byte, len(v))
	for i := range v {
		out[i] = letters[v[i]]
	}
	return string(out)
}

// check is a weighted sum over the field of 32 elements, with the weights 2, 4,
// 8, … of the field, all different and none of them that of the check letter
// itself, which is 1. A wrong letter changes it, and so does a swap.
func check(values []byte) byte {
	var sum byte
	weight := byte(1)
	for _, v := range values {
		weight = times(weight, 2)
		sum ^= times(weight, v)
	}
	return sum
}

// times multiplies in the field of 32 elements, modulo x⁵+x²+1.
func times(a, b byte) byte {
	var product byte
	for ; b > 0; b >>= 1 {
		if b&1 == 1 {
			product ^= a
		}
		a <<= 1
		if a&32 != 0 {
			a ^= 0b100101
		}
	}
	return product
}
