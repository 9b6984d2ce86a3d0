package checkpoint

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// first is the first line: what it is, and the version of the format.
const first = "fairlead checkpoint 1"

// MaxSize bounds the text of a checkpoint, in bytes.
const MaxSize = 1024

// Kinds of refusal; test with errors.Is.
var (
	// ErrFormat says that a text is no checkpoint, or not in the one form
	// that a checkpoint has.
	ErrFormat = errors.New("is not a checkpoint")
	// ErrSignature says that the signature is not that of the key.
	ErrSignature = errors.New("the signature does not fit: the text was altered, or another key signed it")
	// ErrOtherKey says that a checkpoint names another key.
	ErrOtherKey = errors.New("was signed with another key")
	// ErrEmpty says that there is nothing to sign yet.
	ErrEmpty = errors.New("the log is empty: there is nothing to sign yet")
)

// Checkpoint is what is signed.
type Checkpoint struct {
	// Origin is the hash of the first change, which names the log.
	Origin [32]byte
	// Seq and Hash are those of the last change. Seq is at least 1.
	Seq  int64
	Hash [32]byte
	// Time is when it was signed; only its hour, in UTC, is kept.
	Time time.Time
}

// Signed is a checkpoint with its signature.
type Signed struct {
	Checkpoint
	// Key is the SHA-256 of the public key that it names.
	Key [32]byte
	// Signature is over Message.
	Signature [ed25519.SignatureSize]byte
}

// Message returns the bytes that are signed: the first six lines.
func (s Signed) Message() []byte {
	return fmt.Appendf(nil, "%s\norigin %x\nsequence_number %d\nhead_hash %x\ntime %s\nkey %x\n",
		first, s.Origin, s.Seq, s.Hash, hour(s.Time).Format(time.RFC3339), s.Key)
}

// Text returns the whole checkpoint.
func (s Signed) Text() []byte {
	return fmt.Appendf(s.Message(), "signature %s\n", base64.StdEncoding.EncodeToString(s.Signature[:]))
}

func hour(t time.Time) time.Time { return t.UTC().Truncate(time.Hour) }

// Sign signs a checkpoint.
func (k *Key) Sign(c Checkpoint) (Signed, error) {
	if c.Seq < 1 {
		return Signed{}, fmt.Errorf("checkpoint: %w", ErrEmpty)
	}
	c.Time = hour(c.Time)
	s := Signed{Checkpoint: c, Key: Fingerprint(k.Public())}
	copy(s.Signature[:], ed25519.Sign(k.private, s.Message()))
	return s, nil
}

// Fingerprint is how a checkpoint names a public key.
func Fingerprint(pub ed25519.PublicKey) [32]byte { return sha256.Sum256(pub) }

// Verify returns ErrOtherKey or ErrSignature unless the checkpoint was signed
// with the private half of a key.
func (s Signed) Verify(pub ed25519.PublicKey) error {
	if s.Key != Fingerprint(pub) {
		return fmt.Errorf("checkpoint: %w: it names %x, and this one is %x", ErrOtherKey, s.Key[:4], fingerprintOf(pub)[:4])
	}
	if !ed25519.Verify(pub, s.Message(), s.Signature[:]) {
		return fmt.Errorf("checkpoint: %w", ErrSignature)
	}
	return nil
}

func fingerprintOf(pub ed25519.PublicKey) []byte { f := Fingerprint(pub); return f[:] }

// Parse reads the text of a checkpoint. It takes the one form that Text writes
// and nothing else, so that what is read back writes itself again.
func Parse(text []byte) (Signed, error) {
	if len(text) > MaxSize {
		return Signed{}, fmt.Errorf("checkpoint: %w: it has %d bytes, at most %d fit", ErrFormat, len(text), MaxSize)
	}
	lines := strings.Split(string(text), "\n")
	if lines[0] != first {
		return Signed{}, fmt.Errorf("checkpoint: %w: the first line must be %q", ErrFormat, first)
	}
	if len(lines) != 8 || lines[7] != "" {
		return Signed{}, fmt.Errorf("checkpoint: %w: it must have seven lines, each ended by a line feed", ErrFormat)
	}
	var s Signed
	for i, field := range []struct {
		name string
		read func(string) bool
	}{
		{"origin", hexInto(&s.Origin)},
		{"sequence_number", func(v string) (ok bool) {
			n, err := strconv.ParseInt(v, 10, 64)
			s.Seq = n
			return err == nil && n >= 1
		}},
		{"head_hash", hexInto(&s.Hash)},
		{"time", func(v string) bool {
			t, err := time.Parse(time.RFC3339, v)
			s.Time = t.UTC()
			return err == nil
		}},
		{"key", hexInto(&s.Key)},
		{"signature", func(v string) bool {
			b, err := base64.StdEncoding.DecodeString(v)
			return err == nil && copy(s.Signature[:], b) == len(s.Signature) && len(b) == len(s.Signature)
		}},
	} {
		value, ok := strings.CutPrefix(lines[i+1], field.name+" ")
		if !ok || !field.read(value) {
			return Signed{}, fmt.Errorf("checkpoint: %w: line %d must be %s and its value", ErrFormat, i+2, field.name)
		}
	}
	if string(s.Text()) != string(text) {
		return Signed{}, fmt.Errorf("checkpoint: %w: a value is written otherwise than the format has it", ErrFormat)
	}
	return s, nil
}

func hexInto(to *[32]byte) func(string) bool {
	return func(v string) bool {
		b, err := hex.DecodeString(v)
		return err == nil && len(b) == len(to) && copy(to[:], b) == len(to)
	}
}
