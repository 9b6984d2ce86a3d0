package signin

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// keyName is where the key of the house lies, the same for every server.
const keyName = "signIn/key"

// keeper holds the key once it is known.
type keeper struct {
	mu  sync.Mutex
	key []byte
}

// houseKey returns the key under which tickets travel, and makes it at the
// first use.
func (s *Service) houseKey(ctx context.Context) ([]byte, error) {
	s.key.mu.Lock()
	defer s.key.mu.Unlock()
	if s.key.key != nil {
		return s.key.key, nil
	}
	kept := &pb.SignInKey{}
	_, ok, err := read(ctx, s.Ledger, keyName, record.KindSignInKey, kept)
	if err != nil {
		return nil, err
	}
	if !ok {
		fresh := make([]byte, 32)
		if _, err := rand.Read(fresh); err != nil {
			return nil, fmt.Errorf("signin: key: %w", err)
		}
		err = s.write(ctx, "principals/system", keyName, func(ctx context.Context, tx ledger.Tx) error {
			// Another server may have been quicker.
			if _, ok, err := read(ctx, tx, keyName, record.KindSignInKey, &pb.SignInKey{}); ok || err != nil {
				return err
			}
			p, err := record.Put(&pb.SignInKey{Key: fresh}, keyName, record.KindSignInKey, record.VerbCreate, ledger.Any)
			if err != nil {
				return err
			}
			_, err = tx.Put(ctx, p)
			return err
		})
		if err != nil {
			return nil, err
		}
		if _, _, err = read(ctx, s.Ledger, keyName, record.KindSignInKey, kept); err != nil {
			return nil, err
		}
	}
	if len(kept.GetKey()) != 32 {
		return nil, errors.New("signin: the key in the ledger is not one")
	}
	s.key.key = kept.GetKey()
	return s.key.key, nil
}

// derived returns a key of its own for each purpose.
func (s *Service) derived(ctx context.Context, purpose, of string) ([]byte, error) {
	key, err := s.houseKey(ctx)
	if err != nil {
		return nil, err
	}
	m := hmac.New(sha256.New, key)
	fmt.Fprintf(m, "%s\n%s", purpose, of)
	return m.Sum(nil), nil
}

// ticket is what travels through a browser between two steps. Nobody but the
// house can read or make one.
type ticket struct {
	// Expire is when it is over.
	Expire time.Time `json:"e"`
	// Principal is for whom a way to sign in is to be added, or "".
	Principal string `json:"p,omitempty"`
	// Name is the name that was signed in with, or "".
	Name string `json:"n,omitempty"`
	// Passkey is the challenge of a passkey.
	Passkey json.RawMessage `json:"k,omitempty"`
	// State, Nonce and Verifier are those of OpenID Connect.
	State    string `json:"s,omitempty"`
	Nonce    string `json:"o,omitempty"`
	Verifier string `json:"v,omitempty"`
}

// Purposes of tickets: one for one never serves for another.
const (
	forPasskey    = "passkey"
	forAddPasskey = "add-passkey"
	forOpenID     = "openid"
	forLink       = "openid-link"
)

func (s *Service) sealing(ctx context.Context, purpose string) (cipher.AEAD, error) {
	key, err := s.derived(ctx, "ticket", purpose)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("signin: ticket: %w", err)
	}
	return cipher.NewGCMWithRandomNonce(block)
}

// seal makes a ticket.
func (s *Service) seal(ctx context.Context, purpose string, t ticket, lasts time.Duration) (string, error) {
	t.Expire = s.Clock().Add(lasts)
	raw, err := json.Marshal(t)
	if err != nil {
		return "", fmt.Errorf("signin: ticket: %w", err)
	}
	aead, err := s.sealing(ctx, purpose)
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(aead.Seal(nil, nil, raw, nil)), nil
}

// open reads a ticket. One that is over is as good as none.
func (s *Service) open(ctx context.Context, purpose, sealed string) (ticket, error) {
	var t ticket
	over := fault.Unauthenticated("this took too long, or was begun elsewhere; begin again")
	raw, err := base64.RawURLEncoding.Strict().DecodeString(sealed)
	if err != nil {
		return t, over
	}
	aead, err := s.sealing(ctx, purpose)
	if err != nil {
		return t, err
	}
	raw, err = aead.Open(nil, nil, raw, nil)
	if err != nil || json.Unmarshal(raw, &t) != nil || !s.Clock().Before(t.Expire) {
		return ticket{}, over
	}
	return t, nil
}

// spend makes a ticket useless, within the write that it leads to.
func spend(ctx context.Context, tx ledger.Tx, sealed, by string) error {
	key := hashed(sealed)
	if _, err := tx.Claimed(ctx, record.SpaceTicket, key); err == nil {
		return fault.Unauthenticated("this was answered already; begin again")
	} else if !errors.Is(err, ledger.ErrNotFound) {
		return err
	}
	return tx.Claim(ctx, record.SpaceTicket, key, by)
}

func hashed(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d\n%s", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil))
}
