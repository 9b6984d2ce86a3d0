package webtest

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

const cookieName = "fairlead_session"

// cookie returns the session cookie that the browser holds, nil for none.
func (b *tab) cookie() *network.Cookie {
	b.t.Helper()
	for _, c := range call(b, network.GetCookies, network.GetCookiesParams{}).Cookies {
		if c.Name == cookieName {
			return c
		}
	}
	return nil
}

// asks sends a request past the browser and returns the answer without
// following it.
func (h *house) asks(t *testing.T, method, path string, form url.Values, head map[string]string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, h.web+path, strings.NewReader(form.Encode()))
	require.NoError(t, err)
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for k, v := range head {
		req.Header.Set(k, v)
	}
	c := &http.Client{Timeout: time.Minute, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.Do(req)
	require.NoError(t, err)
	t.Cleanup(func() { _ = resp.Body.Close() })
	return resp
}

// TestSignIn_wrong refuses what is no token, says what to do, and never shows
// what was typed.
func TestSignIn_wrong(t *testing.T) {
	t.Parallel()
	b := newTab(t, newHouse(t))
	for _, typed := range []string{"wrong-token-8271", "   ", "test-adviser ", "TEST-ADVISER"} {
		b.open("/sign-in?next=/numbers")
		resp := b.withToken(typed)
		if strings.TrimSpace(typed) == "test-adviser" {
			require.Equal(t, "/numbers", b.path(), "a blank at the end is no fault, and the way goes on")
			b.goes(chromedp.Click(chromedp.CSS(".who button")))
			continue
		}
		require.EqualValues(t, 422, resp.Status, typed)
		require.NotEmpty(t, b.text(".wrong"))
		require.NotContains(t, eval[string](b, `document.documentElement.outerHTML`), "8271")
		require.Equal(t, "/numbers", b.value("[name=next]"))
		require.Nil(t, b.cookie())
	}
	for _, u := range b.asked() {
		require.NotContains(t, u, "8271")
	}
}

// TestSignIn_often holds up a program that guesses.
func TestSignIn_often(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	last := 0
	for i := range 31 {
		last = h.asks(t, "POST", "/sign-in", url.Values{"token": {fmt.Sprint("guess", i)}}, nil).StatusCode
	}
	require.Equal(t, http.StatusTooManyRequests, last)
	require.Equal(t, http.StatusTooManyRequests, h.asks(t, "POST", "/sign-in", url.Values{"token": {h.tokens["adviser"]}}, nil).StatusCode, "even a right guess waits")
	require.Equal(t, http.StatusSeeOther, h.asks(t, "POST", "/sign-in", url.Values{"token": {h.tokens["adviser"]}}, map[string]string{"X-Forwarded-For": "203.0.113.9"}).StatusCode,
		"behind a proxy on this machine, one who guesses does not lock out the others")
}

// TestSignIn_session follows a session from its begin to its end.
func TestSignIn_session(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.open("/sign-in")
	call(b, network.SetCookie, network.SetCookieParams{Name: cookieName, Value: "planted-by-somebody", URL: h.web})
	b.signIn("adviser")
	first := b.cookie()
	require.NotEqual(t, "planted-by-somebody", first.Value, "a session never takes over an id that a browser brought along")
	require.GreaterOrEqual(t, len(first.Value), 40)
	require.True(t, first.HTTPOnly)
	require.Equal(t, network.CookieSameSiteStrict, first.SameSite)
	require.Equal(t, "/", first.Path)
	require.True(t, first.Session, "it ends with the browser")
	require.Empty(t, eval[string](b, `document.cookie`), "no script can read it")
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/numbers", nil, map[string]string{"Cookie": cookieName + "=planted-by-somebody"}).StatusCode)

	b.signIn("committee")
	second := b.cookie()
	require.NotEqual(t, first.Value, second.Value, "each sign-in makes a new id")
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/numbers", nil, map[string]string{"Cookie": cookieName + "=" + first.Value}).StatusCode, "and ends the session before")
	require.Equal(t, http.StatusOK, h.asks(t, "GET", "/numbers", nil, map[string]string{"Cookie": cookieName + "=" + second.Value}).StatusCode)

	b.goes(chromedp.Click(chromedp.CSS(".who button")))
	require.Equal(t, "/sign-in", b.path())
	require.Nil(t, b.cookie())
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/numbers", nil, map[string]string{"Cookie": cookieName + "=" + second.Value}).StatusCode, "a copy of the cookie is worth nothing after that")
	b.do(chromedp.Evaluate[chromedp.Void](`history.back()`), chromedp.WaitVisible(chromedp.CSS("#password")))
	require.Equal(t, "Sign in", b.text("h1"), "nor does going back show anything of the session")

	https := h.asks(t, "POST", "/sign-in", url.Values{"token": {h.tokens["adviser"]}}, map[string]string{"X-Forwarded-Proto": "https"})
	require.True(t, https.Cookies()[0].Secure, "behind a TLS proxy the cookie never travels in clear")
}

