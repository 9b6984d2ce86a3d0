package webtest

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/audits"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// patience bounds one step of a test on a slow machine. It is not a measure.
const patience = 60 * time.Second

// tab is one window of the browser with its own cookies. What the page
// complains about is collected as it happens.
type tab struct {
	t   *testing.T
	h   *house
	ctx context.Context

	refused int // pages that were not open, in TestPages

	mu    sync.Mutex
	wrong []complaint
	urls  []string
}

// complaint is an error that the browser noted.
type complaint struct{ url, text string }

// step is a browser action that gives nothing back.
type step = chromedp.Action[chromedp.Void]

// still is how a page is asked not to move.
var still = emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}}

// newTab opens a window on a house.
func newTab(t *testing.T, h *house) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(root, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	b := &tab{t: t, h: h, ctx: ctx}
	require.NoError(t, chromedp.Do(ctx))
	require.NoError(t, chromedp.Listen(ctx, b.note))
	call(b, network.Enable, network.EnableParams{})
	call(b, cdplog.Enable, cdp.Empty{})
	call(b, audits.Enable, cdp.Empty{})
	// A page that glides while it scrolls would slip away under the pointer.
	call(b, emulation.SetEmulatedMedia, still)
	b.sized(1320)
	return b
}

func (b *tab) note(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventRequestWillBeSent:
		b.urls = append(b.urls, e.Request.URL)
	case *runtime.EventExceptionThrown:
		b.wrong = append(b.wrong, complaint{e.ExceptionDetails.URL, e.ExceptionDetails.Text})
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			b.wrong = append(b.wrong, complaint{"", fmt.Sprintf("console.%s: %v", e.Type, e.Args)})
		}
	case *audits.EventIssueAdded:
		if d := e.Issue.Details.ContentSecurityPolicyIssueDetails; d != nil {
			b.wrong = append(b.wrong, complaint{d.BlockedURL, "content security policy: " + d.ViolatedDirective})
		}
	case *cdplog.EventEntryAdded:
		if e.Entry.Level == cdplog.EntryLevelError || e.Entry.Level == cdplog.EntryLevelWarning {
			b.wrong = append(b.wrong, complaint{e.Entry.URL, fmt.Sprintf("%s: %s", e.Entry.Source, e.Entry.Text)})
		}
	}
}

// do runs browser actions and fails the test when one fails.
func (b *tab) do(actions ...step) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	require.NoError(b.t, chromedp.Do(ctx, actions...))
}

// call sends a command of the debugging protocol.
func call[P, R any](b *tab, command cdp.Command[P, R], params P) R {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	r, err := chromedp.Call(ctx, command, params)
	require.NoError(b.t, err)
	return r
}

// get runs an action that returns a value.
func get[T any](b *tab, action chromedp.Action[T]) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, action)
	require.NoError(b.t, err)
	return v
}

// eval runs an expression in the page and returns its value.
func eval[T any](b *tab, js string) T {
	b.t.Helper()
	return get(b, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
}

// sized sets the width of the window in CSS pixels.
func (b *tab) sized(width int64) {
	b.t.Helper()
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1})
}

// open goes to a path of the house and returns the status of the answer.
func (b *tab) open(path string) int64 {
	b.t.Helper()
	return b.goes(chromedp.Navigate(b.h.web + path)).Status
}

// goes runs actions that lead to another page and returns its answer.
func (b *tab) goes(actions ...step) *network.Response {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	resp, err := chromedp.RunResponse(ctx, actions...)
	require.NoError(b.t, err)
	require.NotNil(b.t, resp)
	return resp
}

// withToken signs in with an access token on the page that is open.
func (b *tab) withToken(token string) *network.Response {
	b.t.Helper()
	if !eval[bool](b, `document.getElementById("token-part").open`) {
		b.do(chromedp.Click(chromedp.CSS("#token-part summary")))
	}
	return b.goes(chromedp.SendKeys(chromedp.CSS("#token"), token+kb.Enter))
}

// signIn signs in as a role through the page; in the house that tests share,
// once for all of them.
func (b *tab) signIn(role string) {
	b.t.Helper()
	home := b.h.web + "/"
	if role == "worker" {
		home += "report" // the one thing there is for them
	}
	if b.h.shared {
		b.h.mu.Lock()
		defer b.h.mu.Unlock()
		if session, begun := b.h.sessions[role]; begun {
			call(b, network.SetCookie, network.SetCookieParams{Name: cookieName, Value: session, URL: b.h.web, HTTPOnly: new(true), SameSite: network.CookieSameSiteStrict})
			require.Equal(b.t, home, b.goes(chromedp.Navigate(b.h.web+"/")).URL, "signed in as %s", role)
			return
		}
	}
	require.EqualValues(b.t, 200, b.open("/sign-in"))
	resp := b.withToken(b.h.tokens[role])
	require.Equal(b.t, home, resp.URL, "signed in as %s", role)
	if b.h.shared {
		b.h.sessions[role] = b.cookie().Value
	}
}

// text returns the words of the first element that fits a selector, "" when
// there is none.
func (b *tab) text(sel string) string {
	b.t.Helper()
	return eval[string](b, fmt.Sprintf(`(document.querySelector(%q)?.innerText ?? "").trim()`, sel))
}

// count returns how many elements fit a selector.
func (b *tab) count(sel string) int {
	b.t.Helper()
	return eval[int](b, fmt.Sprintf(`document.querySelectorAll(%q).length`, sel))
}

// value returns what a field of a form holds.
func (b *tab) value(sel string) string {
	b.t.Helper()
	return eval[string](b, fmt.Sprintf(`document.querySelector(%q).value`, sel))
}

// set puts a value into a field without typing it, for lists and days.
func (b *tab) set(sel, value string) {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})); })()`, sel, value)))
}

// fill types into a field, in place of what is there, as one stroke.
func (b *tab) fill(sel, words string) {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.focus(); e.select(); })()`, sel)))
	call(b, input.InsertText, input.InsertTextParams{Text: words})
}

// tick clicks what a selector finds.
func (b *tab) tick(sel string) {
	b.t.Helper()
	b.do(chromedp.Click(chromedp.CSS(sel)))
}

// send clicks what leads to another page and returns the status of the answer.
func (b *tab) send(sel string) int64 {
	b.t.Helper()
	return b.goes(chromedp.Click(chromedp.CSS(sel))).Status
}

// path is where the window is now, without the host.
func (b *tab) path() string {
	b.t.Helper()
	return strings.TrimPrefix(get(b, chromedp.Location()), b.h.web)
}

// withoutScript turns the pages' scripts off.
func (b *tab) withoutScript() {
	b.t.Helper()
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
}

// quiet fails the test when the browser noted anything wrong. The note that a
// page was answered with an error status is expected where the status is.
func (b *tab) quiet(what string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	var now string
	for _, c := range b.wrong {
		if strings.Contains(c.text, "Failed to load resource") && !strings.Contains(c.url, "/assets/") {
			continue
		}
		now += "\n  " + c.text + " " + c.url
	}
	b.wrong = nil
	assert.Empty(b.t, now, "%s: the browser complains", what)
}

// asked returns every address that the window has asked for.
func (b *tab) asked() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.urls...)
}
