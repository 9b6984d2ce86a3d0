package ledger

import (
	"crypto/sha256"
	"encoding/binary"
)

// hashTag separates these hashes from any other use of SHA-256 and names the
// version of the encoding.
const hashTag = "fairlead change 1"

// HashChange computes the hash of a change from its other fields, PrevHash
// included, by the encoding in the package comment. It ignores c.Hash.
func HashChange(c Change) [32]byte {
	body := sha256.Sum256(c.Body)
	n := len(hashTag) + len(c.Actor) + len(c.Verb) + len(c.Name) + len(c.Kind) + len(c.RequestID)
	b := make([]byte, 0, n+11*8+3*8+2*32)
	b = appendText(b, hashTag)
	b = appendField(b, c.PrevHash[:])
	b = appendInt(b, c.Seq)
	b = appendInt(b, c.Time.UnixMicro())
	b = appendText(b, c.Actor)
	b = appendText(b, c.Verb)
	b = appendText(b, c.Name)
	b = appendText(b, c.Kind)
	b = appendInt(b, c.Revision)
	b = appendField(b, body[:])
	b = appendText(b, c.RequestID)
	return sha256.Sum256(b)
}

func appendField(b, field []byte) []byte {
	b = binary.BigEndian.AppendUint64(b, uint64(len(field)))
	return append(b, field...)
}

func appendText(b []byte, field string) []byte {
	b = binary.BigEndian.AppendUint64(b, uint64(len(field)))
	return append(b, field...)
}

func appendInt(b []byte, v int64) []byte {
	b = binary.BigEndian.AppendUint64(b, 8)
	return binary.BigEndian.AppendUint64(b, uint64(v))
}
