package keepers

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"filippo.io/age"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
)

// workFactor is log2 of the cost of trying a passphrase: 2^16 blocks of scrypt
// take 64 MiB and some tenths of a second. Only one runs at a time.
const workFactor = 16

// Close returns who told, closed to all keepers; as it is when there are none.
func (s *Service) Close(ctx context.Context, t *pb.Teller) (*pb.Teller, error) {
	all, err := s.inForce(ctx, s.Ledger)
	if err != nil || len(all) == 0 {
		return t, err
	}
	return closeTo(t, all)
}

// closeTo closes who told to keepers with a key.
func closeTo(t *pb.Teller, all []*pb.Keeper) (*pb.Teller, error) {
	out := &pb.Teller{Name: t.GetName(), EraseDate: t.GetEraseDate()}
	var to []age.Recipient
	for _, k := range all {
		r, err := age.ParseX25519Recipient(k.GetRecipient())
		if err != nil {
			return nil, fmt.Errorf("keepers: key of %s: %w", k.GetName(), err)
		}
		to = append(to, r)
		out.Keepers, out.Recipients = append(out.Keepers, k.GetName()), append(out.Recipients, k.GetRecipient())
	}
	body, err := proto.Marshal(padded(t))
	if err != nil {
		return nil, fmt.Errorf("keepers: encode: %w", err)
	}
	out.Closed, err = seal(body, to...)
	return out, err
}

// block is what the length of a closed name is rounded up to: how long a name
// is narrows it down.
const block = 256

// padded is the teller with a length that says little. The padding is in a field
// that is not used inside.
func padded(t *pb.Teller) *pb.Teller {
	out := &pb.Teller{DisplayName: t.GetDisplayName(), Contact: t.GetContact(), Person: t.GetPerson()}
	need := block - (proto.Size(out)+3)%block
	out.Closed = make([]byte, need)
	for proto.Size(out)%block != 0 { // a length of two bytes takes one more
		out.Closed = append(out.Closed, 0)
	}
	return out
}

// Open opens a name that was closed, with the passphrase of the caller.
func (s *Service) Open(ctx context.Context, t *pb.Teller, passphrase string) (*pb.Teller, error) {
	who := access.From(ctx).Name
	k, err := s.keeper(ctx, nameOf(who))
	if err != nil {
		return nil, err
	}
	switch {
	case k.GetRecipient() == "" || !slices.Contains(t.GetKeepers(), k.GetName()):
		return nil, fault.Denied("this name is closed to its keepers, and you are none of them; an administrator knows who is")
	case passphrase == "":
		return nil, fault.Invalid(fault.Violation{Field: "passphrase", Description: "is needed: this name is closed to its keepers, and opens with your own passphrase"})
	}
	identity, err := s.identity(k, passphrase, "passphrase")
	if err != nil {
		return nil, err
	}
	out, err := openWith(t, identity)
	if errors.Is(err, errNotOurs) {
		return nil, fault.State(t.GetName(), "this name is closed to an earlier key of yours, which was ended; only another keeper can open it, and share it with you")
	}
	return out, err
}

// errNotOurs says that a name is closed to other keys.
var errNotOurs = errors.New("keepers: closed to other keys")

// openWith opens a closed name.
func openWith(t *pb.Teller, identity *age.X25519Identity) (*pb.Teller, error) {
	body, err := unseal(t.GetClosed(), identity)
	var none *age.NoIdentityMatchError
	if errors.As(err, &none) {
		return nil, errNotOurs
	}
	if err != nil {
		return nil, fmt.Errorf("keepers: open a name: %w", err)
	}
	out := &pb.Teller{}
	if err := proto.Unmarshal(body, out); err != nil {
		return nil, fmt.Errorf("keepers: decode a name: %w", err)
	}
	return &pb.Teller{Name: t.GetName(), DisplayName: out.GetDisplayName(), Contact: out.GetContact(), Person: out.GetPerson(),
		EraseDate: t.GetEraseDate(), Keepers: t.GetKeepers()}, nil
}

// IsKeeper reports whether a name is closed to a principal among others.
func (s *Service) IsKeeper(t *pb.Teller, principal string) bool {
	return slices.Contains(t.GetKeepers(), nameOf(principal))
}

// identity opens a keeper's private key. Wrong passphrases are slowed down.
func (s *Service) identity(k *pb.Keeper, passphrase, field string) (*age.X25519Identity, error) {
	if wait := s.Slow.Wait(k.GetName()); wait > 0 {
		return nil, fault.Slowed(wait)
	}
	by, err := age.NewScryptIdentity(passphrase)
	if err != nil {
		return nil, fault.Invalid(fault.Violation{Field: field, Description: "is not your passphrase"})
	}
	by.SetMaxWorkFactor(workFactor)
	s.one.Lock() // scrypt takes much memory: one at a time
	text, err := unseal(k.GetClosedIdentity(), by)
	s.one.Unlock()
	var none *age.NoIdentityMatchError
	if errors.As(err, &none) {
		return nil, fault.Invalid(fault.Violation{Field: field, Description: "is not your passphrase; try again, and mind capital letters"})
	}
	if err != nil {
		return nil, fmt.Errorf("keepers: open a key: %w", err)
	}
	s.Slow.Right(k.GetName())
	return age.ParseX25519Identity(string(text))
}

// closeIdentity encrypts a private key with a passphrase.
func (s *Service) closeIdentity(identity *age.X25519Identity, passphrase string) ([]byte, error) {
	to, err := age.NewScryptRecipient(passphrase)
	if err != nil {
		return nil, fmt.Errorf("keepers: passphrase: %w", err)
	}
	to.SetWorkFactor(workFactor)
	s.one.Lock()
	defer s.one.Unlock()
	return seal([]byte(identity.String()), to)
}

func seal(body []byte, to ...age.Recipient) ([]byte, error) {
	var b bytes.Buffer
	w, err := age.Encrypt(&b, to...)
	if err == nil {
		if _, err = w.Write(body); err == nil {
			err = w.Close()
		}
	}
	if err != nil {
		return nil, fmt.Errorf("keepers: close: %w", err)
	}
	return b.Bytes(), nil
}

func unseal(closed []byte, by age.Identity) ([]byte, error) {
	r, err := age.Decrypt(bytes.NewReader(closed), by)
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}
