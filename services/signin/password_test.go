package signin_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

const adviser, administrator = pb.Role_ROLE_ADVISER, pb.Role_ROLE_ADMINISTRATOR

func password(name, word string) *pb.SignInWithPasswordRequest {
	return &pb.SignInWithPasswordRequest{SignInName: name, Password: word}
}

// TestPassword follows somebody from the first code to the last day.
func TestPassword(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	first := h.joined("fern", adviser)
	ctx := t.Context()

	in, err := h.SignInWithPassword(ctx, password(" FERN ", good))
	require.NoError(t, err)
	require.NotEqual(t, first, in.GetSecret(), "each time another session")
	require.Equal(t, "principals/fern", h.mustBe(in.GetSecret()).Name)
	require.True(t, strings.HasPrefix(in.GetSecret(), "fs_"))

	// Changed with the old one: every other session ends, the old one is gone.
	_, err = h.SetPassword(ctx, &pb.SetPasswordRequest{SignInName: "fern", Proof: &pb.SetPasswordRequest_CurrentPassword{CurrentPassword: "not the one"}, NewPassword: "other words in a row"})
	refused(t, err, codes.Unauthenticated)
	next, err := h.SetPassword(ctx, &pb.SetPasswordRequest{SignInName: "fern", Proof: &pb.SetPasswordRequest_CurrentPassword{CurrentPassword: good}, NewPassword: "other words in a row"})
	require.NoError(t, err)
	for _, old := range []string{first, in.GetSecret()} {
		_, err = h.reg.ByToken(old)
		require.Error(t, err)
	}
	require.Equal(t, "principals/fern", h.mustBe(next.GetSecret()).Name)
	_, err = h.SignInWithPassword(ctx, password("fern", good))
	refused(t, err, codes.Unauthenticated)
	history, err := h.led.History(ctx, "principals/fern/credentials/password")
	require.NoError(t, err)
	require.Len(t, history, 2)
	require.True(t, history[0].Erased, "what is kept of an old password is destroyed")

	// Suspended, and again not; left, and never again.
	p, _ := h.reg.Principal("principals/fern")
	p.State = pb.PrincipalState_PRINCIPAL_STATE_SUSPENDED
	p, err = h.who.UpdatePrincipal(keys(t), &pb.UpdatePrincipalRequest{Principal: p})
	require.NoError(t, err)
	_, err = h.SignInWithPassword(ctx, password("fern", "other words in a row"))
	refused(t, err, codes.Unauthenticated)
	_, err = h.MakeSignInCode(keys(t), &pb.MakeSignInCodeRequest{Principal: "principals/fern"})
	refused(t, err, codes.FailedPrecondition)
	p.State = pb.PrincipalState_PRINCIPAL_STATE_ACTIVE
	_, err = h.who.UpdatePrincipal(keys(t), &pb.UpdatePrincipalRequest{Principal: p})
	require.NoError(t, err)
	_, err = h.SignInWithPassword(ctx, password("fern", "other words in a row"))
	require.NoError(t, err)
	h.leave("fern")
	_, err = h.SignInWithPassword(ctx, password("fern", "other words in a row"))
	refused(t, err, codes.Unauthenticated)
	history, err = h.led.History(ctx, "principals/fern/credentials/password")
	require.NoError(t, err)
	for _, c := range history[:len(history)-1] {
		require.True(t, c.Erased, "whoever has left leaves no password")
	}
	require.Empty(t, history[len(history)-1].Body)
}

func (h *house) mustBe(secret string) access.Principal {
	h.t.Helper()
	who, err := h.reg.ByToken(secret)
	require.NoError(h.t, err)
	return who
}

// TestNothingTellsNames: a name that nobody has, one without a password, one
// that is suspended and a wrong password are answered alike.
func TestNothingTellsNames(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.joined("fern", adviser)
	h.join("newcomer", adviser)
	h.joined("moss", adviser)
	h.leave("moss")
	said := map[string]bool{}
	for _, name := range []string{"nobody", "fern", "newcomer", "moss", "principals/fern", "../fern", "fern\x00", "-"} {
		_, err := h.SignInWithPassword(t.Context(), password(name, "wrong words here"))
		refused(t, err, codes.Unauthenticated)
		said[status.Convert(err).Message()] = true
	}
	require.Len(t, said, 1)
	clear(said)
	for _, name := range []string{"nobody", "fern", "newcomer", "moss"} {
		_, err := h.SetPassword(t.Context(), &pb.SetPasswordRequest{SignInName: name, Proof: &pb.SetPasswordRequest_Code{Code: "AAAA-BBBB-CCCC"}, NewPassword: good})
		refused(t, err, codes.Unauthenticated)
		said[status.Convert(err).Message()] = true
	}
	require.Len(t, said, 1)
	for _, name := range []string{"nobody", "fern"} {
		_, err := h.BeginPasskey(t.Context(), &pb.BeginPasskeyRequest{SignInName: name})
		require.NoError(t, err)
	}
}

