package principals

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Costs of argon2id (RFC 9106) for PINs: two passes over 19 MiB, one lane, the
// least that OWASP's password storage sheet names (from memory). A PIN has so
// few digits that only the sealing and the slowing down protect it.
const (
	pinPasses = 2
	pinMemory = 19 * 1024
	pinSize   = 32
)

// hashing lets two hashes be made at once: each takes 19 MiB.
var hashing = make(chan struct{}, 2)

func pinHash(pin string, salt []byte) []byte {
	hashing <- struct{}{}
	defer func() { <-hashing }()
	return argon2.IDKey([]byte(pin), salt, pinPasses, pinMemory, 1, pinSize)
}

// keepPin is the form in which a PIN is kept.
func keepPin(pin string) (string, error) {
	salt := make([]byte, 16)
	if _, err := rand.Read(salt); err != nil {
		return "", fmt.Errorf("principals: salt: %w", err)
	}
	enc := base64.RawStdEncoding
	return "argon2id$" + enc.EncodeToString(salt) + "$" + enc.EncodeToString(pinHash(pin, salt)), nil
}

// isPin reports whether pin is the one that was kept. It takes as long for a
// kept form that cannot be read, so that time tells nothing.
func isPin(kept, pin string) bool {
	enc := base64.RawStdEncoding
	parts := strings.Split(kept, "$")
	salt, want := make([]byte, 16), make([]byte, pinSize)
	ok := len(parts) == 3 && parts[0] == "argon2id"
	if ok {
		var e1, e2 error
		salt, e1 = enc.DecodeString(parts[1])
		want, e2 = enc.DecodeString(parts[2])
		ok = e1 == nil && e2 == nil
	}
	same := subtle.ConstantTimeCompare(pinHash(pin, salt), want) == 1
	return ok && same
}

// weak reports whether a PIN is the first that anybody tries: one digit again
// and again, or digits in a row.
func weak(pin string) bool {
	same, up, down := true, true, true
	for i := 1; i < len(pin); i++ {
		same = same && pin[i] == pin[0]
		up = up && pin[i] == pin[i-1]+1
		down = down && pin[i] == pin[i-1]-1
	}
	return same || up || down
}

// SetPin implements PrincipalService.
func (s *Service) SetPin(ctx context.Context, req *pb.SetPinRequest) (*pb.SetPinResponse, error) {
	if err := ownOrAdministrator(ctx, req.GetName()); err != nil {
		return nil, err
	}
	p, ok := s.Registry.Principal(req.GetName())
	if !ok {
		return nil, fault.NotFound(req.GetName())
	}
	if p.GetState() == pb.PrincipalState_PRINCIPAL_STATE_LEFT {
		return nil, fault.State(req.GetName(), "has left")
	}
	var kept string
	if pin := req.GetPin(); pin != "" {
		if weak(pin) {
			return nil, fault.Invalid(fault.Violation{Field: "pin", Description: "is too easy to guess; use digits that are neither all the same nor in a row"})
		}
		var err error
		if kept, err = keepPin(pin); err != nil {
			return nil, err
		}
	}
	// The request's own content stays out of what is remembered of it: a hash
	// of a name and four digits is soon guessed.
	asked := &pb.SetPinRequest{Name: req.GetName()}
	return &pb.SetPinResponse{}, s.write(ctx, "", asked, req.GetName(), nil, func(ctx context.Context, tx ledger.Tx) error {
		if err := s.erasePin(ctx, tx, req.GetName()); err != nil || kept == "" {
			return err
		}
		return put(ctx, tx, wrapperspb.String(kept), pinOf(req.GetName()), record.KindPin, record.VerbSetPin, ledger.Any)
	})
}

func pinOf(principal string) string { return principal + "/pin" }

// erasePin destroys what is kept of a PIN, if there is one.
func (s *Service) erasePin(ctx context.Context, tx ledger.Tx, principal string) error {
	r, err := tx.Get(ctx, pinOf(principal))
	if errors.Is(err, ledger.ErrNotFound) || err == nil && r.Body == nil && !r.Erased {
		return nil
	}
	if err != nil {
		return err
	}
	if err := tx.Erase(ctx, pinOf(principal)); err != nil {
		return err
	}
	return put(ctx, tx, wrapperspb.String(""), pinOf(principal), record.KindPin, record.VerbErase, ledger.Any)
}

// rightPin reports whether a PIN is that of a principal. It takes as long for
// somebody who has none.
func (s *Service) rightPin(ctx context.Context, principal, pin string) (bool, error) {
	var kept wrapperspb.StringValue
	r, err := s.Ledger.Get(ctx, pinOf(principal))
	if err != nil && !errors.Is(err, ledger.ErrNotFound) {
		return false, err
	}
	if err == nil && r.Kind == record.KindPin {
		if err := record.Read(r.Body, r.Revision, &kept); err != nil {
			return false, err
		}
	}
	return isPin(kept.GetValue(), pin), nil
}
