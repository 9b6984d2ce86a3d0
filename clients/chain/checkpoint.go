package chain

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"time"
)

// Checkpoint is the signed end of a log.
type Checkpoint struct {
	// Origin is the hash of the first change, Head that of the last, both in
	// hexadecimal.
	Origin, Head string
	// Seq is the number of the last change.
	Seq int64
	// Time is the hour in which it was signed.
	Time time.Time
	// Key is the SHA-256 of the public key, in hexadecimal.
	Key string
}

// form is the one form of a checkpoint; what is signed is all but the last
// line.
var form = regexp.MustCompile(`\A(fairlead checkpoint 1
origin ([0-9a-f]{64})
sequence_number ([1-9][0-9]{0,18})
head_hash ([0-9a-f]{64})
time ([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:00:00Z)
key ([0-9a-f]{64})
)signature ([A-Za-z0-9+/]{86}==)
\z`)

// Open reads a checkpoint and checks its signature with a public key in PEM.
func Open(text, publicKey []byte) (Checkpoint, error) {
	m := form.FindSubmatch(text)
	if m == nil {
		return Checkpoint{}, errors.New("the file is not a checkpoint, or was altered: it must have the seven lines that DEVELOPERS.md shows, each ended by a line feed")
	}
	c := Checkpoint{Origin: string(m[2]), Head: string(m[4]), Key: string(m[6])}
	var err error
	if c.Seq, err = strconv.ParseInt(string(m[3]), 10, 64); err != nil {
		return c, errors.New("the number of the last change is too large")
	}
	if c.Time, err = time.Parse(time.RFC3339, string(m[5])); err != nil {
		return c, errors.New("the time of the checkpoint is none")
	}
	block, _ := pem.Decode(publicKey)
	if block == nil {
		return c, errors.New("the public key must be PEM and begin with -----BEGIN PUBLIC KEY-----")
	}
	any, err := x509.ParsePKIXPublicKey(block.Bytes)
	pub, ok := any.(ed25519.PublicKey)
	if err != nil || !ok {
		return c, errors.New("the public key must be an Ed25519 key")
	}
	if sum := sha256.Sum256(pub); hex.EncodeToString(sum[:]) != c.Key {
		return c, fmt.Errorf("the checkpoint names another key: %s…, and this one is %x…", c.Key[:8], sum[:4])
	}
	signature, err := base64.StdEncoding.DecodeString(string(m[7]))
	if err != nil || !ed25519.Verify(pub, bytes.Clone(m[1]), signature) {
		return c, errors.New("the signature does not fit: the text was altered, or another key signed it")
	}
	return c, nil
}
