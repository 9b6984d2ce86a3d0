package ledger

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"errors"
	"fmt"
)

// KeySize is the size of the key of a sealed name, in bytes (AES-256).
const KeySize = 32

// NewKey makes a key for the bodies of one name.
func NewKey() []byte {
	key := make([]byte, KeySize)
	// It never fails: crypto/rand ends the program if the system has no
	// randomness.
	_, _ = rand.Read(key)
	return key
}

// SealBody encrypts a body under the key of its name: a nonce of 12 bytes, then
// AES-256-GCM (NIST SP 800-38D) with the name as additional data, so that a
// body cannot be moved to another name.
func SealBody(key []byte, name string, body []byte) ([]byte, error) {
	a, err := aead(key)
	if err != nil {
		return nil, err
	}
	nonce := make([]byte, a.NonceSize(), a.NonceSize()+len(body)+a.Overhead())
	_, _ = rand.Read(nonce)
	return a.Seal(nonce, nonce, body, []byte(name)), nil
}

// errSeal says that a sealed body does not open.
var errSeal = errors.New("the sealed body does not open with its key: run the check")

// OpenBody is the reverse of SealBody.
func OpenBody(key []byte, name string, sealed []byte) ([]byte, error) {
	a, err := aead(key)
	if err != nil {
		return nil, err
	}
	if len(sealed) < a.NonceSize() {
		return nil, errSeal
	}
	body, err := a.Open(nil, sealed[:a.NonceSize()], sealed[a.NonceSize():], []byte(name))
	if err != nil {
		return nil, errSeal
	}
	return body, nil
}

func aead(key []byte) (cipher.AEAD, error) {
	if len(key) != KeySize {
		return nil, fmt.Errorf("a sealing key has %d bytes, not %d: run the check", len(key), KeySize)
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}
