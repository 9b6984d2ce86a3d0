package signin

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"time"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Costs of argon2id (RFC 9106): two passes over 19 MiB, one lane, the least
// that OWASP's password storage sheet names (from memory).
const (
	passes   = 2
	memory   = 19 * 1024
	hashSize = 32
	saltSize = 16
)

// hashing lets two hashes be made at once: each takes 19 MiB.
var hashing = make(chan struct{}, 2)

// hashOf makes the hash of a password; it gives up with ctx.
func hashOf(ctx context.Context, password string, salt []byte) ([]byte, error) {
	select {
	case hashing <- struct{}{}:
	case <-ctx.Done():
		return nil, fault.Busy(time.Second)
	}
	defer func() { <-hashing }()
	// One letter has several encodings, and keyboards differ in which they
	// send.
	return argon2.IDKey([]byte(norm.NFKC.String(password)), salt, passes, memory, 1, hashSize), nil
}

// keepPassword is the form in which a password is kept.
func keepPassword(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltSize)
	if _, err := rand.Read(salt); err != nil {
		return "", fmt.Errorf("signin: salt: %w", err)
	}
	h, err := hashOf(ctx, password, salt)
	if err != nil {
		return "", err
	}
	enc := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=1$%s$%s", argon2.Version, memory, passes, enc.EncodeToString(salt), enc.EncodeToString(h)), nil
}

// keptForm is how a kept password begins.
var keptForm = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=1$", argon2.Version, memory, passes)

// isPassword reports whether password is the one that was kept. It does the
// same work where nothing was kept, so that time does not tell who has one.
func isPassword(ctx context.Context, kept, password string) (bool, error) {
	salt, want := make([]byte, saltSize), make([]byte, hashSize)
	rest, ok := strings.CutPrefix(kept, keptForm)
	s, w, found := strings.Cut(rest, "$")
	if ok = ok && found; ok {
		a, e1 := base64.RawStdEncoding.DecodeString(s)
		b, e2 := base64.RawStdEncoding.DecodeString(w)
		if ok = e1 == nil && e2 == nil && len(a) == saltSize && len(b) == hashSize; ok {
			salt, want = a, b
		}
	}
	got, err := hashOf(ctx, password, salt)
	if err != nil {
		return false, err
	}
	same := subtle.ConstantTimeCompare(got, want) == 1
	return ok && same, nil
}

// nobody is whose credentials are read for a name that nobody has: a principal
// cannot be called that.
const nobody = "principals/-"

func passwordOf(principal string) string { return principal + "/credentials/password" }

// known returns who has a sign-in name. For a name that nobody has it returns
// a principal that may not come in, for whom the same work is done.
func (s *Service) known(name string) *pb.Principal {
	p, ok := s.Registry.BySignInName(name)
	if !ok {
		return &pb.Principal{Name: nobody}
	}
	return p
}

// wrongPassword is said of a wrong name, a wrong password and of whoever may not
// come in, alike.
func wrongPassword() error {
	return fault.Unauthenticated("name and password do not belong together here; try again, or ask whoever looks after access")
}

// SignInWithPassword implements SignInService.
func (s *Service) SignInWithPassword(ctx context.Context, req *pb.SignInWithPasswordRequest) (*pb.SignedIn, error) {
	name := plainName(req.GetSignInName())
	if err := s.try(ctx, name); err != nil {
		return nil, err
	}
	p := s.known(name)
	kept := &pb.Credential{}
	if _, _, err := read(ctx, s.Ledger, passwordOf(p.GetName()), record.KindCredential, kept); err != nil {
		return nil, err
	}
	right, err := isPassword(ctx, kept.GetPasswordHash(), req.GetPassword())
	if err != nil {
		return nil, err
	}
	if !right || !mayCome(p) {
		return nil, wrongPassword()
	}
	s.right(ctx, name)
	return s.begin(ctx, p.GetName(), "password")
}

// SetPassword implements SignInService.
func (s *Service) SetPassword(ctx context.Context, req *pb.SetPasswordRequest) (*pb.SignedIn, error) {
	name := plainName(req.GetSignInName())
	if err := tooEasy(req.GetNewPassword(), name); err != "" {
		return nil, fault.Invalid(fault.Violation{Field: "new_password", Description: err})
	}
	if err := s.try(ctx, name); err != nil {
		return nil, err
	}
	p := s.known(name)
	kept := &pb.Credential{}
	revision, _, err := read(ctx, s.Ledger, passwordOf(p.GetName()), record.KindCredential, kept)
	if err != nil {
		return nil, err
	}
	// The same work whichever proof was brought and whoever it is.
	right, err := isPassword(ctx, kept.GetPasswordHash(), req.GetCurrentPassword())
	if err != nil {
		return nil, err
	}
	hash, err := keepPassword(ctx, req.GetNewPassword())
	if err != nil {
		return nil, err
	}
	byCode := req.GetCode() != ""
	refused := wrongPassword()
	if byCode {
		refused = wrongCode()
	}
	if !mayCome(p) || !byCode && !right {
		return nil, refused
	}
	err = s.write(ctx, p.GetName(), passwordOf(p.GetName()), func(ctx context.Context, tx ledger.Tx) error {
		helper := ""
		if byCode {
			// Within the write: of two who use a code at once, one is refused.
			var err error
			if helper, err = s.useCode(ctx, tx, p.GetName(), req.GetCode()); err != nil {
				return err
			}
		} else if now, _, err := read(ctx, tx, passwordOf(p.GetName()), record.KindCredential, &pb.Credential{}); err != nil || now != revision {
			return wrongPassword()
		}
		return replace(ctx, tx, &pb.Credential{Name: passwordOf(p.GetName()), Kind: pb.CredentialKind_CREDENTIAL_KIND_PASSWORD,
			CreateTime: timestamppb.New(s.Clock().Truncate(time.Second)), HelpedBy: helper, PasswordHash: hash},
			passwordOf(p.GetName()), record.KindCredential, record.VerbSetPassword)
	})
	if err != nil {
		return nil, err
	}
	s.right(ctx, name)
	// Whoever else is signed in as this principal is so by the old password.
	if err := s.Sessions.EndAll(access.With(ctx, access.Principal{Name: p.GetName()}), p.GetName(), ""); err != nil {
		return nil, err
	}
	return s.begin(ctx, p.GetName(), "password")
}
