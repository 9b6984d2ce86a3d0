package principals_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/paging"
	"fairlead/services/principals"
)

// places is a small tree: north holds trees and roads.
type places struct{}

func (places) Has(w string) bool {
	return w == "workplaces/shire" || w == "workplaces/north" || w == "workplaces/trees" || w == "workplaces/south"
}

func (places) Within(w, a string) bool {
	above := map[string]string{"workplaces/trees": "workplaces/north", "workplaces/north": "workplaces/shire", "workplaces/south": "workplaces/shire"}
	for ; w != ""; w = above[w] {
		if w == a {
			return true
		}
	}
	return false
}

// house is a room over a real ledger, with a clock that a test moves.
type house struct {
	t   *testing.T
	led *sqlite.Store
	reg *access.Registry
	who *principals.Service
	dev *principals.Devices
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

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, now: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)}
	var err error
	h.led, err = sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{Clock: h.clock})
	require.NoError(t, err)
	h.reg = access.NewRegistry(h.led, h.clock)
	require.NoError(t, h.reg.CatchUp(t.Context()))
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); _ = h.reg.Run(ctx) }()
	t.Cleanup(func() { stop(); <-done; require.NoError(t, h.led.Close()) })
	h.who, h.dev = principals.New(principals.Deps{
		Ledger: h.led, Registry: h.reg, Tree: places{}, Tokens: paging.New([]byte("0123456789abcdef")),
		Rules: func(proto.Message) fault.Violations { return nil }, Clock: h.clock, NewID: uuid.NewString,
	})
	return h
}

func admin(t *testing.T) context.Context {
	return access.With(t.Context(), access.Principal{Name: "principals/boss", Roles: []pb.Role{pb.Role_ROLE_ADMINISTRATOR}})
}

// as returns a context of whoever a secret belongs to.
func (h *house) as(secret string) context.Context {
	h.t.Helper()
	who, err := h.reg.ByToken(secret)
	require.NoError(h.t, err)
	return access.With(h.t.Context(), who)
}

