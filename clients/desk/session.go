package desk

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Lifetimes of a session that was begun with an access token; those of others
// are kept by the services.
const (
	idle    = 2 * time.Hour
	longest = 12 * time.Hour
	// keepEvery is how often the services are told that a session is in use.
	keepEvery = 30 * time.Minute
)

// sessionPrefix is how the secret of a session of the services begins.
const sessionPrefix = "fs_"

// session is one signed-in browser.
type session struct {
	token       string
	who         *pb.Principal
	begun, used time.Time
	// kept is when the services were last told that it is in use.
	kept time.Time
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

// sessions are the signed-in browsers. One that signed in by the services is
// known by their secret, on every server; what this one remembers of it is a
// convenience. One with an access token is known here alone.
type sessions struct {
	clock func() time.Time
	mu    sync.Mutex
	byID  map[string]*session
}

func newSessions(clock func() time.Time) *sessions {
	return &sessions{clock: clock, byID: map[string]*session{}}
}

// idOf is under what a cookie's session is remembered: not under the secret
// itself, which then stands in no memory but for the call at hand.
func idOf(cookie string) string {
	if !strings.HasPrefix(cookie, sessionPrefix) {
		return cookie
	}
	h := sha256.Sum256([]byte(cookie))
	return base64.RawURLEncoding.EncodeToString(h[:])
}

// begin starts a session with an access token and returns the value of its
// cookie, which is always new: an id that a browser brought along is never
// taken over.
func (s *sessions) begin(token string, who *pb.Principal) (string, error) {
	var raw [32]byte
	if _, err := rand.Read(raw[:]); err != nil {
		return "", err
	}
	id := base64.RawURLEncoding.EncodeToString(raw[:])
	s.mu.Lock()
	defer s.mu.Unlock()
	s.put(id, &session{token: token, who: who})
	return id, nil
}

// put remembers a session under the lock, and forgets those that are over.
func (s *sessions) put(id string, v *session) {
	now := s.clock()
	for old, v := range s.byID {
		if over(v, now) {
			delete(s.byID, old)
		}
	}
	v.begun, v.used = now, now
	s.byID[id] = v
}

func over(v *session, now time.Time) bool {
	return now.Sub(v.used) > idle || now.Sub(v.begun) > longest
}

// find returns a copy of a live session. That of a secret of the services is
// made when it is not known here: it may have been begun on another server.
func (s *sessions) find(cookie string) (session, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	id, now := idOf(cookie), s.clock()
	v, ok := s.byID[id]
	if ok && over(v, now) {
		delete(s.byID, id)
		return session{}, false
	}
	if !ok {
		if !strings.HasPrefix(cookie, sessionPrefix) || len(cookie) > 100 {
			return session{}, false
		}
		return session{token: cookie}, true
	}
	v.used = now
	out := *v
	if strings.HasPrefix(cookie, sessionPrefix) {
		out.token = cookie
	}
	return out, true
}

// seen remembers who a session belongs to, and reports whether the services
// should be told that it is in use.
func (s *sessions) seen(cookie string, who *pb.Principal) (tell bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := idOf(cookie)
	v, ok := s.byID[id]
	if !ok {
		v = &session{}
		s.put(id, v)
	}
	v.who = who
	if !strings.HasPrefix(cookie, sessionPrefix) || s.clock().Sub(v.kept) < keepEvery {
		return false
	}
	v.kept = s.clock()
	return true
}

// fresh remembers a session of the services that was begun just now.
func (s *sessions) fresh(cookie string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.put(idOf(cookie), &session{kept: s.clock()})
}

// wrote remembers the sequence number of a write.
func (s *sessions) wrote(id string, seq int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if v, ok := s.byID[id]; ok && seq > v.written {
		v.written = seq
	}
}

func (s *sessions) end(cookie string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.byID, idOf(cookie))
}

// Names of the session's cookie. Over TLS it has a prefix with which a browser
// takes it from this host alone, and only when it is secure and for every path
// (RFC 6265bis).
const (
	cookieName       = "fairlead_session"
	cookieNameSecure = "__Host-fairlead_session"
)

// secure reports whether the browser speaks TLS, here or to a proxy in front.
func secure(r *http.Request) bool {
	return r.TLS != nil || strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")
}

// held returns what the session cookie holds.
func held(r *http.Request) (string, bool) {
	name := cookieName
	if secure(r) {
		name = cookieNameSecure
	}
	// Two of one name come from somebody who plants cookies: neither counts.
	all := r.CookiesNamed(name)
	if len(all) != 1 || all[0].Value == "" {
		return "", false
	}
	return all[0].Value, true
}

// give sets the session cookie; an empty value takes it away.
func give(w http.ResponseWriter, r *http.Request, value string) {
	c := &http.Cookie{Name: cookieName, Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode}
	if secure(r) {
		c.Name, c.Secure = cookieNameSecure, true
	}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// visit returns the visit of somebody who has signed in. Who it is and what they
// may do is asked each time: what was taken away is gone at once.
func (d *desk) visit(w http.ResponseWriter, r *http.Request) (*visit, bool) {
	cookie, ok := held(r)
	if !ok {
		return nil, false
	}
	return d.visitWith(w, r, cookie)
}

// visitWith is visit with what the cookie holds, or will hold.
func (d *desk) visitWith(w http.ResponseWriter, r *http.Request, cookie string) (*visit, bool) {
	s, ok := d.sessions.find(cookie)
	if !ok {
		return nil, false
	}
	ctx := as(r.Context(), s.token)
	who, err := d.access.GetMyself(ctx, &pb.GetMyselfRequest{})
	switch {
	case status.Code(err) == codes.Unauthenticated:
		d.sessions.end(cookie)
		return nil, false
	case err != nil && s.who == nil:
		return nil, false
	case err == nil:
		s.who = who
		if d.sessions.seen(cookie, who) {
			// If it fails the session ends when it would have ended.
			_, _ = d.signins.KeepSession(ctx, &pb.KeepSessionRequest{})
		}
	}
	return &visit{session: s, id: idOf(cookie), w: w, r: r}, true
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

// callerHeader tells the services the network address that a page was asked
// from, so that they can slow down who guesses; they believe it from within
// only.
const callerHeader = "fairlead-caller"

// called puts the address that a page is asked from into every call it makes.
func called(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil && host != "" {
			r = r.WithContext(metadata.AppendToOutgoingContext(r.Context(), callerHeader, remote(r)))
		}
		next.ServeHTTP(w, r)
	})
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