// TestSignIn_astray leads nowhere but to a page of this site.
func TestSignIn_astray(t *testing.T) {
	t.Parallel()
	b := newTab(t, newHouse(t))
	for next, want := range map[string]string{
		"/numbers?months=24": "/numbers?months=24", "//evil.example": "/", "https://evil.example/": "/", `/\evil.example`: "/", `\\evil.example`: "/",
		"javascript:alert(1)": "/", "/\t/evil.example": "/", "evil.example": "/", "": "/",
	} {
		b.open("/sign-in?next=" + url.QueryEscape(next))
		b.withToken(b.h.tokens["committee"])
		require.Equal(t, want, b.path(), "next %q", next)
		for _, u := range b.asked() {
			require.False(t, strings.HasPrefix(u, "http://evil") || strings.HasPrefix(u, "https://evil"), u)
		}
	}
}

// TestSignIn_otherSites refuses forms that another site sends, from a program
// and from a real page on another origin, signed in or not.
func TestSignIn_otherSites(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	form := url.Values{"kind": {"hazard"}, "workplace": {"workplaces/northside"}, "narrative": {"forged"}, "teller_mode": {"anonymous"}, "token": {h.tokens["adviser"]}}
	for _, path := range []string{"/sign-in", "/sign-in/new", "/sign-in/passkey", "/sign-in/openid", "/me/password", "/me/passkey/new", "/me/way/end", "/me/pin", "/me/openid", "/sign-out", "/report", "/reports/x/void", "/setup/hours", "/numbers/summary"} {
		for _, head := range []map[string]string{{"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}} {
			require.Equal(t, http.StatusForbidden, h.asks(t, "POST", path, form, head).StatusCode, "%s %v", path, head)
		}
	}
	evil := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<form method="post" action="%s/report"><input name="kind" value="hazard"><input name="workplace" value="workplaces/northside"><input name="narrative" value="forged"><input name="teller_mode" value="named"><button>win</button></form>`, h.web)
	}))
	t.Cleanup(evil.Close)
	b := newTab(t, h)
	b.signIn("adviser")
	b.goes(chromedp.Navigate(strings.Replace(evil.URL, "127.0.0.1", "localhost", 1)))
	require.EqualValues(t, http.StatusForbidden, b.goes(chromedp.Click(chromedp.CSS("button"))).Status)
	require.Empty(t, h.stored(t))
}

// TestSignIn_headers checks what every answer carries.
func TestSignIn_headers(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for path, store := range map[string]string{"/sign-in": "no-store", "/report": "no-store", "/numbers": "no-store", "/assets/desk.css": "public, max-age=3600"} {
		head := h.asks(t, "GET", path, nil, nil).Header
		require.Equal(t, store, head.Get("Cache-Control"), path)
		require.Contains(t, head.Get("Content-Security-Policy"), "default-src 'none'; script-src 'self'; style-src 'self'", path)
		require.NotContains(t, head.Get("Content-Security-Policy"), "unsafe", path)
		require.Equal(t, "nosniff", head.Get("X-Content-Type-Options"), path)
		require.Equal(t, "no-referrer", head.Get("Referrer-Policy"), path)
	}
}

// TestSignIn_keptWords sends a form after the session has ended: nothing is
// typed twice, and nothing is stored before its sender says so again.
func TestSignIn_keptWords(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	b := newTab(t, h)
	b.signIn("adviser")
	b.open("/reports/" + name)
	b.unfold("details:has(#amend-reason)")
	b.fill("#amend-narrative", "The hoist slipped two notches, says Kestrel.")
	b.fill("#amend-reason", "Asked the crew.")
	call(b, network.ClearBrowserCookies, cdp.Empty{})
	require.EqualValues(t, 401, b.send("#amend-reason ~ button, form[action$=amend] button"))
	require.Contains(t, b.text(".wrong"), "your words are kept")
	require.EqualValues(t, 422, b.withToken("mistyped").Status)
	b.withToken(h.tokens["adviser"])
	require.Equal(t, "Send it now?", b.text("h1"))
	require.Contains(t, b.text("main"), "two notches, says Kestrel")
	require.Empty(t, b.axe(1320))
	require.Equal(t, "The hoist slipped a notch.", h.stored(t)[0].GetNarrative())
	require.EqualValues(t, 200, b.send("main form button"))
	require.Contains(t, b.text(".done"), "Amended")
	require.Equal(t, "The hoist slipped two notches, says Kestrel.", h.stored(t)[0].GetNarrative())
	b.noWordsInAddresses(map[string]string{"narrative": "notches Kestrel", "reason": "Asked crew"})
}
