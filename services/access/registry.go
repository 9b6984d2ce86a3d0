package access

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Prefixes of secrets, so that one that was found somewhere can be told apart.
const (
	prefixSession = "fs_"
	prefixDevice  = "fd_"
	prefixToken   = "ft_"
)

// ErrOver says that a secret was known once and lets nobody in any more.
var ErrOver = errors.New("access: it has been ended")

// Log is the part of a ledger that the registry follows.
type Log interface {
	ledger.Source
	Head(ctx context.Context) (ledger.Head, error)
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// Registry is the projection of principals, sessions, tokens and tablets: it
// answers who a secret belongs to, from memory, and follows the log, so that
// what one server ends is ended on every other a moment later.
type Registry struct {
	log    Log
	clock  func() time.Time
	cursor ledger.Cursor

	mu         sync.RWMutex
	principals map[string]*pb.Principal
	sessions   map[string]*pb.Session
	tokens     map[string]*pb.Token
	devices    map[string]*pb.Device
	revisions  map[string]int64
	// bySecret leads from the SHA-256 of a secret to the name of a session,
	// token or device; byCode from that of an enrolment code to a device.
	bySecret, byCode map[string]string
	// bySignIn leads from the name that somebody signs in with.
	bySignIn map[string]string
	seen     map[string]string // device: day it was last heard of
}

// NewRegistry returns an empty registry over a log.
func NewRegistry(log Log, clock func() time.Time) *Registry {
	return &Registry{
		log: log, clock: clock,
		principals: map[string]*pb.Principal{}, sessions: map[string]*pb.Session{},
		tokens: map[string]*pb.Token{}, devices: map[string]*pb.Device{}, revisions: map[string]int64{},
		bySecret: map[string]string{}, byCode: map[string]string{}, bySignIn: map[string]string{}, seen: map[string]string{},
	}
}

// CatchUp brings the registry to the head of the log.
func (g *Registry) CatchUp(ctx context.Context) error {
	head, err := g.log.Head(ctx)
	if err != nil {
		return fmt.Errorf("access: catch up: %w", err)
	}
	if g.cursor.Seq() >= head.Seq {
		return nil
	}
	const page = 1000
	for _, kind := range []string{record.KindPrincipal, record.KindSession, record.KindToken, record.KindDevice} {
		for after := ""; ; {
			list, err := g.log.List(ctx, kind, "", after, page)
			if err != nil {
				return fmt.Errorf("access: catch up: %w", err)
			}
			for _, r := range list {
				after = r.Name
				if err := g.take(kind, r.Name, r.Body, r.Revision, r.Erased); err != nil {
					return err
				}
			}
			if len(list) < page {
				break
			}
		}
	}
	g.cursor.Advance(head.Seq)
	return nil
}

// Run follows the log until ctx ends.
func (g *Registry) Run(ctx context.Context) error {
	return ledger.Follow(ctx, g.log, g.cursor.Seq(), 500, func(_ context.Context, changes []ledger.Change) error {
		for _, c := range changes {
			if err := g.take(c.Kind, c.Name, c.Body, c.Revision, c.Erased); err != nil {
				return err
			}
		}
		g.cursor.Advance(changes[len(changes)-1].Seq)
		return nil
	})
}

// Wait returns when the registry has applied seq.
func (g *Registry) Wait(ctx context.Context, seq int64) error { return g.cursor.Wait(ctx, seq) }

// Seq returns the last change applied.
func (g *Registry) Seq() int64 { return g.cursor.Seq() }

// take applies one state of a resource; an older one than it knows changes
// nothing.
func (g *Registry) take(kind, name string, body []byte, revision int64, erased bool) error {
	var m proto.Message
	switch kind {
	case record.KindPrincipal:
		m = &pb.Principal{}
	case record.KindSession:
		m = &pb.Session{}
	case record.KindToken:
		m = &pb.Token{}
	case record.KindDevice:
		m = &pb.Device{}
	default:
		return nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.revisions[name] >= revision {
		return nil
	}
	if erased {
		return nil // a later revision says what remains
	}
	if err := record.Read(body, revision, m); err != nil {
		return fmt.Errorf("access: registry: %w", err)
	}
	g.revisions[name] = revision
	switch m := m.(type) {
	case *pb.Principal:
		if old := g.principals[name]; old.GetSignInName() != "" {
			// In one write somebody else may have taken the name already.
			if was := signInKey(old.GetSignInName()); g.bySignIn[was] == name {
				delete(g.bySignIn, was)
			}
		}
		g.principals[name] = m
		if m.GetSignInName() != "" && m.GetState() != pb.PrincipalState_PRINCIPAL_STATE_LEFT {
			g.bySignIn[signInKey(m.GetSignInName())] = name
		}
	case *pb.Session:
		g.secret(g.sessions[name].GetSecretSha256(), m.GetSecretSha256(), name)
		g.sessions[name] = m
		if m.GetEnded() || !g.clock().Before(m.GetEndTime().AsTime()) {
			// Kept out of memory: nobody comes in with it any more.
			delete(g.sessions, name)
			delete(g.bySecret, m.GetSecretSha256())
		}
	case *pb.Token:
		g.secret(g.tokens[name].GetSecretSha256(), m.GetSecretSha256(), name)
		g.tokens[name] = m
	case *pb.Device:
		old := g.devices[name]
		g.secret(old.GetSecretSha256(), m.GetSecretSha256(), name)
		delete(g.byCode, old.GetCodeSha256())
		if m.GetCodeSha256() != "" {
			g.byCode[m.GetCodeSha256()] = name
		}
		g.devices[name] = m
	}
	return nil
}

func (g *Registry) secret(old, now, name string) {
	if old != now {
		delete(g.bySecret, old)
	}
	if now != "" {
		g.bySecret[now] = name
	}
}

// signInKey is a sign-in name as it is compared: without regard to case.
func signInKey(name string) string { return strings.ToLower(strings.TrimSpace(name)) }

// Issued reports whether a token has the form of one that the registry keeps.
func Issued(token string) bool {
	return strings.HasPrefix(token, prefixSession) || strings.HasPrefix(token, prefixDevice) || strings.HasPrefix(token, prefixToken)
}

// ByToken returns whom a secret belongs to. ErrUnknownToken says that it never
// let anybody in here, ErrOver that it does not any more.
func (g *Registry) ByToken(token string) (Principal, error) {
	h := hash(token)
	g.mu.RLock()
	name, known := g.bySecret[h]
	who, err := g.known(name)
	g.mu.RUnlock()
	if !known {
		return Principal{}, ErrUnknownToken
	}
	if err == nil && who.Device != "" {
		g.heard(who.Device)
	}
	return who, err
}

// known returns the principal behind a session, token or device.
func (g *Registry) known(name string) (Principal, error) {
	now := g.clock()
	switch {
	case strings.HasPrefix(name, "sessions/"):
		s := g.sessions[name]
		if s.GetEnded() || !now.Before(s.GetEndTime().AsTime()) {
			return Principal{}, ErrOver
		}
		who, err := g.active(s.GetPrincipal())
		if err != nil {
			return Principal{}, err
		}
		if who.Session = name; s.GetDevice() != "" {
			// A turn at a tablet: whoever it is, it is for filing only.
			if g.devices[s.GetDevice()].GetEndTime() != nil {
				return Principal{}, ErrOver
			}
			who = who.with([]Grant{{Role: pb.Role_ROLE_DEVICE}})
			who.Device = s.GetDevice()
		}
		return who, nil
	case strings.HasPrefix(name, "tokens/"):
		t := g.tokens[name]
		if t.GetEnded() || t.GetExpireTime() != nil && !now.Before(t.GetExpireTime().AsTime()) {
			return Principal{}, ErrOver
		}
		return g.active(t.GetPrincipal())
	case strings.HasPrefix(name, "devices/"):
		d := g.devices[name]
		if d.GetEndTime() != nil {
			return Principal{}, ErrOver
		}
		who := Granted(name, d.GetDisplayName(), []Grant{{Role: pb.Role_ROLE_DEVICE}})
		who.Device = name
		return who, nil
	}
	return Principal{}, ErrUnknownToken
}

// active returns a principal who may come in.
func (g *Registry) active(name string) (Principal, error) {
	p := g.principals[name]
	if p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE {
		return Principal{}, ErrOver
	}
	var grants []Grant
	for _, gr := range p.GetGrants() {
		grants = append(grants, Grant{Role: gr.GetRole(), Workplaces: gr.GetWorkplaces(), Reports: gr.GetReports()})
	}
	return Granted(name, p.GetDisplayName(), grants), nil
}

// Active returns a principal who may come in, with their roles; false when there
// is none of the name, or they may not come in now.
func (g *Registry) Active(name string) (Principal, bool) {
	g.mu.RLock()
	defer g.mu.RUnlock()
	who, err := g.active(name)
	return who, err == nil
}

// heard notes that a tablet was heard of today. It stays in this server's
// memory: which hour, and who used it, is written nowhere.
func (g *Registry) heard(device string) {
	day := g.clock().UTC().Format(time.DateOnly)
	g.mu.Lock()
	defer g.mu.Unlock()
	g.seen[device] = day
}

// Principal returns a principal as it is kept.
func (g *Registry) Principal(name string) (*pb.Principal, bool) {
	g.mu.RLock()
	defer g.mu.RUnlock()
	p, ok := g.principals[name]
	if !ok {
		return nil, false
	}
	return proto.Clone(p).(*pb.Principal), true
}

// BySignInName returns the principal who signs in with a name.
func (g *Registry) BySignInName(name string) (*pb.Principal, bool) {
	g.mu.RLock()
	principal, ok := g.bySignIn[signInKey(name)]
	g.mu.RUnlock()
	if !ok {
		return nil, false
	}
	return g.Principal(principal)
}

// Principals returns at most limit principals after a name, in the order of
// their names, and whether there are more.
func (g *Registry) Principals(after string, limit int, left bool) (out []*pb.Principal, more bool) {
	g.mu.RLock()
	defer g.mu.RUnlock()
	var names []string
	for n, p := range g.principals {
		if n > after && (left || p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_LEFT) {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	if more = len(names) > limit; more {
		names = names[:limit]
	}
	for _, n := range names {
		out = append(out, proto.Clone(g.principals[n]).(*pb.Principal))
	}
	return out, more
}

// Sessions returns the open sessions of a principal, newest first.
func (g *Registry) Sessions(principal string) []*pb.Session {
	g.mu.RLock()
	defer g.mu.RUnlock()
	var out []*pb.Session
	for _, s := range g.sessions {
		if s.GetPrincipal() == principal && !s.GetEnded() && g.clock().Before(s.GetEndTime().AsTime()) {
			out = append(out, proto.Clone(s).(*pb.Session))
		}
	}
	slices.SortFunc(out, func(a, b *pb.Session) int {
		if c := b.GetBeginTime().AsTime().Compare(a.GetBeginTime().AsTime()); c != 0 {
			return c
		}
		return strings.Compare(a.GetName(), b.GetName())
	})
	return out
}

// Tokens returns the tokens of a principal that are in force, newest first.
func (g *Registry) Tokens(principal string) []*pb.Token {
	g.mu.RLock()
	defer g.mu.RUnlock()
	var out []*pb.Token
	for _, t := range g.tokens {
		over := t.GetEnded() || t.GetExpireTime() != nil && !g.clock().Before(t.GetExpireTime().AsTime())
		if t.GetPrincipal() == principal && !over {
			out = append(out, proto.Clone(t).(*pb.Token))
		}
	}
	slices.SortFunc(out, func(a, b *pb.Token) int {
		if c := b.GetCreateTime().AsTime().Compare(a.GetCreateTime().AsTime()); c != 0 {
			return c
		}
		return strings.Compare(a.GetName(), b.GetName())
	})
	return out
}

// Devices returns the tablets, in the order of what they are called.
func (g *Registry) Devices(ended bool) []*pb.Device {
	g.mu.RLock()
	defer g.mu.RUnlock()
	var out []*pb.Device
	for n, d := range g.devices {
		if d.GetEndTime() == nil || ended {
			d = proto.Clone(d).(*pb.Device)
			d.LastSeenDate = g.seen[n]
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(a, b *pb.Device) int {
		if c := strings.Compare(a.GetDisplayName(), b.GetDisplayName()); c != 0 {
			return c
		}
		return strings.Compare(a.GetName(), b.GetName())
	})
	return out
}

// Device returns a tablet as it is kept.
func (g *Registry) Device(name string) (*pb.Device, bool) {
	g.mu.RLock()
	defer g.mu.RUnlock()
	d, ok := g.devices[name]
	if !ok {
		return nil, false
	}
	return proto.Clone(d).(*pb.Device), true
}

// ByCode returns the tablet that waits for an enrolment code.
func (g *Registry) ByCode(code string) (*pb.Device, bool) {
	g.mu.RLock()
	name, ok := g.byCode[HashSecret(code)]
	g.mu.RUnlock()
	if !ok {
		return nil, false
	}
	return g.Device(name)
}

// Administrators counts the principals who may come in as administrators of
// the whole house.
func (g *Registry) Administrators() (n int) {
	g.mu.RLock()
	defer g.mu.RUnlock()
	for _, p := range g.principals {
		if p.GetState() == pb.PrincipalState_PRINCIPAL_STATE_ACTIVE &&
			slices.ContainsFunc(p.GetGrants(), func(gr *pb.Grant) bool {
				return gr.GetRole() == pb.Role_ROLE_ADMINISTRATOR && len(gr.GetWorkplaces()) == 0
			}) {
			n++
		}
	}
	return n
}

// HashSecret is the form in which a secret of at least 40 random bits is kept.
func HashSecret(secret string) string { return hash(secret) }

// NewSessionSecret, NewDeviceSecret and NewTokenSecret make secrets of 160
// random bits.
func NewSessionSecret() (string, error) { return newSecret(prefixSession) }

// NewDeviceSecret makes the secret of a tablet.
func NewDeviceSecret() (string, error) { return newSecret(prefixDevice) }

// NewTokenSecret makes the secret of a program's token.
func NewTokenSecret() (string, error) { return newSecret(prefixToken) }
