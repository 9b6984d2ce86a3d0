package signin

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// codeTime is how long a code may be used.
	codeTime = 20 * time.Minute
	// codeSize is how many letters it has: 31^12 is 59 bits.
	codeSize = 12
	// codeLetters leaves out what is taken for something else when it is read
	// aloud: 0 and O, 1, I and L.
	codeLetters = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
)

// newCode makes a code, in three groups of four.
func newCode() (string, error) {
	out := make([]byte, 0, codeSize+2)
	for n := 0; n < codeSize; {
		var b [1]byte
		if _, err := rand.Read(b[:]); err != nil {
			return "", fmt.Errorf("signin: code: %w", err)
		}
		// Bytes beyond the last whole multiple would favour the first letters.
		if k := len(codeLetters); int(b[0]) < 256/k*k {
			if n > 0 && n%4 == 0 {
				out = append(out, '-')
			}
			out = append(out, codeLetters[int(b[0])%k])
			n++
		}
	}
	return string(out), nil
}

// plainCode is a code as it is kept, from what somebody typed.
func plainCode(typed string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, strings.ToUpper(typed))
}

func codeOf(principal string) string { return principal + "/code" }

// wrongCode is said of a wrong name and of a code that lets nobody in, alike.
func wrongCode() error {
	return fault.Unauthenticated("name and code do not belong together here, or the code was used or is over; ask whoever looks after access for a new one")
}

// MakeSignInCode implements SignInService.
func (s *Service) MakeSignInCode(ctx context.Context, req *pb.MakeSignInCodeRequest) (*pb.MakeSignInCodeResponse, error) {
	who := access.From(ctx)
	if !isWhole(ctx) {
		return nil, fault.Denied("this is for whoever looks after access in the whole house; your role is bounded to a part of it")
	}
	if who.Name == req.GetPrincipal() && who.Session != "" {
		return nil, fault.Denied("your own password is changed with the one you have; if you have lost it, ask another administrator")
	}
	p, ok := s.Registry.Principal(req.GetPrincipal())
	switch {
	case !ok:
		return nil, fault.NotFound(req.GetPrincipal())
	case !mayCome(p):
		return nil, fault.State(p.GetName(), "may not come in, so a code would let nobody in; make the principal active first")
	case p.GetSignInName() == "":
		return nil, fault.State(p.GetName(), "has no name to sign in with; give the principal one first")
	}
	code, err := newCode()
	if err != nil {
		return nil, err
	}
	until := timestamppb.New(s.Clock().Add(codeTime).Truncate(time.Second))
	kept := &pb.SignInCode{CodeSha256: access.HashSecret(plainCode(code)), ExpireTime: until, MadeBy: who.Name}
	err = s.write(ctx, who.Name, codeOf(p.GetName()), func(ctx context.Context, tx ledger.Tx) error {
		return replace(ctx, tx, kept, codeOf(p.GetName()), record.KindSignInCode, record.VerbMakeCode)
	})
	if err != nil {
		return nil, err
	}
	return &pb.MakeSignInCodeResponse{Code: code, SignInName: p.GetSignInName(), ExpireTime: until}, nil
}

// useCode checks a code and makes it useless, and returns who made it.
func (s *Service) useCode(ctx context.Context, tx ledger.Tx, principal, code string) (madeBy string, err error) {
	kept := &pb.SignInCode{}
	_, ok, err := read(ctx, tx, codeOf(principal), record.KindSignInCode, kept)
	if err != nil {
		return "", err
	}
	same := subtle.ConstantTimeCompare([]byte(kept.GetCodeSha256()), []byte(access.HashSecret(plainCode(code)))) == 1
	if !ok || !same || !s.Clock().Before(kept.GetExpireTime().AsTime()) {
		return "", wrongCode()
	}
	return kept.GetMadeBy(), replace(ctx, tx, &pb.SignInCode{}, codeOf(principal), record.KindSignInCode, record.VerbUse)
}
