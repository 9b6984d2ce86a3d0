package desk

import (
	"net/http"
	"net/url"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
)

// The ways in that take more than one step: the first password, passkeys, and
// the provider.

// newPasswordForm is where somebody with a one-time code sets a password.
func (d *desk) newPasswordForm(w http.ResponseWriter, r *http.Request) {
	d.renderNewPassword(w, http.StatusOK, "", nil, "")
}

func (d *desk) renderNewPassword(w http.ResponseWriter, code int, problem string, wrong []flaw, name string) {
	w.Header().Set("Cache-Control", "no-store")
	d.pages.render(w, code, "newpassword", view{Title: "Set your password", Here: "signin",
		Data: map[string]any{"Problem": problem, "Flaws": located(wrong, passwordFields), "Name": name}})
}

// passwordFields is how the forms show the fields of a password.
var passwordFields = map[string]shown{
	"sign_in_name": {"Name", "name"}, "code": {"Code", "code"}, "current_password": {"Password until now", "current"},
	"new_password": {"New password", "new"}, "again": {"New password again", "again"},
}

// newPassword sets a password with a code, and lets in.
func (d *desk) newPassword(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimSpace(r.PostFormValue("name"))
	if !d.doors.allow(remote(r)) {
		d.renderNewPassword(w, http.StatusTooManyRequests, "Too many tries from here. Wait a minute and try again.", nil, name)
		return
	}
	if r.PostFormValue("new") != r.PostFormValue("again") {
		d.renderNewPassword(w, http.StatusUnprocessableEntity, "", []flaw{bad("again", "is not the same as the new password; type both again")}, name)
		return
	}
	in, err := d.signins.SetPassword(r.Context(), &pb.SetPasswordRequest{SignInName: name,
		Proof: &pb.SetPasswordRequest_Code{Code: r.PostFormValue("code")}, NewPassword: r.PostFormValue("new")})
	if f, bad := flaws(err); bad {
		d.renderNewPassword(w, http.StatusUnprocessableEntity, "", f, name)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		d.sessions.fresh(in.GetSecret())
		d.comeIn(w, r, signInPage{}, in.GetSecret())
	case codes.Unauthenticated:
		d.renderNewPassword(w, http.StatusUnprocessableEntity, sentence(status.Convert(err).Message()), nil, name)
	case codes.ResourceExhausted:
		d.renderNewPassword(w, http.StatusTooManyRequests, sentence(status.Convert(err).Message()), nil, name)
	default:
		d.problem(w, nil, err)
	}
}

// passkeyChallenge gives the script of the sign-in page a challenge.
func (d *desk) passkeyChallenge(w http.ResponseWriter, r *http.Request) {
	c, err := d.signins.BeginPasskey(r.Context(), &pb.BeginPasskeyRequest{})
	writeChallenge(w, c, err)
}

// writeChallenge answers a script.
func writeChallenge(w http.ResponseWriter, c *pb.PasskeyChallenge, err error) {
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Type", "application/json")
	if err != nil {
		// The script shows the words; which code it was it need not know.
		w.WriteHeader(http.StatusConflict)
		_, _ = w.Write([]byte(protojson.Format(&pb.OpenIDChallenge{Url: sentence(status.Convert(err).Message())})))
		return
	}
	raw, err := protojson.Marshal(c)
	if err != nil {
		w.WriteHeader(http.StatusInternalServerError)
		return
	}
	_, _ = w.Write(raw)
}

// ticketCookie holds the ticket of OpenID Connect while its owner is at the
// provider. It must come along when the provider sends the browser back, so it
// cannot be strict; it is worth nothing without the answer of the provider.
func ticketCookie(r *http.Request, value string) *http.Cookie {
	c := &http.Cookie{Name: "fairlead_openid", Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, MaxAge: 600}
	if secure(r) {
		c.Name, c.Secure = "__Host-fairlead_openid", true
	}
	if value == "" {
		c.MaxAge = -1
	}
	return c
}

// toProvider shows the way to the provider. A redirect from a form would be
// held up by the rule that forms are sent to this site only.
func (d *desk) toProvider(w http.ResponseWriter, r *http.Request, v *visit, c *pb.OpenIDChallenge, next string) {
	if !isOurs(next) {
		next = "/"
	}
	http.SetCookie(w, ticketCookie(r, c.GetTicket()+"."+url.QueryEscape(next)))
	d.onward(w, v, c.GetUrl(), "to the provider")
}

// onward leads to another address by a page of its own.
func (d *desk) onward(w http.ResponseWriter, v *visit, to, words string) {
	w.Header().Set("Cache-Control", "no-store")
	d.pages.render(w, http.StatusOK, "onward", view{Title: "One moment", Here: "signin", Visit: v, Data: map[string]any{"To": to, "Words": words}})
}

// signInAtProvider begins to sign in at the provider.
func (d *desk) signInAtProvider(w http.ResponseWriter, r *http.Request) {
	if !d.doors.allow(remote(r)) {
		d.renderSignIn(w, r, http.StatusTooManyRequests, signInPage{Problem: "Too many tries from here. Wait a minute and try again."})
		return
	}
	c, err := d.signins.BeginOpenID(r.Context(), &pb.BeginOpenIDRequest{})
	if err != nil {
		d.notSignedIn(w, r, signInPage{}, err)
		return
	}
	d.toProvider(w, r, nil, c, r.PostFormValue("next"))
}

// linkMark is where somebody goes on who links an account; the page at the end
// of it asks first.
const linkMark = "/me/openid"

// fromProvider is where the provider sends a browser back to.
func (d *desk) fromProvider(w http.ResponseWriter, r *http.Request) {
	held := r.CookiesNamed(ticketCookie(r, "").Name)
	http.SetCookie(w, ticketCookie(r, ""))
	q := r.URL.Query()
	again := d.again(w, r, signInPage{})
	if len(held) != 1 || q.Get("code") == "" || q.Get("state") == "" {
		again(http.StatusUnprocessableEntity, "The provider let nobody in, or it took too long. Try again, or sign in another way.")
		return
	}
	ticket, next, _ := strings.Cut(held[0].Value, ".")
	next, err := url.QueryUnescape(next)
	if err != nil || !isOurs(next) {
		next = "/"
	}
	if next == linkMark {
		// The session does not come along from another site: a form of our own
		// brings it.
		w.Header().Set("Cache-Control", "no-store")
		d.pages.render(w, http.StatusOK, "link", view{Title: "Link this account?", Here: "me",
			Data: map[string]any{"Ticket": ticket, "Code": q.Get("code"), "State": q.Get("state")}})
		return
	}
	in, err := d.signins.FinishOpenID(r.Context(), &pb.FinishOpenIDRequest{Ticket: ticket, State: q.Get("state"), Code: q.Get("code")})
	if err != nil {
		d.notSignedIn(w, r, signInPage{Next: next}, err)
		return
	}
	d.endHeld(r)
	d.sessions.fresh(in.GetSecret())
	give(w, r, in.GetSecret())
	// The session's cookie is strict: it goes along from a page of ours only.
	d.onward(w, nil, next, "on")
}
