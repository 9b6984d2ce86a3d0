package intake

import (
	"crypto/sha256"
	"encoding/binary"
	"strings"
)

// letters are those of a short code: Crockford's base 32, which has no I, L, O
// or U, so that no two look alike on paper and none spell.
const letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// codeLength is six letters and one to check them.
const codeLength = 7

// shortCode returns the short code of a report, without hyphens. turn counts up
// from 0 while the code belongs to another report already: six letters hold
// about a thousand million reports, so that among a million one in a thousand
// needs a second turn.
func shortCode(uuid string, turn int) string {
	h := sha256.New()
	h.Write([]byte("fairlead short code\n" + uuid + "\n"))
	var n [8]byte
	binary.BigEndian.PutUint64(n[:], uint64(turn))
	h.Write(n[:])
	v := binary.BigEndian.Uint32(h.Sum(nil))
	var c [codeLength]byte
	for i := range codeLength - 1 {
		c[i] = byte(v & 31)
		v >>= 5
	}
	c[codeLength-1] = check32(c[:codeLength-1])
	for i := range c {
		c[i] = letters[c[i]]
	}
	return string(c[:])
}

// spoken puts hyphens into a code: 7KQ-2MX-4.
func spoken(code string) string { return code[:3] + "-" + code[3:6] + "-" + code[6:] }

// readCode reads a short code as people write it down: in either case, with or
// without hyphens and spaces, with O for 0 and I or L for 1. ok is false when
// it is no code, or when the last letter shows a slip: every single wrong
// letter and every swap of two is noticed.
func readCode(written string) (code string, ok bool) {
	written = strings.NewReplacer("-", "", " ", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(written))
	if len(written) != codeLength {
		return "", false
	}
	var c [codeLength]byte
	for i := range codeLength {
		at := strings.IndexByte(letters, written[i])
		if at < 0 {
			return "", false
		}
		c[i] = byte(at)
	}
	return written, check32(c[:codeLength-1]) == c[codeLength-1]
}

// check32 is a weighted sum over the field of 32 elements, with the weights 2,
// 4, 8, 16, … of the field, all different and none of them that of the check
// letter itself, which is 1. A wrong letter changes it, and so does a swap.
func check32(values []byte) byte {
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
