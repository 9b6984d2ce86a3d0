package ledger

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"time"
)

// The tags separate these hashes from any other use of SHA-256 and name the
// version of the encoding.
const (
	hashTag1 = "fairlead change 1"
	hashTag2 = "fairlead change 2"
	whoTag2  = "fairlead who 2"
	bodyTag2 = "fairlead body 2"
)

// saltSize is the size of one salt: 128 bits cannot be guessed.
const saltSize = 16

// Salt holds the two random values of a change that keep its hashes from being
// guessed: the first half belongs to who and when, the second to the body, so
// that one can be shown without the other. It is zero in changes of format 1.
type Salt [2 * saltSize]byte

// NewSalt makes a salt.
func NewSalt() Salt {
	var s Salt
	_, _ = rand.Read(s[:])
	return s
}

// Who is the half that WhoHash uses, Body the half that BodyHash uses.
func (s Salt) Who() []byte { return s[:saltSize] }

// Body is the half that BodyHash uses.
func (s Salt) Body() []byte { return s[saltSize:] }

// Forgotten is the salt as it is stored once the body is erased: without the half
// that belongs to it, so that nobody can try what the body was. What it has been
// is in the hash of the body, which is all that the chain asks for. A change of
// format 1 has no salt to forget.
func (s Salt) Forgotten() []byte {
	if s.Format() == 1 {
		return []byte{}
	}
	out := make([]byte, len(s))
	copy(out, s.Who())
	return out
}

// Format is the format of the hash of a change with this salt: 1 or 2.
func (s Salt) Format() int {
	if s == (Salt{}) {
		return 1
	}
	return 2
}

// WhoHash commits to who made a change, when, and at which request, by the
// encoding of format 2 in the package comment. whoSalt is Salt.Who().
func WhoHash(whoSalt []byte, at time.Time, actor, requestID string) [32]byte {
	b := appendField(nil, whoTag2)
	b = appendField(b, whoSalt)
	b = appendInt(b, at.UnixMicro())
	b = appendField(b, actor)
	return sha256.Sum256(appendField(b, requestID))
}

// BodyHash commits to a body as it is stored, sealed if it is sealed. For
// format 1 it is the SHA-256 of the body alone.
func BodyHash(s Salt, stored []byte) [32]byte {
	if s.Format() == 1 {
		return sha256.Sum256(stored)
	}
	h := sha256.New()
	h.Write(appendField(appendField(nil, bodyTag2), s.Body()))
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(stored))))
	h.Write(stored)
	return [32]byte(h.Sum(nil))
}

// HashChange computes the hash of a change from its other fields, PrevHash,
// Salt and BodyHash included, by the encoding in the package comment. It looks
// neither at c.Hash nor at c.Body.
func HashChange(c Change) [32]byte {
	n := len(hashTag1) + len(c.Actor) + len(c.Verb) + len(c.Name) + len(c.Kind) + len(c.RequestID)
	return sha256.Sum256(appendChange(make([]byte, 0, n+11*8+3*8+2*32), c))
}

// appendChange appends the canonical encoding.
func appendChange(b []byte, c Change) []byte {
	if c.Salt.Format() == 1 {
		b = appendField(b, hashTag1)
		b = appendField(b, c.PrevHash[:])
		b = appendInt(b, c.Seq)
		b = appendInt(b, c.Time.UnixMicro())
		b = appendField(b, c.Actor)
		b = appendField(b, c.Verb)
		b = appendField(b, c.Name)
		b = appendField(b, c.Kind)
		b = appendInt(b, c.Revision)
		b = appendField(b, c.BodyHash[:])
		return appendField(b, c.RequestID)
	}
	who := WhoHash(c.Salt.Who(), c.Time, c.Actor, c.RequestID)
	b = appendField(b, hashTag2)
	b = appendField(b, c.PrevHash[:])
	b = appendInt(b, c.Seq)
	b = appendField(b, c.Verb)
	b = appendField(b, c.Name)
	b = appendField(b, c.Kind)
	b = appendInt(b, c.Revision)
	b = appendField(b, who[:])
	return appendField(b, c.BodyHash[:])
}

func appendField[T string | []byte](b []byte, field T) []byte {
	b = binary.BigEndian.AppendUint64(b, uint64(len(field)))
	return append(b, field...)
}

func appendInt(b []byte, v int64) []byte {
	b = binary.BigEndian.AppendUint64(b, 8)
	return binary.BigEndian.AppendUint64(b, uint64(v))
}
