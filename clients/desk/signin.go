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
			d.renderSignIn(w, r, http.StatusUnauthorized, signInPage{Resume: r.URL.Path, Kept: keep(r.PostForm, ""),
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

// signInPage is what the sign-in page shows.
type signInPage struct {
	Problem string
	// Next is the page to go to.
	Next string
	// Name is the name that was typed.
	Name string
	// Token says that the access token's part is to be open.
	Token bool
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
	d.renderSignIn(w, r, http.StatusOK, signInPage{Next: r.FormValue("next")})
}

func (d *desk) renderSignIn(w http.ResponseWriter, r *http.Request, code int, s signInPage) {
	w.Header().Set("Cache-Control", "no-store")
	ways, err := d.signins.GetSignInWays(r.Context(), &pb.GetSignInWaysRequest{})
	if err != nil {
		ways = &pb.SignInWays{} // passwords and tokens need no asking
	}
	d.pages.render(w, code, "signin", view{Title: "Sign in", Here: "signin", Data: map[string]any{
		"In": s, "Ways": ways, "Demo": d.opts.Demo, "FormOpen": d.opts.FormToken != ""}})
}

// again returns a function that shows the sign-in page again with what was
// typed, but for secrets, and with what is wrong.
func (d *desk) again(w http.ResponseWriter, r *http.Request, s signInPage) func(code int, problem string) {
	return func(code int, problem string) {
		s.Problem = problem
		d.renderSignIn(w, r, code, s)
	}
}

// signIn takes the sign-in form: a passkey's answer, a name with a password, or
// an access token.
func (d *desk) signIn(w http.ResponseWriter, r *http.Request) {
	allowed := d.doors.allow(remote(r))
	if err := r.ParseForm(); err != nil {
		d.renderSignIn(w, r, http.StatusUnprocessableEntity, signInPage{Problem: "What was sent could not be read. Try again."})
		return
	}
	s := signInPage{Next: r.PostForm.Get("next"), Resume: r.PostForm.Get("resume"), Kept: keep(r.PostForm, keptPrefix), Name: r.PostForm.Get("name")}
	again := d.again(w, r, s)
	if !allowed {
		again(http.StatusTooManyRequests, "Too many tries from here. Wait a minute and try again.")
		return
	}
	var in *pb.SignedIn
	var err error
	token := strings.TrimSpace(r.PostForm.Get("token"))
	switch {
	case r.PostForm.Get("answer") != "":
		in, err = d.signins.FinishPasskey(r.Context(), &pb.FinishPasskeyRequest{Ticket: r.PostForm.Get("ticket"), AnswerJson: r.PostForm.Get("answer")})
	case r.PostForm.Get("name") != "" && r.PostForm.Get("password") != "":
		in, err = d.signins.SignInWithPassword(r.Context(), &pb.SignInWithPasswordRequest{SignInName: s.Name, Password: r.PostForm.Get("password")})
	case r.PostForm.Has("token"):
		s.Token = true
		d.signInWithToken(w, r, s, token)
		return
	default:
		again(http.StatusUnprocessableEntity, "Type your name and your password.")
		return
	}
	if err != nil {
		d.notSignedIn(w, r, s, err)
		return
	}
	d.sessions.fresh(in.GetSecret())
	d.comeIn(w, r, s, in.GetSecret())
}

// notSignedIn says why somebody was not let in.
func (d *desk) notSignedIn(w http.ResponseWriter, r *http.Request, s signInPage, err error) {
	again := d.again(w, r, s)
	switch status.Code(err) {
	case codes.Unauthenticated:
		again(http.StatusUnprocessableEntity, sentence(status.Convert(err).Message()))
	case codes.InvalidArgument:
		again(http.StatusUnprocessableEntity, "That name and password do not belong together here. Try again, or ask whoever looks after access.")
	case codes.ResourceExhausted:
		again(http.StatusTooManyRequests, sentence(status.Convert(err).Message()))
	case codes.Unavailable, codes.FailedPrecondition:
		again(http.StatusServiceUnavailable, sentence(status.Convert(err).Message()))
	default:
		d.problem(w, nil, err)
	}
}

// sentence writes a message as a sentence of a page.
func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// signInWithToken lets somebody in with an access token.
func (d *desk) signInWithToken(w http.ResponseWriter, r *http.Request, s signInPage, token string) {
	again := d.again(w, r, s)
	if token == "" {
		again(http.StatusUnprocessableEntity, "Type or paste your access token.")
		return
	}
	if strings.ContainsFunc(token, func(c rune) bool { return c < '!' || c > '~' }) {
		again(http.StatusUnprocessableEntity, "That is no access token: it has letters, digits and signs only. Copy it again.")
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
	d.comeIn(w, r, s, id)
}

// comeIn gives the browser its session and leads to where it was going. A
// session that the browser had before ends.
func (d *desk) comeIn(w http.ResponseWriter, r *http.Request, s signInPage, cookie string) {
	d.endHeld(r)
	give(w, r, cookie)
	if isOurs(s.Resume) && len(s.Kept) > 0 {
		v, ok := d.visitWith(w, r, cookie)
		if !ok {
			http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
			return
		}
		w.Header().Set("Cache-Control", "no-store")
		d.pages.render(w, http.StatusOK, "resume", view{Title: "Send it now", Visit: v, Data: map[string]any{"In": s}})
		return
	}
	if !isOurs(s.Next) {
		s.Next = "/"
	}
	http.Redirect(w, r, s.Next, http.StatusSeeOther)
}

// endHeld ends the session that a browser brought along, here and at the
// services.
func (d *desk) endHeld(r *http.Request) {
	cookie, ok := held(r)
	if !ok {
		return
	}
	if s, ok := d.sessions.find(cookie); ok && strings.HasPrefix(cookie, sessionPrefix) {
		// One that is over already is fine.
		_, _ = d.signins.SignOut(as(r.Context(), s.token), &pb.SignOutRequest{})
	}
	d.sessions.end(cookie)
}

// isOurs reports whether an address is a path of this site: anything else
// could lead somebody astray.
func isOurs(next string) bool {
	return strings.HasPrefix(next, "/") && !strings.HasPrefix(next, "//") && !strings.ContainsAny(next, "\\\t\r\n")
}

func (d *desk) signOut(w http.ResponseWriter, r *http.Request) {
	d.endHeld(r)
	give(w, r, "")
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}
