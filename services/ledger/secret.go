package ledger

import (
	"bytes"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// SecretFile is the file with the secret of a house, in the folder that is given
// to OpenSecret. It belongs beside the database and never into it.
const SecretFile = "requests.key"

// Secret keys the fingerprints of requests, so that a copy of the database alone
// does not let anybody try what was asked for.
type Secret [32]byte

// markSize is the size of a keyed fingerprint: which secret, and the mark.
const (
	secretID = 8
	markSize = secretID + sha256.Size
)

// id tells secrets apart, and nothing else of them.
func (s *Secret) id() []byte {
	h := sha256.Sum256(append([]byte("fairlead requests key 1\n"), s[:]...))
	return h[:secretID]
}

// Mark is the fingerprint of a request as it is stored: the id of the secret, and
// HMAC-SHA-256 of who asked, with which id, for what. It is made from the plain
// fingerprint, so that one that was stored plainly can be turned into it.
func (s *Secret) Mark(actor, id string, fingerprint []byte) []byte {
	h := hmac.New(sha256.New, s[:])
	for _, field := range [][]byte{[]byte("fairlead request 2"), []byte(actor), []byte(id), fingerprint} {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(field))))
		h.Write(field)
	}
	return h.Sum(s.id())
}

// Stored is the fingerprint of a request as it is stored: plain without a secret.
func (s *Secret) Stored(r Request) []byte {
	if s == nil {
		return r.Fingerprint[:]
	}
	return s.Mark(r.Actor, r.ID, r.Fingerprint[:])
}

// Same reports whether a request asks for the same as the one whose fingerprint
// was stored. One that was keyed with another secret, or taken out by an erasure,
// cannot be compared: then the id alone tells a replay. It was minted by the
// caller for that request and is in nobody else's hands, and to do something
// twice is worse than to answer a careless caller with what was done before.
func (s *Secret) Same(stored []byte, r Request) bool {
	switch {
	case len(stored) == len(r.Fingerprint):
		return bytes.Equal(stored, r.Fingerprint[:])
	case s != nil && len(stored) == markSize && bytes.HasPrefix(stored, s.id()):
		return hmac.Equal(stored, s.Mark(r.Actor, r.ID, r.Fingerprint[:]))
	}
	return true
}

// OpenSecret reads the secret in a folder, and makes it where there is none. When
// it is lost, requests answered before are told by their ids alone.
func OpenSecret(folder string) (*Secret, error) {
	path := filepath.Join(folder, SecretFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return newSecret(folder, path)
	}
	if err != nil {
		return nil, fmt.Errorf("ledger: secret: %w", err)
	}
	s := new(Secret)
	if n, err := hex.Decode(s[:], bytes.TrimSpace(text[:min(len(text), 2*len(s)+2)])); err != nil || n != len(s) {
		return nil, fmt.Errorf("ledger: %s holds no secret of 64 hexadecimal digits: put it back from a backup, or take it away for a new one", path)
	}
	return s, nil
}

// newSecret makes a secret and has it on disk before it is used.
func newSecret(folder, path string) (_ *Secret, err error) {
	s := new(Secret)
	_, _ = rand.Read(s[:])
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("ledger: secret: %w", err)
	}
	f, err := os.CreateTemp(folder, ".requests-*.part")
	if err != nil {
		return nil, fmt.Errorf("ledger: secret: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.WriteString(hex.EncodeToString(s[:]) + "\n")
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return nil, fmt.Errorf("ledger: secret: %w", err)
	}
	if d, err := os.Open(folder); err == nil {
		_ = d.Sync() // not everywhere possible; a lost secret costs little
		_ = d.Close()
	}
	return s, nil
}
