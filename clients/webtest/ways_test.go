package webtest

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/webauthn"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

const words = "mossy gate by the weir"

// shown holds the page that is open to what every page must be, at every width.
func (b *tab) shown(what string) {
	b.t.Helper()
	b.quiet(what)
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => { d.open = true })`))
	for _, w := range slices.Backward(widths) {
		b.sized(w)
		at := fmt.Sprintf("%s at %d px", what, w)
		b.fits(at)
		assert.Empty(b.t, b.axe(w), at)
		b.look(fmt.Sprintf("%s-%d", what, w), w)
	}
	b.sized(widths[len(widths)-1])
}

// fern adds a principal who signs in as "fern".
func (h *house) fern(t *testing.T) {
	t.Helper()
	_, err := pb.NewPrincipalServiceClient(h.conn).CreatePrincipal(h.as(t, "administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/fern", DisplayName: "Fern Placeholder", SignInName: "fern", Grants: []*pb.Grant{{Role: pb.Role_ROLE_ADVISER}}}})
	require.NoError(t, err)
}

// TestWays goes through all ways in with a real browser: a code made by an
// administrator, a password, a passkey, sessions that are ended.
func TestWays(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.fern(t)
	// Passkeys belong to a name and not to a number.
	h.web = strings.Replace(h.web, "127.0.0.1", "localhost", 1)

	made, err := pb.NewSignInServiceClient(h.conn).MakeSignInCode(h.as(t, "administrator"), &pb.MakeSignInCodeRequest{Principal: "principals/fern"})
	require.NoError(t, err)
	code := made.GetCode()

	b := newTab(t, h)
	b.open("/sign-in/new")
	b.fill("#name", "Fern")
	b.fill("#code", strings.ToLower(code))
	b.fill("#new", "password1234567")
	b.fill("#again", "password1234568")
	require.EqualValues(t, 422, b.send("main form button"))
	require.Contains(t, b.text(".wrong"), "not the same")
	require.Empty(t, b.value("#new"), "secrets are not sent back")
	b.fill("#code", code)
	b.fill("#new", "password1234567")
	b.fill("#again", "password1234567")
	require.EqualValues(t, 422, b.send("main form button"))
	require.Contains(t, b.text(".wrong"), "guessed first")
	b.shown("a password too easy")
	b.fill("#code", code)
	b.fill("#new", words)
	b.fill("#again", words)
	b.send("main form button")
	require.Equal(t, "/", b.path())
	first := b.cookie().Value
	require.True(t, strings.HasPrefix(first, "fs_"))
	require.Equal(t, http.StatusUnprocessableEntity, h.asks(t, "POST", "/sign-in/new", url.Values{"name": {"fern"}, "code": {code}, "new": {words}, "again": {words}}, nil).StatusCode, "once")

	// Passwords: wrong, right, and the way goes on.
	b.goes(chromedp.Click(chromedp.CSS(".who button")))
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/numbers", nil, map[string]string{"Cookie": cookieName + "=" + first}).StatusCode, "ended on the server")
	b.open("/sign-in?next=/numbers")
	b.fill("#name", "fern")
	b.fill("#password", "not these words")
	require.EqualValues(t, 422, b.send("#in p button"))
	require.Equal(t, "fern", b.value("#name"))
	require.Empty(t, b.value("#password"))
	b.shown("a wrong password")
	b.fill("#password", words)
	b.send("#in p button")
	require.Equal(t, "/numbers", b.path())

	// A passkey.
	call(b, webauthn.Enable, webauthn.EnableParams{})
	call(b, webauthn.AddVirtualAuthenticator, webauthn.AddVirtualAuthenticatorParams{Options: &webauthn.VirtualAuthenticatorOptions{
		Protocol: webauthn.AuthenticatorProtocolCtap2, Transport: webauthn.AuthenticatorTransportInternal,
		HasResidentKey: true, HasUserVerification: true, IsUserVerified: true, AutomaticPresenceSimulation: true}})
	b.open("/me")
	b.shown("how I sign in")
	b.fill("#title", "works phone")
	b.goes(chromedp.Click(chromedp.CSS("#passkey")))
	require.Equal(t, "/me?done=passkey", b.path())
	require.Contains(t, b.text("main"), "works phone")
	b.shown("how I sign in with a passkey")
	b.goes(chromedp.Click(chromedp.CSS(".who button")))
	require.Equal(t, "/sign-in", b.path())
	b.goes(chromedp.Click(chromedp.CSS("#passkey")))
	require.Equal(t, "/", b.path())
	require.Equal(t, "Fern Placeholder", b.text(".who a"))
	require.NotEqual(t, first, b.cookie().Value)

	// Another browser is signed in too; it is ended from here.
	other := h.asks(t, "POST", "/sign-in", url.Values{"name": {"fern"}, "password": {words}}, nil)
	require.Equal(t, http.StatusSeeOther, other.StatusCode)
	theirs := map[string]string{"Cookie": cookieName + "=" + other.Cookies()[0].Value}
	require.Equal(t, http.StatusOK, h.asks(t, "GET", "/numbers", nil, theirs).StatusCode)
	b.open("/me")
	require.Equal(t, 1, b.count(`form[action="/me/session/end"]`))
	b.send(`form[action="/me/session/end"] button`)
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/numbers", nil, theirs).StatusCode)

	// The PIN, and the passkey removed.
	b.fill("#pin", "1234")
	require.EqualValues(t, 422, b.send(`form[action="/me/pin"] button`))
	b.fill("#pin", "4071")
	require.EqualValues(t, 200, b.send(`form[action="/me/pin"] button`))
	require.Contains(t, b.text(".done"), "PIN")
	b.send(`form[action="/me/way/end"] button`)
	require.NotContains(t, b.text("main"), "works phone")
	b.goes(chromedp.Click(chromedp.CSS(".who button")))
	resp := b.goes(chromedp.Click(chromedp.CSS("#passkey")))
	require.EqualValues(t, 422, resp.Status)
	require.Contains(t, b.text(".wrong"), "lets nobody in")
	for _, u := range b.asked() {
		require.NotContains(t, u, code)
		require.NotContains(t, u, "weir")
	}
}

// TestWays_withoutScript: everything but passkeys works without script.
func TestWays_withoutScript(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.fern(t)
	made, err := pb.NewSignInServiceClient(h.conn).MakeSignInCode(h.as(t, "administrator"), &pb.MakeSignInCodeRequest{Principal: "principals/fern"})
	require.NoError(t, err)
	set := h.asks(t, "POST", "/sign-in/new", url.Values{"name": {"fern"}, "code": {made.GetCode()}, "new": {words}, "again": {words}}, nil)
	require.Equal(t, http.StatusSeeOther, set.StatusCode)
	cookie := map[string]string{"Cookie": cookieName + "=" + set.Cookies()[0].Value}
	changed := h.asks(t, "POST", "/me/password", url.Values{"name": {"fern"}, "current": {words}, "new": {"other words in a row"}, "again": {"other words in a row"}}, cookie)
	require.Equal(t, http.StatusSeeOther, changed.StatusCode)
	require.Equal(t, "/me?done=password", changed.Header.Get("Location"))
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/me", nil, cookie).StatusCode, "the session before is over")
	now := map[string]string{"Cookie": cookieName + "=" + changed.Cookies()[0].Value}
	require.Equal(t, http.StatusOK, h.asks(t, "GET", "/me", nil, now).StatusCode)

	// Cookies of every sort let nobody in: planted twice, too long, of another
	// kind, with signs that would end a header.
	for _, c := range []string{
		cookieName + "=" + changed.Cookies()[0].Value + "; " + cookieName + "=planted", cookieName + "=fs_" + strings.Repeat("a", 8000), cookieName + "=fs_", cookieName + "=",
		cookieName + "=fs_x%0d%0aX: y", "__Host-" + cookieName + "=" + changed.Cookies()[0].Value, cookieName + "=" + h.tokens["adviser"], strings.Repeat("x=y; ", 5000),
	} {
		require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/me", nil, map[string]string{"Cookie": c}).StatusCode, "%.60s", c)
	}
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, h.asks(t, "GET", "/me", nil, map[string]string{"Cookie": strings.Repeat("x=y; ", 9000)}).StatusCode)

	// A role that changes ends what the browser had.
	p, err := pb.NewPrincipalServiceClient(h.conn).GetPrincipal(h.as(t, "administrator"), &pb.GetPrincipalRequest{Name: "principals/fern"})
	require.NoError(t, err)
	p.Grants = []*pb.Grant{{Role: pb.Role_ROLE_WORKER}}
	_, err = pb.NewPrincipalServiceClient(h.conn).UpdatePrincipal(h.as(t, "administrator"), &pb.UpdatePrincipalRequest{Principal: p})
	require.NoError(t, err)
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/me", nil, now).StatusCode)
}

// TestStatic: nothing but the files of the pages is given away.
func TestStatic(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, path := range []string{"/assets/", "/assets/fonts/", "/assets/../desk.go", "/assets/..%2fdesk.go", "/assets/%2e%2e/pages/signin.html", "/assets/....//desk.go",
		"/assets/..\\desk.go", "/assets/%5c..%5cdesk.go", "/assets//etc/passwd", "/assets/%00", "/assets/desk.css/", "/assets/desk.css%00.js"} {
		resp := h.asks(t, "GET", path, nil, nil)
		require.NotEqual(t, http.StatusOK, resp.StatusCode, path)
		require.Less(t, resp.StatusCode, 500, path)
	}
	resp := h.asks(t, "GET", "/assets/passkey.js", nil, nil)
	require.Equal(t, http.StatusOK, resp.StatusCode)
	require.Contains(t, resp.Header.Get("Content-Type"), "javascript")
	for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin"} {
		require.Equal(t, want, resp.Header.Get(name))
	}
	policy := resp.Header.Get("Content-Security-Policy")
	require.Contains(t, policy, "default-src 'none'")
	require.Contains(t, policy, "frame-ancestors 'none'")
	require.NotContains(t, policy, "unsafe")
	require.Empty(t, resp.Header.Get("Strict-Transport-Security"), "not without TLS")
	for _, next := range []string{"/x\r\nSet-Cookie: a=b", "/x%0d%0aSet-Cookie:%20a=b"} {
		in := h.asks(t, "POST", "/sign-in", url.Values{"token": {h.tokens["adviser"]}, "next": {next}}, nil)
		require.Len(t, in.Cookies(), 1)
	}
}
