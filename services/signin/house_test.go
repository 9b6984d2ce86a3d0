package signin_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/paging"
	"fairlead/services/principals"
	"fairlead/services/signin"
)

type places struct{}

func (places) Has(string) bool               { return true }
func (places) Within(w, a string) bool       { return w == a }
func nothing(proto.Message) fault.Violations { return nil }

// server is one server of the house.
type server struct {
	*signin.Service
	reg *access.Registry
	who *principals.Service
}

// house is a real ledger with servers over it, and a clock that a test moves.
type house struct {
	server
	t   testing.TB
	led *sqlite.Store
	mu  sync.Mutex
	now time.Time
}

func (h *house) clock() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.now
}

func (h *house) pass(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.now = h.now.Add(d)
}

const origin = "https://fairlead.example"

func newHouse(t testing.TB, provider ...*signin.Provider) *house {
	t.Helper()
	h := &house{t: t, now: time.Now().UTC().Truncate(time.Second)}
	var err error
	h.led, err = sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{Clock: h.clock})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, h.led.Close()) })
	h.server = h.another(provider...)
	return h
}

// another starts one more server over the same ledger.
func (h *house) another(provider ...*signin.Provider) server {
	h.t.Helper()
	s := server{reg: access.NewRegistry(h.led, h.clock)}
	require.NoError(h.t, s.reg.CatchUp(h.t.Context()))
	ctx, stop := context.WithCancel(h.t.Context())
	done := make(chan struct{})
	go func() { defer close(done); _ = s.reg.Run(ctx) }()
	h.t.Cleanup(func() { stop(); <-done })
	s.who, _ = principals.New(principals.Deps{Ledger: h.led, Registry: s.reg, Tree: places{}, Tokens: paging.New([]byte("0123456789abcdef")),
		Rules: nothing, Clock: h.clock, NewID: uuid.NewString,
		Forget: func(ctx context.Context, tx ledger.Tx, p string) error { return s.Forget(ctx, tx, p) }})
	d := signin.Deps{Ledger: h.led, Registry: s.reg, Sessions: s.who, Origin: func() string { return origin }, Clock: h.clock, NewID: uuid.NewString}
	if len(provider) > 0 {
		d.OpenID = provider[0]
	}
	s.Service = signin.New(d)
	return s
}

// keys is a caller with an access token, as whoever starts a house has.
func keys(t testing.TB) context.Context {
	return access.With(t.Context(), access.Principal{Name: "principals/keys", Roles: []pb.Role{pb.Role_ROLE_ADMINISTRATOR}})
}

// as returns a context of whoever a session belongs to.
func (s server) as(t testing.TB, secret string) context.Context {
	t.Helper()
	who, err := s.reg.ByToken(secret)
	require.NoError(t, err)
	return access.With(t.Context(), who)
}

// from returns a context of a stranger at an address.
func from(t testing.TB, address string) context.Context {
	return access.WithAddress(t.Context(), address)
}

func (h *house) join(id string, role pb.Role) *pb.Principal {
	h.t.Helper()
	p, err := h.who.CreatePrincipal(keys(h.t), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/" + id, DisplayName: "Person " + id, SignInName: id, Grants: []*pb.Grant{{Role: role}}}})
	require.NoError(h.t, err)
	return p
}

const good = "mossy gate by the weir"

// joined adds somebody who has set a password, and returns the session.
func (h *house) joined(id string, role pb.Role) (secret string) {
	h.t.Helper()
	h.join(id, role)
	in, err := h.SetPassword(h.t.Context(), &pb.SetPasswordRequest{SignInName: id, Proof: &pb.SetPasswordRequest_Code{Code: h.code(id)}, NewPassword: good})
	require.NoError(h.t, err)
	return in.GetSecret()
}

func (h *house) code(id string) string {
	h.t.Helper()
	made, err := h.MakeSignInCode(keys(h.t), &pb.MakeSignInCodeRequest{Principal: "principals/" + id})
	require.NoError(h.t, err)
	return made.GetCode()
}

func (h *house) leave(id string) {
	h.t.Helper()
	p, _ := h.reg.Principal("principals/" + id)
	_, err := h.who.EndPrincipal(keys(h.t), &pb.EndPrincipalRequest{Name: p.GetName(), Etag: p.GetEtag()})
	require.NoError(h.t, err)
}

func refused(t testing.TB, err error, want codes.Code) {
	t.Helper()
	require.Equal(t, want, status.Code(err), "%v", err)
}
