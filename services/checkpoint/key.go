package checkpoint

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

// Names of the files of the key pair in a data folder.
const (
	KeyFile    = "checkpoint.key"
	PublicFile = "checkpoint.pub"
)

// ErrNoKey says that a folder holds no key. The first start makes one.
var ErrNoKey = errors.New("there is no key to sign with: the server makes one when it starts")

// Key is a key pair.
type Key struct{ private ed25519.PrivateKey }

// NewKey makes a key pair.
func NewKey() (*Key, error) {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("checkpoint: make a key: %w", err)
	}
	return &Key{private}, nil
}

// Public returns the half that everybody may have.
func (k *Key) Public() ed25519.PublicKey { return k.private.Public().(ed25519.PublicKey) }

// PublicPEM returns the public key as it lies in its file.
func (k *Key) PublicPEM() ([]byte, error) {
	der, err := x509.MarshalPKIXPublicKey(k.Public())
	if err != nil {
		return nil, fmt.Errorf("checkpoint: write the public key: %w", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), nil
}

// ParsePublic reads a public key in PEM.
func ParsePublic(text []byte) (ed25519.PublicKey, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PUBLIC KEY" {
		return nil, errors.New("checkpoint: read the public key: it must be PEM and begin with -----BEGIN PUBLIC KEY-----")
	}
	any, err := x509.ParsePKIXPublicKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("checkpoint: read the public key: %w", err)
	}
	pub, ok := any.(ed25519.PublicKey)
	if !ok {
		return nil, errors.New("checkpoint: read the public key: it must be an Ed25519 key")
	}
	return pub, nil
}

// Read returns the key pair of a data folder, or ErrNoKey.
func Read(dir string) (*Key, error) {
	path := filepath.Join(dir, KeyFile)
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("checkpoint: %s: %w", dir, ErrNoKey)
	case err != nil:
		return nil, fmt.Errorf("checkpoint: read the key: %w", err)
	}
	// No text of this file ever goes into an error.
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PRIVATE KEY" {
		return nil, fmt.Errorf("checkpoint: %s is not a key; put the right file back, or take it away and a new key is made at the next start", path)
	}
	any, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("checkpoint: %s is damaged; put the right file back, or take it away and a new key is made at the next start", path)
	}
	private, ok := any.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("checkpoint: %s must be an Ed25519 key", path)
	}
	return &Key{private}, nil
}

// Open returns the key pair of a data folder and makes it when there is none.
// The public half is written anew when it is missing or another's.
func Open(dir string) (*Key, error) {
	k, err := Read(dir)
	if errors.Is(err, ErrNoKey) {
		if k, err = NewKey(); err != nil {
			return nil, err
		}
		der, err := x509.MarshalPKCS8PrivateKey(k.private)
		if err != nil {
			return nil, fmt.Errorf("checkpoint: write the key: %w", err)
		}
		if err := write(dir, KeyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600); err != nil {
			return nil, err
		}
	} else if err != nil {
		return nil, err
	}
	pub, err := k.PublicPEM()
	if err != nil {
		return nil, err
	}
	if have, err := os.ReadFile(filepath.Join(dir, PublicFile)); err == nil && string(have) == string(pub) {
		return k, nil
	}
	return k, write(dir, PublicFile, pub, 0o644)
}

// write puts a file into a folder, whole and on disk or not at all.
func write(dir, name string, text []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(dir, "."+name+"-*")
	if err != nil {
		return fmt.Errorf("checkpoint: write %s: %w", name, err)
	}
	defer os.Remove(f.Name())
	_, err = f.Write(text)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(dir, name))
	}
	if err == nil {
		err = syncFolder(dir)
	}
	if err != nil {
		return fmt.Errorf("checkpoint: write %s: %w", name, err)
	}
	return nil
}

// syncFolder forces the names in a folder to disk. Windows does that by itself
// and cannot be asked.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
