package desk

import (
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// signedIn lets only signed-in people through to a page; others sign in first
// and come back. A form that was sent after the session had ended is kept in
// the sign-in page, so that nothing is typed twice.
func (d *desk) signedIn(page func(*visit)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		if v, ok := d.visit(w, r); ok {
			page(v)
			return
		}
		if r.Method == http.MethodPost && isPlainForm(r) && r.ParseForm() == nil {
			d.renderSignIn(w, http.StatusUnauthorized, signInPage{Resume: r.URL.Path, Kept: keep(r.PostForm, ""),
				Problem: "You were signed out before this was sent. Nothing was stored, and your words are kept in this page: sign in and send them then."})
			return
		}
		to := "/sign-in"
		if r.Method == http.MethodGet && r.URL.Path != "/" {
			to += "?next=" + url.QueryEscape(r.URL.RequestURI())
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}

// visit returns the visit of somebody who has signed in.
func (d *desk) visit(w http.ResponseWriter, r *http.Request) (*visit, bool) {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return nil, false
	}
	s, ok := d.sessions.find(c.Value)
	if !ok {
		return nil, false
	}
	return &visit{session: s, id: c.Value, w: w, r: r}, true
}

// signInPage is what the sign-in page shows.
type signInPage struct {
	Problem string
	// Next is the page to go to.
	Next string
	// Resume is where a kept form goes, and Kept are its fields.
	Resume string
	Kept   []kept
}

// kept is a field of a form that waits for its sender to sign in.
type kept struct{ Name, Value string }

// technical are fields that a person did not type.
var technical = []string{"etag", "request_id", "report_id", "harm_id", "harm"}

// Typed reports whether a person typed the field.
func (k kept) Typed() bool { return k.Value != "" && !slices.Contains(technical, k.Name) }

// keptPrefix marks the fields of a kept form in the sign-in form.
const keptPrefix = "kept:"

// keep lists the fields of a form that carry a prefix, without it, by name.
func keep(form url.Values, prefix string) []kept {
	var out []kept
	for name, values := range form {
		if bare, ok := strings.CutPrefix(name, prefix); ok {
			for _, v := range values {
				out = append(out, kept{bare, v})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b kept) int { return strings.Compare(a.Name, b.Name) })
	return out
}

func isPlainForm(r *http.Request) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && kind == "application/x-www-form-urlencoded"
}

func (d *desk) signInForm(w http.ResponseWriter, r *http.Request) {
	d.renderSignIn(w, http.StatusOK, signInPage{Next: r.FormValue("next")})
}

func (d *desk) renderSignIn(w http.ResponseWriter, code int, s signInPage) {
	w.Header().Set("Cache-Control", "no-store")
	d.pages.render(w, code, "signin", view{Title: "Sign in", Here: "signin", Data: map[string]any{
		"In": s, "Demo": d.opts.Demo, "FormOpen": d.opts.FormToken != ""}})
}

func (d *desk) signIn(w http.ResponseWriter, r *http.Request) {
	allowed := d.doors.allow(remote(r))
	if err := r.ParseForm(); err != nil {
		d.renderSignIn(w, http.StatusUnprocessableEntity, signInPage{Problem: "What was sent could not be read. Try again."})
		return
	}
	s := signInPage{Next: r.PostForm.Get("next"), Resume: r.PostForm.Get("resume"), Kept: keep(r.PostForm, keptPrefix)}
	again := func(code int, problem string) {
		s.Problem = problem
		d.renderSignIn(w, code, s)
	}
	if !allowed {
		again(http.StatusTooManyRequests, "Too many tries from here. Wait a minute and try again.")
		return
	}
	token := strings.TrimSpace(r.PostForm.Get("token"))
	if token == "" {
		again(http.StatusUnprocessableEntity, "Type or paste your access token.")
		return
	}
	who, err := d.access.GetMyself(as(r.Context(), token), &pb.GetMyselfRequest{})
	if status.Code(err) == codes.Unauthenticated {
		again(http.StatusUnprocessableEntity, "That token is not known here. Check it letter by letter, or ask whoever looks after access for a new one.")
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
	if c, err := r.Cookie(cookieName); err == nil {
		d.sessions.end(c.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: id, Path: "/", HttpOnly: true,
		Secure: r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https", SameSite: http.SameSiteStrictMode})
	if isOurs(s.Resume) && len(s.Kept) > 0 {
		session, _ := d.sessions.find(id)
		w.Header().Set("Cache-Control", "no-store")
		d.pages.render(w, http.StatusOK, "resume", view{Title: "Send it now", Visit: &visit{session: session, id: id, w: w, r: r}, Data: map[string]any{"In": s}})
		return
	}
	if !isOurs(s.Next) {
		s.Next = "/"
	}
	http.Redirect(w, r, s.Next, http.StatusSeeOther)
}

// isOurs reports whether an address is a path of this site: anything else
// could lead somebody astray.
func isOurs(next string) bool {
	return strings.HasPrefix(next, "/") && !strings.HasPrefix(next, "//") && !strings.ContainsAny(next, "\\\t\r\n")
}

func (d *desk) signOut(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(cookieName); err == nil {
		d.sessions.end(c.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}
