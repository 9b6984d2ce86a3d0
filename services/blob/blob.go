package blob

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"time"
)

// Kinds of failure; test with errors.Is.
var (
	// ErrNotFound says that there are no such bytes.
	ErrNotFound = errors.New("blob: not found")
	// ErrFull says that there is no room. Nothing was stored.
	ErrFull = errors.New("blob: the disk is full")
	// ErrAway says that the store does not answer; try again later.
	ErrAway = errors.New("blob: the store does not answer")
	// ErrHash says that a name is no SHA-256 in lower-case hexadecimal.
	ErrHash = errors.New("blob: not a hash")
	// ErrSpoilt says that bytes are not those that were stored.
	ErrSpoilt = errors.New("blob: bytes are not what was stored")
)

// Ref names bytes.
type Ref struct {
	// SHA256 is their hash, 64 lower-case hexadecimal digits.
	SHA256 string
	// Size is how many there are.
	Size int64
}

// Entry is what a walk finds.
type Entry struct {
	Ref
	// Time is when the bytes were last put.
	Time time.Time
}

// Store keeps bytes. All methods may be called concurrently.
type Store interface {
	// Put stores all that r gives and returns once it is on disk. Bytes that
	// are there already are kept once, and their time becomes that of this
	// Put. An error of r is returned as it is, wrapped, and nothing is kept.
	Put(ctx context.Context, r io.Reader) (Ref, error)
	// Open returns the bytes of a hash and how many there are, or ErrNotFound.
	// The caller closes them. They stay readable when they are removed in
	// between, or end in an error, but are never others.
	Open(ctx context.Context, hash string) (io.ReadSeekCloser, int64, error)
	// Remove removes bytes. Removing what is not there is fine.
	Remove(ctx context.Context, hash string) error
	// Walk calls fn for everything that is stored, in the order of the
	// hashes, until fn returns an error, which it returns as it is. What is
	// put or removed meanwhile may or may not be seen.
	Walk(ctx context.Context, fn func(Entry) error) error
	// Tidy removes what interrupted Puts of before a time have left behind,
	// and says how much it was.
	Tidy(ctx context.Context, before time.Time) (removed int, err error)
}

// ValidHash reports whether a text is a SHA-256 as this package writes it.
func ValidHash(hash string) bool {
	if len(hash) != 2*sha256.Size {
		return false
	}
	for i := range len(hash) {
		if c := hash[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

// Check reads bytes to the end and returns an error unless they are there and
// are those that were stored.
func Check(ctx context.Context, s Store, ref Ref) error {
	r, size, err := s.Open(ctx, ref.SHA256)
	if err != nil {
		return err
	}
	defer r.Close()
	if size != ref.Size {
		return fmt.Errorf("%w: %d bytes instead of %d", ErrSpoilt, size, ref.Size)
	}
	h := sha256.New()
	if _, err := io.Copy(h, WithContext(ctx, r)); err != nil {
		return fmt.Errorf("blob: read %s: %w", ref.SHA256, err)
	}
	if hex.EncodeToString(h.Sum(nil)) != ref.SHA256 {
		return ErrSpoilt
	}
	return nil
}

// WithContext returns a reader that ends with ctx's error when ctx ends.
func WithContext(ctx context.Context, r io.Reader) io.Reader { return &bounded{ctx, r} }

type bounded struct {
	ctx context.Context
	r   io.Reader
}

// Read implements io.Reader.
func (b *bounded) Read(p []byte) (int, error) {
	if err := b.ctx.Err(); err != nil {
		return 0, err
	}
	return b.r.Read(p)
}
