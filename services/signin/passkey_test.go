package signin_test

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/descope/virtualwebauthn"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	pb "fairlead/proto/gen/fairlead/v1"
)

// device is a virtual authenticator with one key.
type device struct {
	rp   virtualwebauthn.RelyingParty
	auth virtualwebauthn.Authenticator
	key  virtualwebauthn.Credential
}

func newDevice() *device {
	return &device{
		rp:   virtualwebauthn.RelyingParty{Name: "Fairlead", ID: "fairlead.example", Origin: origin},
		auth: virtualwebauthn.NewAuthenticator(), key: virtualwebauthn.NewCredential(virtualwebauthn.KeyTypeEC2),
	}
}

// make answers a challenge to make a key.
func (d *device) make(t testing.TB, c *pb.PasskeyChallenge) string {
	t.Helper()
	o, err := virtualwebauthn.ParseAttestationOptions(c.GetOptionsJson())
	require.NoError(t, err)
	var options struct {
		PublicKey struct {
			User struct {
				ID string `json:"id"`
			} `json:"user"`
		} `json:"publicKey"`
	}
	require.NoError(t, json.Unmarshal([]byte(c.GetOptionsJson()), &options))
	id, err := base64.RawURLEncoding.DecodeString(options.PublicKey.User.ID)
	require.NoError(t, err)
	d.auth.Options.UserHandle = id
	return virtualwebauthn.CreateAttestationResponse(d.rp, d.auth, d.key, *o)
}

// answer answers a challenge to sign in.
func (d *device) answer(t testing.TB, c *pb.PasskeyChallenge) string {
	t.Helper()
	o, err := virtualwebauthn.ParseAssertionOptions(c.GetOptionsJson())
	require.NoError(t, err)
	return virtualwebauthn.CreateAssertionResponse(d.rp, d.auth, d.key, *o)
}

// add registers the device for whoever has a session.
func (d *device) add(t testing.TB, s server, secret string) *pb.Credential {
	t.Helper()
	c, err := s.BeginAddPasskey(s.as(t, secret), &pb.BeginAddPasskeyRequest{})
	require.NoError(t, err)
	made, err := s.FinishAddPasskey(s.as(t, secret), &pb.FinishAddPasskeyRequest{Ticket: c.GetTicket(), AnswerJson: d.make(t, c), Title: "phone"})
	require.NoError(t, err)
	return made
}

func (s server) challenge(t testing.TB, name string) *pb.PasskeyChallenge {
	t.Helper()
	c, err := s.BeginPasskey(t.Context(), &pb.BeginPasskeyRequest{SignInName: name})
	require.NoError(t, err)
	return c
}

func (s server) finish(t testing.TB, c *pb.PasskeyChallenge, answer string) (*pb.SignedIn, error) {
	return s.FinishPasskey(t.Context(), &pb.FinishPasskeyRequest{Ticket: c.GetTicket(), AnswerJson: answer})
}