func (h *house) join(id string, grants ...*pb.Grant) *pb.Principal {
	h.t.Helper()
	p, err := h.who.CreatePrincipal(admin(h.t), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/" + id, DisplayName: "Person " + id, SignInName: id, OfferedOnTablets: true, Grants: grants}})
	require.NoError(h.t, err)
	return p
}

func grant(role pb.Role, workplaces ...string) *pb.Grant {
	return &pb.Grant{Role: role, Workplaces: workplaces}
}

// TestJoinMoveLeave follows one person through the house, and what they may do
// at each step.
func TestJoinMoveLeave(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	p := h.join("fern", grant(pb.Role_ROLE_SUPERVISOR, "workplaces/trees"))
	require.Equal(t, pb.PrincipalState_PRINCIPAL_STATE_ACTIVE, p.GetState())
	require.Equal(t, []string{"workplaces/trees"}, p.GetWorkplaces())
	secret, err := h.who.Begin(t.Context(), p.GetName(), "password", time.Hour)
	require.NoError(t, err)
	who, err := h.reg.ByToken(secret)
	require.NoError(t, err)
	require.True(t, who.Has(pb.Role_ROLE_SUPERVISOR))
	require.NotEmpty(t, who.Session)
	token, err := h.who.CreateToken(admin(t), &pb.CreateTokenRequest{Principal: p.GetName(), Purpose: "roster program"})
	require.NoError(t, err)
	require.Empty(t, token.GetToken().GetSecretSha256())
	_, err = h.reg.ByToken(token.GetSecret())
	require.NoError(t, err)

	// Moves: another crew. The old session ends at once, the token stays and
	// reaches what the principal now reaches.
	moved, err := h.who.UpdatePrincipal(admin(t), &pb.UpdatePrincipalRequest{
		Principal:  &pb.Principal{Name: p.GetName(), Etag: p.GetEtag(), Grants: []*pb.Grant{grant(pb.Role_ROLE_SUPERVISOR, "workplaces/south")}},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"grants"}}})
	require.NoError(t, err)
	_, err = h.reg.ByToken(secret)
	require.Error(t, err)
	who, err = h.reg.ByToken(token.GetSecret())
	require.NoError(t, err)
	require.Equal(t, []string{"workplaces/south"}, who.Workplaces)

	// Two people who move somebody at once: one is told.
	_, err = h.who.UpdatePrincipal(admin(t), &pb.UpdatePrincipalRequest{Principal: &pb.Principal{Name: p.GetName(), Etag: p.GetEtag(), DisplayName: "F"}})
	require.Equal(t, codes.Aborted, status.Code(err))

	// Leaves: nothing lets them in, the name to sign in with is free again.
	secret, err = h.who.Begin(t.Context(), p.GetName(), "passkey", time.Hour)
	require.NoError(t, err)
	left, err := h.who.EndPrincipal(admin(t), &pb.EndPrincipalRequest{Name: p.GetName(), Etag: moved.GetEtag()})
	require.NoError(t, err)
	require.Equal(t, pb.PrincipalState_PRINCIPAL_STATE_LEFT, left.GetState())
	for _, s := range []string{secret, token.GetSecret()} {
		_, err = h.reg.ByToken(s)
		require.Error(t, err)
	}
	_, err = h.who.Begin(t.Context(), p.GetName(), "password", time.Hour)
	require.Equal(t, codes.Unauthenticated, status.Code(err))
	_, err = h.who.EndPrincipal(admin(t), &pb.EndPrincipalRequest{Name: p.GetName(), Etag: left.GetEtag()})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	again, err := h.who.CreatePrincipal(admin(t), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/fern-2", DisplayName: "Fern", SignInName: "FERN", Grants: []*pb.Grant{grant(pb.Role_ROLE_WORKER)}}})
	require.NoError(t, err)
	found, ok := h.reg.BySignInName("fern")
	require.True(t, ok)
	require.Equal(t, again.GetName(), found.GetName())
	list, err := h.who.ListPrincipals(admin(t), &pb.ListPrincipalsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetPrincipals(), 1)
	list, err = h.who.ListPrincipals(admin(t), &pb.ListPrincipalsRequest{IncludeLeft: true, PageSize: 1})
	require.NoError(t, err)
	require.NotEmpty(t, list.GetNextPageToken())

	// Another server that starts now knows the same.
	other := access.NewRegistry(h.led, h.clock)
	require.NoError(t, other.CatchUp(t.Context()))
	for _, s := range []string{secret, token.GetSecret()} {
		_, err = other.ByToken(s)
		require.Error(t, err)
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	boss := h.join("boss", grant(pb.Role_ROLE_ADMINISTRATOR))
	good := func() *pb.Principal {
		return &pb.Principal{Name: "principals/new", DisplayName: "New", SignInName: "new", Grants: []*pb.Grant{grant(pb.Role_ROLE_WORKER)}}
	}
	for words, spoil := range map[string]func(*pb.Principal){
		"principal.name":                    func(p *pb.Principal) { p.Name = "people/new" },
		"kept for reports of nobody's name": func(p *pb.Principal) { p.Name = access.Anonymous },
		"principal.display_name":            func(p *pb.Principal) { p.DisplayName = " " },
		"principal.sign_in_name":            func(p *pb.Principal) { p.SignInName = "a b" },
		"somebody else's already":           func(p *pb.Principal) { p.SignInName = "Boss" },
		"principal.grants":                  func(p *pb.Principal) { p.Grants = nil },
		"not a workplace here":              func(p *pb.Principal) { p.Grants[0].Workplaces = []string{"workplaces/moon"} },
		"shared tablets":                    func(p *pb.Principal) { p.Grants[0].Role = pb.Role_ROLE_DEVICE },
		"which reports":                     func(p *pb.Principal) { p.Grants[0].Role = pb.Role_ROLE_INVESTIGATOR },
		"which work group":                  func(p *pb.Principal) { p.Grants[0].Role = pb.Role_ROLE_REPRESENTATIVE },
		"for investigators only": func(p *pb.Principal) {
			p.Grants[0].Reports = []string{"reports/00000000-0000-0000-0000-000000000000"}
		},
	} {
		p := good()
		spoil(p)
		_, err := h.who.CreatePrincipal(admin(t), &pb.CreatePrincipalRequest{Principal: p})
		require.Equal(t, codes.InvalidArgument, status.Code(err), words)
		require.ErrorContains(t, err, words)
	}
	_, err := h.who.CreatePrincipal(admin(t), &pb.CreatePrincipalRequest{})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	_, err = h.who.CreatePrincipal(admin(t), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/boss", DisplayName: "B", Grants: []*pb.Grant{grant(pb.Role_ROLE_WORKER)}}})
	require.Equal(t, codes.AlreadyExists, status.Code(err))

	// The last administrator can neither leave, nor be suspended, nor moved.
	_, err = h.who.EndPrincipal(admin(t), &pb.EndPrincipalRequest{Name: boss.GetName(), Etag: boss.GetEtag()})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	for _, p := range []*pb.Principal{
		{State: pb.PrincipalState_PRINCIPAL_STATE_SUSPENDED},
		{Grants: []*pb.Grant{grant(pb.Role_ROLE_WORKER)}},
		{Grants: []*pb.Grant{grant(pb.Role_ROLE_ADMINISTRATOR, "workplaces/north")}},
	} {
		p.Name, p.Etag = boss.GetName(), boss.GetEtag()
		_, err = h.who.UpdatePrincipal(admin(t), &pb.UpdatePrincipalRequest{Principal: p})
		require.Equal(t, codes.FailedPrecondition, status.Code(err), "%v", p)
	}
	_, err = h.who.UpdatePrincipal(admin(t), &pb.UpdatePrincipalRequest{Principal: &pb.Principal{
		Name: boss.GetName(), Etag: boss.GetEtag(), State: pb.PrincipalState_PRINCIPAL_STATE_LEFT}})
	require.ErrorContains(t, err, "end the principal")
	_, err = h.who.CreateToken(admin(t), &pb.CreateTokenRequest{Principal: boss.GetName(), Purpose: "x", ExpireTime: timestamppb.New(h.clock())})
	require.ErrorContains(t, err, "expire_time")
}

// TestSessions: own sessions are seen and ended by oneself, others' by an
// administrator, and they end by themselves.
func TestSessions(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.join("fern", grant(pb.Role_ROLE_WORKER))
	h.join("moss", grant(pb.Role_ROLE_WORKER))
	one, err := h.who.Begin(t.Context(), "principals/fern", "password", time.Hour)
	require.NoError(t, err)
	two, err := h.who.Begin(t.Context(), "principals/fern", "password", 2*time.Hour)
	require.NoError(t, err)
	moss, err := h.who.Begin(t.Context(), "principals/moss", "password", 2*time.Hour)
	require.NoError(t, err)
	list, err := h.who.ListSessions(h.as(one), &pb.ListSessionsRequest{Principal: "principals/fern"})
	require.NoError(t, err)
	require.Len(t, list.GetSessions(), 2)
	this := 0
	for _, s := range list.GetSessions() {
		require.Empty(t, s.GetSecretSha256())
		if s.GetThis() {
			this++
		}
	}
	require.Equal(t, 1, this)
	_, err = h.who.ListSessions(h.as(moss), &pb.ListSessionsRequest{Principal: "principals/fern"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = h.who.EndSession(h.as(moss), &pb.EndSessionRequest{Name: list.GetSessions()[0].GetName()})
	require.Equal(t, codes.NotFound, status.Code(err), "somebody else's session is not there")

	next, err := h.who.Rotate(t.Context(), one)
	require.NoError(t, err)
	_, err = h.reg.ByToken(one)
	require.Error(t, err, "a secret that was changed lets nobody in: a stolen one is worth nothing")
	h.pass(61 * time.Minute)
	_, err = h.reg.ByToken(next)
	require.Error(t, err, "the end stays where it was")
	_, err = h.reg.ByToken(two)
	require.NoError(t, err)
	require.NoError(t, h.who.EndAll(admin(t), "principals/fern", ""))
	_, err = h.reg.ByToken(two)
	require.Error(t, err)
	require.NoError(t, h.who.End(t.Context(), moss))
	require.NoError(t, h.who.End(t.Context(), moss), "again is fine")
	_, err = h.reg.ByToken("fs_" + "made-up")
	require.ErrorIs(t, err, access.ErrUnknownToken)
}

// TestTablet enrols a tablet, lets somebody file from it, loses it.
func TestTablet(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.join("fern", grant(pb.Role_ROLE_SUPERVISOR, "workplaces/trees"))
	h.join("moss", grant(pb.Role_ROLE_WORKER, "workplaces/south"))
	made, err := h.dev.CreateDevice(admin(t), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 3", Workplace: "workplaces/north"}})
	require.NoError(t, err)
	require.Len(t, made.GetCode(), 8)
	require.Empty(t, made.GetDevice().GetCodeSha256())
	_, err = h.dev.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: "22222222"})
	require.Equal(t, codes.Unauthenticated, status.Code(err))
	typed := made.GetCode()[:4] + "-" + made.GetCode()[4:]
	in, err := h.dev.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: " " + typed})
	require.NoError(t, err)
	_, err = h.dev.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: typed})
	require.Equal(t, codes.Unauthenticated, status.Code(err), "a code lets one tablet in, once")
	tablet := h.as(in.GetSecret())
	require.True(t, access.From(tablet).IsTablet())

	policy := access.NewPolicy()
	for method, may := range map[string]bool{
		"ReportService.FileReport": true, "WorkplaceService.ListWorkplaces": true, "ReportService.GetReport": false,
		"ReportService.ListReports": false, "SearchService.SearchReports": false, "WorkplaceService.ListPeople": false,
		"MeasureService.Tabulate": false, "DeviceService.ListDevices": false, "PrincipalService.ListPrincipals": false,
	} {
		require.Equal(t, may, policy.Allow(access.From(tablet), method) == nil, method)
	}

	workers, err := h.dev.ListWorkers(tablet, &pb.ListWorkersRequest{})
	require.NoError(t, err)
	require.Len(t, workers.GetWorkers(), 1, "only who works there, and agreed")
	turn := func(who, pin string) (*pb.BeginTurnResponse, error) {
		return h.dev.BeginTurn(tablet, &pb.BeginTurnRequest{Principal: "principals/" + who, Pin: pin})
	}
	_, err = turn("fern", "4071")
	require.Equal(t, codes.Unauthenticated, status.Code(err), "no PIN yet")
	fern := access.With(t.Context(), access.Principal{Name: "principals/fern", Roles: []pb.Role{pb.Role_ROLE_SUPERVISOR}})
	for _, pin := range []string{"1111", "1234", "87654321"} {
		_, err = h.who.SetPin(fern, &pb.SetPinRequest{Name: "principals/fern", Pin: pin})
		require.Equal(t, codes.InvalidArgument, status.Code(err), pin)
	}
	_, err = h.who.SetPin(fern, &pb.SetPinRequest{Name: "principals/moss", Pin: "4071"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = h.who.SetPin(fern, &pb.SetPinRequest{Name: "principals/fern", Pin: "4071"})
	require.NoError(t, err)
	got, err := turn("fern", "4071")
	require.NoError(t, err)
	who := access.From(h.as(got.GetSecret()))
	require.Equal(t, "principals/fern", who.Name)
	require.False(t, who.Has(pb.Role_ROLE_SUPERVISOR), "at the tablet nobody is more than somebody who files")
	require.Error(t, policy.Allow(who, "ReportService.GetReport"))
	require.NoError(t, policy.Allow(who, "ReportService.FileReport"))
	h.pass(16 * time.Minute)
	_, err = h.reg.ByToken(got.GetSecret())
	require.Error(t, err, "a turn is short")

	// A wrong PIN again and again is slowed down, also with the right one at
	// the end; another person at the same tablet is not.
	slowed := false
	for range 8 {
		_, err = turn("fern", "9999")
		slowed = slowed || status.Code(err) == codes.Unavailable
	}
	require.True(t, slowed)
	_, err = turn("fern", "4071")
	require.Equal(t, codes.Unavailable, status.Code(err))
	_, err = turn("moss", "4071")
	require.Equal(t, codes.Unauthenticated, status.Code(err))
	h.pass(20 * time.Minute)
	got, err = turn("fern", "4071")
	require.NoError(t, err)

	// Lost: one call, and neither it nor a turn at it does anything.
	_, err = h.dev.EndDevice(admin(t), &pb.EndDeviceRequest{Name: in.GetDevice().GetName()})
	require.NoError(t, err)
	for _, s := range []string{in.GetSecret(), got.GetSecret()} {
		_, err = h.reg.ByToken(s)
		require.ErrorIs(t, err, access.ErrOver)
	}
	_, err = h.dev.RenewEnrolment(admin(t), &pb.RenewEnrolmentRequest{Name: in.GetDevice().GetName()})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
}

// TestEnrolment: codes are over after ten minutes, guesses are slowed down, a
// new code takes the old tablet's place, and one code lets one of many in.
func TestEnrolment(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	made, err := h.dev.CreateDevice(admin(t), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 1", Workplace: "workplaces/trees"}})
	require.NoError(t, err)
	h.pass(11 * time.Minute)
	_, err = h.dev.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: made.GetCode()})
	require.Equal(t, codes.Unauthenticated, status.Code(err))
	renew := func() *pb.CreateDeviceResponse {
		t.Helper()
		r, err := h.dev.RenewEnrolment(admin(t), &pb.RenewEnrolmentRequest{Name: made.GetDevice().GetName()})
		require.NoError(t, err)
		return r
	}
	code := renew().GetCode()
	var mu sync.Mutex
	var wg sync.WaitGroup
	var secrets []string
	for range 4 {
		wg.Go(func() {
			if in, err := h.dev.EnrolDevice(context.Background(), &pb.EnrolDeviceRequest{Code: code}); err == nil {
				mu.Lock()
				defer mu.Unlock()
				secrets = append(secrets, in.GetSecret())
			}
		})
	}
	wg.Wait()
	require.Len(t, secrets, 1)
	in, err := h.dev.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: renew().GetCode()})
	require.NoError(t, err)
	_, err = h.reg.ByToken(secrets[0])
	require.ErrorIs(t, err, access.ErrUnknownToken, "the tablet that was set up anew has a new secret only")
	_, err = h.reg.ByToken(in.GetSecret())
	require.NoError(t, err)
	slowed := 0
	for i := range 20 {
		_, err = h.dev.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: fmt.Sprintf("AAAAAA%02d", i)})
		if status.Code(err) == codes.Unavailable {
			slowed++
		}
	}
	require.GreaterOrEqual(t, slowed, 10)
	_, err = h.dev.CreateDevice(admin(t), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "x", Workplace: "workplaces/moon"}})
	require.ErrorContains(t, err, "device.workplace")
}
