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
	n := len(hashTag) + len(c.Actor) + len(c.Verb) + len(c.Name) + len(c.Kind) + len(c.RequestID)
	return sha256.Sum256(appendChange(make([]byte, 0, n+11*8+3*8+2*32), c))
}

// appendChange appends the canonical encoding.
func appendChange(b []byte, c Change) []byte {
	body := sha256.Sum256(c.Body)
	b = appendField(b, hashTag)
	b = appendField(b, c.PrevHash[:])
	b = appendInt(b, c.Seq)
	b = appendInt(b, c.Time.UnixMicro())
	b = appendField(b, c.Actor)
	b = appendField(b, c.Verb)
	b = appendField(b, c.Name)
	b = appendField(b, c.Kind)
	b = appendInt(b, c.Revision)
	b = appendField(b, body[:])
	return appendField(b, c.RequestID)
}

func appendField[T string | []byte](b []byte, field T) []byte {
	b = binary.BigEndian.AppendUint64(b, uint64(len(field)))
	return append(b, field...)
}

func appendInt(b []byte, v int64) []byte {
	b = binary.BigEndian.AppendUint64(b, 8)
	return binary.BigEndian.AppendUint64(b, uint64(v))
}