// TestPasskey: made on one server, used on another, by name and without.
func TestPasskey(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	other := h.another()
	secret := h.joined("fern", adviser)
	d := newDevice()
	made := d.add(t, h.server, secret)
	require.Equal(t, "phone", made.GetTitle())
	require.Empty(t, made.GetPasskey())
	for _, name := range []string{"", "fern", " Fern "} {
		c := h.challenge(t, name)
		require.NotContains(t, c.GetOptionsJson(), "allowCredentials\":[{", "no list tells who has keys")
		require.NotContains(t, c.GetOptionsJson(), "fern")
		require.Contains(t, c.GetOptionsJson(), `"userVerification":"required"`)
		in, err := other.finish(t, c, d.answer(t, c))
		require.NoError(t, err, name)
		require.Equal(t, "principals/fern", in.GetPrincipal())
	}
	c := h.challenge(t, "moss")
	_, err := h.finish(t, c, d.answer(t, c))
	refused(t, err, codes.Unauthenticated)

	// The same key is no second person's, and no second time this one's.
	again, err := h.BeginAddPasskey(h.as(t, h.joined("moss", adviser)), &pb.BeginAddPasskeyRequest{})
	require.NoError(t, err)
	_, err = h.FinishAddPasskey(h.as(t, secret), &pb.FinishAddPasskeyRequest{Ticket: again.GetTicket(), AnswerJson: d.make(t, again)})
	refused(t, err, codes.Unauthenticated) // begun by somebody else

	// Removed: it lets nobody in, its record is destroyed.
	d.auth.Options.UserHandle = nil
	c, err = h.BeginAddPasskey(h.as(t, secret), &pb.BeginAddPasskeyRequest{})
	require.NoError(t, err)
	answer := d.make(t, c)
	_, err = h.EndCredential(h.as(t, secret), &pb.EndCredentialRequest{Name: made.GetName()})
	require.NoError(t, err)
	c = h.challenge(t, "")
	_, err = h.finish(t, c, d.answer(t, c))
	refused(t, err, codes.Unauthenticated)
	history, err := h.led.History(t.Context(), made.GetName())
	require.NoError(t, err)
	require.True(t, history[0].Erased)
	_ = answer

	// Whoever has left does not come in by it.
	p := d.add(t, h.server, secret)
	require.NotNil(t, p)
	h.leave("fern")
	c = h.challenge(t, "")
	_, err = h.finish(t, c, d.answer(t, c))
	refused(t, err, codes.Unauthenticated)
}

// TestPasskeyAttacks: replays, other origins, other houses, copies, keys that do
// not ask who holds them, tickets of other kinds.
func TestPasskeyAttacks(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	secret := h.joined("fern", adviser)
	d := newDevice()
	d.key.Counter = 5
	d.add(t, h.server, secret)

	d.key.Counter = 6
	c := h.challenge(t, "")
	answer := d.answer(t, c)
	_, err := h.finish(t, c, answer)
	require.NoError(t, err)
	_, err = h.finish(t, c, answer)
	refused(t, err, codes.Unauthenticated) // replayed
	_, err = h.another().finish(t, c, answer)
	refused(t, err, codes.Unauthenticated) // also elsewhere
	fresh := h.challenge(t, "")
	_, err = h.finish(t, fresh, answer)
	refused(t, err, codes.Unauthenticated) // an old answer to a new challenge

	// A copy that counts behind.
	d.key.Counter = 6
	c = h.challenge(t, "")
	_, err = h.finish(t, c, d.answer(t, c))
	refused(t, err, codes.Unauthenticated)
	require.ErrorContains(t, err, "copied")
	d.key.Counter = 100

	for what, bad := range map[string]func(*device){
		"another origin":   func(d *device) { d.rp.Origin = "https://fairlead.example.evil.test" },
		"another port":     func(d *device) { d.rp.Origin = "https://fairlead.example:8443" },
		"plain http":       func(d *device) { d.rp.Origin = "http://fairlead.example" },
		"another house":    func(d *device) { d.rp.ID = "evil.test" },
		"nobody was there": func(d *device) { d.auth.Options.UserNotPresent = true },
		"nobody was asked": func(d *device) { d.auth.Options.UserNotVerified = true },
		"no holder":        func(d *device) { d.auth.Options.UserHandle = nil },
		"another holder":   func(d *device) { d.auth.Options.UserHandle = []byte("principals/fern") },
		"another key": func(d *device) {
			k := d.key.ID
			d.key = virtualwebauthn.NewCredential(virtualwebauthn.KeyTypeEC2)
			d.key.ID = k
		},
		"an unknown key":        func(d *device) { d.key = virtualwebauthn.NewCredential(virtualwebauthn.KeyTypeEC2) },
		"backed up all at once": func(d *device) { d.auth.Options.BackupEligible = true },
	} {
		x := *d
		bad(&x)
		c := h.challenge(t, "")
		_, err := h.finish(t, c, x.answer(t, c))
		refused(t, err, codes.Unauthenticated)
		_ = what
	}

	// Tickets: over, of another kind, torn, made up.
	c = h.challenge(t, "")
	answer = d.answer(t, c)
	adding, err := h.BeginAddPasskey(h.as(t, secret), &pb.BeginAddPasskeyRequest{})
	require.NoError(t, err)
	for _, ticket := range []string{adding.GetTicket(), c.GetTicket()[1:], c.GetTicket() + "A", c.GetTicket()[:len(c.GetTicket())-1] + "!", "e30", strings.Repeat("A", 4000)} {
		_, err = h.FinishPasskey(t.Context(), &pb.FinishPasskeyRequest{Ticket: ticket, AnswerJson: answer})
		refused(t, err, codes.Unauthenticated)
	}
	_, err = h.FinishAddPasskey(h.as(t, secret), &pb.FinishAddPasskeyRequest{Ticket: c.GetTicket(), AnswerJson: d.make(t, adding)})
	refused(t, err, codes.Unauthenticated)
	h.pass(5 * time.Minute)
	_, err = h.finish(t, c, answer)
	refused(t, err, codes.Unauthenticated)

	// A key that does not ask who holds it is not taken.
	weak := newDevice()
	weak.auth.Options.UserNotVerified = true
	adding, err = h.BeginAddPasskey(h.as(t, secret), &pb.BeginAddPasskeyRequest{})
	require.NoError(t, err)
	_, err = h.FinishAddPasskey(h.as(t, secret), &pb.FinishAddPasskeyRequest{Ticket: adding.GetTicket(), AnswerJson: weak.make(t, adding)})
	refused(t, err, codes.InvalidArgument)
	// Nor from a session of this morning.
	h.pass(11 * time.Minute)
	_, err = h.BeginAddPasskey(h.as(t, secret), &pb.BeginAddPasskeyRequest{})
	refused(t, err, codes.FailedPrecondition)
	_, err = h.BeginAddPasskey(keys(t), &pb.BeginAddPasskeyRequest{})
	refused(t, err, codes.FailedPrecondition)
}

