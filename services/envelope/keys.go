package envelope

import (
	"crypto/ecdh"
	"crypto/hpke"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
)

// What a device must do to seal, as the contract names it.
const (
	Suite = "DHKEM(P-256, HKDF-SHA256), HKDF-SHA256, AES-256-GCM"
	Info  = "fairlead.v1.SealedContent"
)

// ErrUnknownKey says that something was sealed to a key that is not kept here.
var ErrUnknownKey = errors.New("envelope: no such key")

// ErrDamaged says that sealed bytes could not be opened.
var ErrDamaged = errors.New("envelope: damaged")

// Keys are the private keys of the house, oldest first in the folder.
type Keys struct {
	folder string
	byID   map[string]*ecdh.PrivateKey
	newest string
	next   int
}

// keyFile is how a file with a key is called: its number, then its id.
var keyFile = regexp.MustCompile(`^([0-9]{4,})-([0-9a-f]{16})\.pem$`)

// OpenKeys reads the keys in a folder and makes the first one where there is
// none.
func OpenKeys(folder string) (*Keys, error) {
	k := &Keys{folder: folder, byID: map[string]*ecdh.PrivateKey{}, next: 1}
	entries, err := os.ReadDir(folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("envelope: sealing keys: %w", err)
	}
	type numbered struct {
		n    int
		name string
	}
	var files []numbered
	for _, e := range entries {
		if m := keyFile.FindStringSubmatch(e.Name()); m != nil {
			n, err := strconv.Atoi(m[1])
			if err != nil {
				return nil, fmt.Errorf("envelope: sealing key %s: the number in its name is too large: %w", e.Name(), err)
			}
			files = append(files, numbered{n, e.Name()})
		}
	}
	sort.Slice(files, func(i, j int) bool { return files[i].n < files[j].n })
	for _, f := range files {
		key, err := readKey(filepath.Join(folder, f.name))
		if err != nil {
			return nil, err
		}
		id := KeyID(key.PublicKey())
		if m := keyFile.FindStringSubmatch(f.name); m[2] != id {
			return nil, fmt.Errorf("envelope: sealing key %s: holds key %s; put the right file back from a backup", f.name, id)
		}
		k.byID[id], k.newest, k.next = key, id, f.n+1
	}
	if k.newest == "" {
		if err := k.Rotate(); err != nil {
			return nil, err
		}
	}
	return k, nil
}

// Rotate makes a new key, which is in force from now on; the old ones stay.
func (k *Keys) Rotate() error {
	key, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return fmt.Errorf("envelope: make a sealing key: %w", err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return fmt.Errorf("envelope: encode a sealing key: %w", err)
	}
	if err := os.MkdirAll(k.folder, 0o700); err != nil {
		return fmt.Errorf("envelope: sealing keys: %w", err)
	}
	id := KeyID(key.PublicKey())
	name := fmt.Sprintf("%04d-%s.pem", k.next, id)
	if err := writeFile(k.folder, name, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})); err != nil {
		return fmt.Errorf("envelope: store sealing key %s: %w", name, err)
	}
	k.byID[id], k.newest, k.next = key, id, k.next+1
	return nil
}

// Newest returns the key to seal with.
func (k *Keys) Newest() (id string, public []byte) {
	return k.newest, k.byID[k.newest].PublicKey().Bytes()
}

// Open opens what was sealed to one of the keys.
func (k *Keys) Open(keyID string, encapsulated, ciphertext []byte) ([]byte, error) {
	key, ok := k.byID[keyID]
	if !ok {
		return nil, ErrUnknownKey
	}
	private, err := hpke.NewDHKEMPrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("envelope: use key %s: %w", keyID, err)
	}
	r, err := hpke.NewRecipient(encapsulated, private, hpke.HKDFSHA256(), hpke.AES256GCM(), []byte(Info))
	if err != nil {
		return nil, ErrDamaged
	}
	open, err := r.Open(nil, ciphertext)
	if err != nil {
		return nil, ErrDamaged
	}
	return open, nil
}

// Seal seals as a device does.
func Seal(public, plaintext []byte) (encapsulated, ciphertext []byte, err error) {
	point, err := ecdh.P256().NewPublicKey(public)
	if err != nil {
		return nil, nil, fmt.Errorf("envelope: public key: %w", err)
	}
	key, err := hpke.NewDHKEMPublicKey(point)
	if err != nil {
		return nil, nil, fmt.Errorf("envelope: public key: %w", err)
	}
	enc, s, err := hpke.NewSender(key, hpke.HKDFSHA256(), hpke.AES256GCM(), []byte(Info))
	if err != nil {
		return nil, nil, fmt.Errorf("envelope: seal: %w", err)
	}
	ciphertext, err = s.Seal(nil, plaintext)
	if err != nil {
		return nil, nil, fmt.Errorf("envelope: seal: %w", err)
	}
	return enc, ciphertext, nil
}

// KeyID returns the id of a public key: the first 16 hexadecimal digits of its
// SHA-256.
func KeyID(public *ecdh.PublicKey) string {
	sum := sha256.Sum256(public.Bytes())
	return hex.EncodeToString(sum[:8])
}

func readKey(path string) (*ecdh.PrivateKey, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("envelope: sealing key: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, fmt.Errorf("envelope: sealing key %s: is not a PEM file; put it back from a backup", filepath.Base(path))
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("envelope: sealing key %s: %w; put it back from a backup", filepath.Base(path), err)
	}
	// What was written from an ecdh key is read back as an ecdsa key.
	type exchanger interface {
		ECDH() (*ecdh.PrivateKey, error)
	}
	switch key := parsed.(type) {
	case *ecdh.PrivateKey:
		return key, nil
	case exchanger:
		return key.ECDH()
	}
	return nil, fmt.Errorf("envelope: sealing key %s: is of another kind than P-256; put it back from a backup", filepath.Base(path))
}

// writeFile puts a file there whole or not at all.
func writeFile(folder, name string, data []byte) (err error) {
	f, err := os.CreateTemp(folder, ".new-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if _, err = f.Write(data); err != nil {
		return errors.Join(err, f.Close())
	}
	if err = f.Sync(); err != nil {
		return errors.Join(err, f.Close())
	}
	if err = f.Close(); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), filepath.Join(folder, name)); err != nil {
		return err
	}
	dir, err := os.Open(folder)
	if err != nil {
		return nil // it is there; only a power cut now would lose it
	}
	defer dir.Close()
	if syncErr := dir.Sync(); syncErr != nil {
		return fmt.Errorf("sync the folder: %w", syncErr)
	}
	return nil
}