// TestCode: once, twenty minutes, the newest only, by an administrator of the
// whole house only, and never for oneself.
func TestCode(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.join("fern", adviser)
	use := func(s server, code string) error {
		_, err := s.SetPassword(t.Context(), &pb.SetPasswordRequest{SignInName: "fern", Proof: &pb.SetPasswordRequest_Code{Code: code}, NewPassword: good})
		return err
	}
	old := h.code("fern")
	code := h.code("fern")
	refused(t, use(h.server, old), codes.Unauthenticated)
	require.NoError(t, use(h.server, strings.ToLower(strings.ReplaceAll(code, "-", " "))))
	refused(t, use(h.server, code), codes.Unauthenticated)
	refused(t, use(h.another(), code), codes.Unauthenticated)
	code = h.code("fern")
	h.pass(20 * time.Minute)
	refused(t, use(h.server, code), codes.Unauthenticated)
	history, err := h.led.History(t.Context(), "principals/fern/code")
	require.NoError(t, err)
	for _, c := range history[:len(history)-1] {
		require.True(t, c.Erased || len(c.Body) == 0)
	}

	secret := h.joined("boss", administrator)
	_, err = h.MakeSignInCode(h.as(t, secret), &pb.MakeSignInCodeRequest{Principal: "principals/boss"})
	refused(t, err, codes.PermissionDenied)
	part := access.With(t.Context(), access.Principal{Name: "principals/part", Roles: []pb.Role{administrator}, Workplaces: []string{"workplaces/north"}})
	_, err = h.MakeSignInCode(part, &pb.MakeSignInCodeRequest{Principal: "principals/fern"})
	refused(t, err, codes.PermissionDenied)
	_, err = h.MakeSignInCode(keys(t), &pb.MakeSignInCodeRequest{Principal: "principals/nobody"})
	refused(t, err, codes.NotFound)
	ways, err := h.ListCredentials(keys(t), &pb.ListCredentialsRequest{Principal: "principals/fern"})
	require.NoError(t, err)
	require.Len(t, ways.GetCredentials(), 1)
	require.Equal(t, "principals/keys", ways.GetCredentials()[0].GetHelpedBy())
	require.Empty(t, ways.GetCredentials()[0].GetPasswordHash())
}

// TestCodeRace: one code used by many at once, on two servers, lets one in.
func TestCodeRace(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.join("fern", adviser)
	code := h.code("fern")
	servers := []server{h.server, h.another()}
	var in atomic.Int32
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			_, err := servers[i%2].SetPassword(context.Background(), &pb.SetPasswordRequest{SignInName: "fern",
				Proof: &pb.SetPasswordRequest_Code{Code: code}, NewPassword: fmt.Sprintf("race words number %d", i)})
			if err == nil {
				in.Add(1)
			}
		})
	}
	wg.Wait()
	require.EqualValues(t, 1, in.Load())
}

// TestGuessing: many passwords at one name, from one address or many, and many
// names from one address, all become slow; others are let in meanwhile.
func TestGuessing(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.joined("fern", adviser)
	h.joined("moss", adviser)
	slowed := func(n int, try func(i int) error) (first int) {
		for i := range n {
			if status.Code(try(i)) == codes.ResourceExhausted {
				return i
			}
		}
		return n
	}
	guess := func(address, name string) error {
		_, err := h.SignInWithPassword(from(t, address), password(name, "wrong words here"))
		return err
	}
	// One name from many addresses.
	require.LessOrEqual(t, slowed(20, func(i int) error { return guess(fmt.Sprintf("192.0.2.%d", i), "fern") }), 6)
	_, err := h.SignInWithPassword(from(t, "198.51.100.1"), password("fern", good))
	refused(t, err, codes.ResourceExhausted)
	_, err = h.SignInWithPassword(from(t, "198.51.100.1"), password("moss", good))
	require.NoError(t, err, "another name is not kept out")
	h.pass(6 * time.Minute)
	_, err = h.SignInWithPassword(from(t, "198.51.100.1"), password("fern", good))
	require.NoError(t, err, "and the name is free again before long")
	// A code is guessed at as slowly.
	require.LessOrEqual(t, slowed(20, func(i int) error {
		_, err := h.SetPassword(from(t, fmt.Sprintf("192.0.2.%d", i)), &pb.SetPasswordRequest{SignInName: "moss", Proof: &pb.SetPasswordRequest_Code{Code: "AAAABBBBCCCC"}, NewPassword: good})
		return err
	}), 6)

	// Many names from one address, between sign-ins with an account of one's own.
	h.pass(2 * time.Hour)
	h.joined("mallow", adviser)
	tried := slowed(34, func(i int) error {
		if err := guess("203.0.113.9", fmt.Sprintf("name-%d", i)); err != nil && status.Code(err) != codes.Unauthenticated {
			return err
		}
		if i%10 > 0 {
			return nil
		}
		_, err := h.SignInWithPassword(from(t, "203.0.113.9"), password("mallow", good))
		return err
	})
	require.LessOrEqual(t, tried, 33)
	_, err = h.SignInWithPassword(from(t, "203.0.113.10"), password("fern", good))
	require.NoError(t, err)
}