// TestPasskeyRace: one answer sent by many at once lets one in.
func TestPasskeyRace(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	d := newDevice()
	d.add(t, h.server, h.joined("fern", adviser))
	servers := []server{h.server, h.another()}
	c := h.challenge(t, "")
	answer := d.answer(t, c)
	var in atomic.Int32
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			if _, err := servers[i%2].FinishPasskey(context.Background(), &pb.FinishPasskeyRequest{Ticket: c.GetTicket(), AnswerJson: answer}); err == nil {
				in.Add(1)
			}
		})
	}
	wg.Wait()
	require.EqualValues(t, 1, in.Load())
}

// FuzzPasskeyAnswer: whatever a browser sends, nothing breaks and nobody comes
// in but by the one answer that is right.
func FuzzPasskeyAnswer(f *testing.F) {
	f.Add(`{}`, "", false)
	f.Add(`{"id":"AA","rawId":"AA","type":"public-key","response":{"clientDataJSON":"e30","authenticatorData":"AA","signature":"AA","userHandle":"AA"}}`, "x", false)
	f.Add(`{"id":"AA","rawId":"AA","type":"public-key","response":{"clientDataJSON":"e30","attestationObject":"oA"}}`, "x", true)
	h := newHouse(f)
	secret := h.joined("fern", adviser)
	challenge := h.challenge(f, "")
	adding, err := h.BeginAddPasskey(h.as(f, secret), &pb.BeginAddPasskeyRequest{})
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, answer, ticket string, add bool) {
		if add {
			_, err := h.FinishAddPasskey(h.as(t, secret), &pb.FinishAddPasskeyRequest{Ticket: adding.GetTicket(), AnswerJson: answer})
			refused(t, err, codes.InvalidArgument)
			return
		}
		_, err := h.FinishPasskey(t.Context(), &pb.FinishPasskeyRequest{Ticket: challenge.GetTicket(), AnswerJson: answer})
		refused(t, err, codes.Unauthenticated)
		_, err = h.FinishPasskey(t.Context(), &pb.FinishPasskeyRequest{Ticket: ticket, AnswerJson: answer})
		refused(t, err, codes.Unauthenticated)
	})
}
