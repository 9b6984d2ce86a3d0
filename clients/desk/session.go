package desk

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"net/http"
	"sync"
	"time"

	"google.golang.org/grpc/metadata"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Lifetimes of a session.
const (
	idle    = 2 * time.Hour
	longest = 12 * time.Hour
)

const cookieName = "fairlead_session"

// session is one signed-in browser.
type session struct {
	token       string
	who         *pb.Principal
	begun, used time.Time
	// written is the sequence number of the last write in this session, so
	// that the next page shows it.
	written int64
	// searches are the words looked for, the newest last; under the lock of
	// the sessions.
	searches []search
}

// may reports whether the principal may call a method.
func (s *session) may(method string) bool {
	for _, m := range s.who.GetMethods() {
		if m == method {
			return true
		}
	}
	return false
}

// sessions are the signed-in browsers, by the random id in their cookie.
type sessions struct {
	clock func() time.Time
	mu    sync.Mutex
	byID  map[string]*session
}

func newSessions(clock func() time.Time) *sessions {
	return &sessions{clock: clock, byID: map[string]*session{}}
}

// begin starts a session and returns its id, which is always new: an id that a
// browser brought along is never taken over.
func (s *sessions) begin(token string, who *pb.Principal) (string, error) {
	var raw [32]byte
	if _, err := rand.Read(raw[:]); err != nil {
		return "", err
	}
	id := base64.RawURLEncoding.EncodeToString(raw[:])
	now := s.clock()
	s.mu.Lock()
	defer s.mu.Unlock()
	for old, v := range s.byID {
		if over(v, now) {
			delete(s.byID, old)
		}
	}
	s.byID[id] = &session{token: token, who: who, begun: now, used: now}
	return id, nil
}

func over(v *session, now time.Time) bool {
	return now.Sub(v.used) > idle || now.Sub(v.begun) > longest
}

// find returns a copy of a live session.
func (s *sessions) find(id string) (session, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v, ok := s.byID[id]
	now := s.clock()
	if !ok || over(v, now) {
		delete(s.byID, id)
		return session{}, false
	}
	v.used = now
	return *v, true
}

// wrote remembers the sequence number of a write.
func (s *sessions) wrote(id string, seq int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if v, ok := s.byID[id]; ok && seq > v.written {
		v.written = seq
	}
}

func (s *sessions) end(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.byID, id)
}

// visit is one request of a signed-in person.
type visit struct {
	session
	id string
	w  http.ResponseWriter
	r  *http.Request
}

// ctx returns a context that calls the services as the person.
func (v *visit) ctx() context.Context { return as(v.r.Context(), v.token) }

func as(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// May reports, for a page, whether the person may call a method.
func (v *visit) May(method string) bool { return v.may(method) }

// Name is what to call the person.
func (v *visit) Name() string {
	if n := v.who.GetDisplayName(); n != "" {
		return n
	}
	return v.who.GetName()
}

// Roles are the person's roles.
func (v *visit) Roles() []pb.Role { return v.who.GetRoles() }

// Places are the workplaces that the roles hold for; none means all.
func (v *visit) Places() []string { return v.who.GetWorkplaces() }