// TestSessions: an ended session is over on every server; one that is kept
// lasts, but not for ever; rights that change end it.
func TestSessions(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	secret := h.joined("fern", adviser)
	other := h.another()
	require.Eventually(t, func() bool { _, err := other.reg.ByToken(secret); return err == nil }, 5*time.Second, 5*time.Millisecond)
	for range 7 {
		h.pass(100 * time.Minute)
		kept, err := other.KeepSession(other.as(t, secret), &pb.KeepSessionRequest{})
		if err != nil {
			break
		}
		require.False(t, kept.GetEndTime().AsTime().After(h.clock().Add(2*time.Hour)))
	}
	h.pass(30 * time.Minute)
	_, err := other.reg.ByToken(secret)
	require.ErrorIs(t, err, access.ErrOver, "twelve hours and no more")

	in, err := h.SignInWithPassword(t.Context(), password("fern", good))
	require.NoError(t, err)
	ctx := h.as(t, in.GetSecret())
	_, err = h.SignOut(ctx, &pb.SignOutRequest{})
	require.NoError(t, err)
	_, err = h.reg.ByToken(in.GetSecret())
	require.Error(t, err)
	require.Eventually(t, func() bool { _, err := other.reg.ByToken(in.GetSecret()); return err != nil }, time.Second, 5*time.Millisecond)
	_, err = other.KeepSession(ctx, &pb.KeepSessionRequest{})
	require.Error(t, err, "what is ended cannot be kept")

	in, err = h.SignInWithPassword(t.Context(), password("fern", good))
	require.NoError(t, err)
	p, _ := h.reg.Principal("principals/fern")
	p.Grants = []*pb.Grant{{Role: pb.Role_ROLE_COMMITTEE}}
	_, err = h.who.UpdatePrincipal(keys(t), &pb.UpdatePrincipalRequest{Principal: p})
	require.NoError(t, err)
	_, err = h.reg.ByToken(in.GetSecret())
	require.Error(t, err, "a session with the old rights is over")

	_, err = h.KeepSession(keys(t), &pb.KeepSessionRequest{})
	refused(t, err, codes.FailedPrecondition)
}

// TestLastWayIn: the last administrator who can come in keeps a way to.
func TestLastWayIn(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	secret := h.joined("boss", administrator)
	h.join("deputy", administrator) // an administrator, but without a way in
	end := func(ctx context.Context, name string) error {
		_, err := h.EndCredential(ctx, &pb.EndCredentialRequest{Name: name})
		return err
	}
	refused(t, end(h.as(t, secret), "principals/boss/credentials/password"), codes.FailedPrecondition)
	refused(t, end(keys(t), "principals/boss/credentials/password"), codes.FailedPrecondition)
	second, err := h.SetPassword(t.Context(), &pb.SetPasswordRequest{SignInName: "deputy", Proof: &pb.SetPasswordRequest_Code{Code: h.code("deputy")}, NewPassword: good})
	require.NoError(t, err)
	require.NoError(t, end(h.as(t, secret), "principals/boss/credentials/password"))
	_, err = h.reg.ByToken(secret)
	require.NoError(t, err, "the session that ends a way in goes on")
	refused(t, end(h.as(t, second.GetSecret()), "principals/deputy/credentials/password"), codes.FailedPrecondition)

	// Somebody else's, and an old session.
	fern := h.joined("fern", adviser)
	refused(t, end(h.as(t, fern), "principals/deputy/credentials/password"), codes.NotFound)
	h.pass(16 * time.Minute)
	refused(t, end(h.as(t, fern), "principals/fern/credentials/password"), codes.FailedPrecondition)
	_, err = h.ListCredentials(h.as(t, fern), &pb.ListCredentialsRequest{Principal: "principals/boss"})
	refused(t, err, codes.PermissionDenied)
}
