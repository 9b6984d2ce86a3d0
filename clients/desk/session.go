package desk

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

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

// signedIn lets only signed-in people through to a page; others sign in first
// and come back.
func (d *desk) signedIn(page func(*visit)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		if c, err := r.Cookie(cookieName); err == nil {
			if s, ok := d.sessions.find(c.Value); ok {
				page(&visit{session: s, id: c.Value, w: w, r: r})
				return
			}
		}
		to := "/sign-in"
		if r.Method == http.MethodGet && r.URL.Path != "/" {
			to += "?next=" + url.QueryEscape(r.URL.RequestURI())
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}

func (d *desk) signInForm(w http.ResponseWriter, r *http.Request) {
	d.renderSignIn(w, r, "", http.StatusOK)
}

func (d *desk) renderSignIn(w http.ResponseWriter, r *http.Request, problem string, code int) {
	d.pages.render(w, code, "signin", view{Title: "Sign in", Data: map[string]any{
		"Problem": problem, "Next": r.FormValue("next"), "Demo": d.opts.Demo, "FormOpen": d.opts.FormToken != "",
	}})
}

func (d *desk) signIn(w http.ResponseWriter, r *http.Request) {
	if !d.limit.allow(remote(r)) {
		d.renderSignIn(w, r, "Too many tries from here. Wait a minute and try again.", http.StatusTooManyRequests)
		return
	}
	token := strings.TrimSpace(r.PostFormValue("token"))
	if token == "" {
		d.renderSignIn(w, r, "Type or paste your access token.", http.StatusUnprocessableEntity)
		return
	}
	who, err := d.access.GetMyself(as(r.Context(), token), &pb.GetMyselfRequest{})
	if status.Code(err) == codes.Unauthenticated {
		d.renderSignIn(w, r, "That token is not known here. Check it letter by letter, or ask whoever looks after access for a new one.", http.StatusUnprocessableEntity)
		return
	}
	if err != nil {
		d.problem(w, nil, err)
		return
	}
	id, err := d.sessions.begin(token, who)
	if err != nil {
		d.problem(w, nil, err)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: id, Path: "/", HttpOnly: true,
		Secure: r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https", SameSite: http.SameSiteStrictMode})
	next := r.PostFormValue("next")
	// Only a path of this site: anything else could lead somebody astray.
	if !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.Contains(next, "\\") {
		next = "/"
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

func (d *desk) signOut(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(cookieName); err == nil {
		d.sessions.end(c.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
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
