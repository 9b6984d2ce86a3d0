package proof

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
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
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// patience bounds one step on a slow machine. It is not a measure.
const patience = 40 * time.Second

// window is one window of a browser, with its own storage.
type window struct {
	t   *testing.T
	h   *house
	ctx context.Context

	// wrongClock is the script that makes the clock of the page wrong.
	wrongClock page.ScriptIdentifier

	mu    sync.Mutex
	wrong []string
	urls  []string
}

type size struct{ w, h int64 }

var (
	phone     = size{320, 640}
	portrait  = size{800, 1280}
	landscape = size{1280, 800}
)

// newWindow opens a window of the shared browser.
func newWindow(t *testing.T, h *house) *window {
	t.Helper()
	return openWindow(t, h, shared, chromedp.WithNewBrowserContext())
}

func openWindow(t *testing.T, h *house, b *browser, opts ...chromedp.ContextOption) *window {
	t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx, opts...)
	t.Cleanup(cancel)
	w := &window{t: t, h: h, ctx: ctx}
	require.NoError(t, chromedp.Do(ctx))
	require.NoError(t, chromedp.Listen(ctx, w.note))
	call(w, network.Enable, network.EnableParams{})
	call(w, cdplog.Enable, cdp.Empty{})
	call(w, audits.Enable, cdp.Empty{})
	call(w, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}})
	w.sized(portrait)
	return w
}

// note keeps what the page complains about and asks for.
func (w *window) note(ev any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventRequestWillBeSent:
		w.urls = append(w.urls, e.Request.URL)
	case *runtime.EventExceptionThrown:
		what := e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			what += " " + x.Description
		}
		w.wrong = append(w.wrong, what)
	case *audits.EventIssueAdded:
		if d := e.Issue.Details.ContentSecurityPolicyIssueDetails; d != nil {
			w.wrong = append(w.wrong, "content security policy: "+d.ViolatedDirective)
		}
	case *cdplog.EventEntryAdded:
		if e.Entry.Level == cdplog.EntryLevelError && !strings.Contains(e.Entry.Text, "Failed to load resource") {
			w.wrong = append(w.wrong, e.Entry.Text)
		}
	}
}

// quiet fails the test when the page complained.
func (w *window) quiet() {
	w.t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	require.Empty(w.t, w.wrong, "the browser complains")
	for _, u := range w.urls {
		require.True(w.t, strings.HasPrefix(u, w.h.web+"/tablet/") || strings.HasPrefix(u, "blob:"+w.h.web) || strings.HasPrefix(u, "data:"), "asked for %s", u)
	}
}

func (w *window) do(actions ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	require.NoError(w.t, chromedp.Do(ctx, actions...))
}

func call[P, R any](w *window, command cdp.Command[P, R], params P) R {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	r, err := chromedp.Call(ctx, command, params)
	require.NoError(w.t, err)
	return r
}

func eval[T any](w *window, js string) T {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	require.NoError(w.t, err, "%s", js)
	return v
}

func (w *window) sized(s size) {
	w.t.Helper()
	call(w, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: s.w, Height: s.h, DeviceScaleFactor: 1})
}

func (w *window) dark(on bool) {
	w.t.Helper()
	value := map[bool]string{true: "dark", false: "light"}[on]
	call(w, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-reduced-motion", Value: "reduce"}, {Name: "prefers-color-scheme", Value: value}}})
}

// slow makes the network slow: milliseconds, and bytes a second down and up.
func (w *window) slow(latency, down, up float64) {
	w.t.Helper()
	// Older versions of the protocol want the flag, newer ones leave it out.
	type params struct {
		network.EmulateNetworkConditionsByRuleParams
		Offline bool `json:"offline"`
	}
	call(w, cdp.Command[params, network.EmulateNetworkConditionsByRuleResult]{Method: network.EmulateNetworkConditionsByRule.Method},
		params{EmulateNetworkConditionsByRuleParams: network.EmulateNetworkConditionsByRuleParams{
			MatchedNetworkConditions: []*network.Conditions{{Latency: latency, DownloadThroughput: down, UploadThroughput: up}}}})
}

// before runs a script in every page before its own.
func (w *window) before(js string) {
	w.t.Helper()
	call(w, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: js})
}

// open opens the app and waits for its first screen.
func (w *window) open() {
	w.t.Helper()
	w.do(chromedp.Navigate(w.h.web + "/tablet/"))
	w.until(`document.body.dataset.screen === "start"`)
}

// ready waits until the app is kept by its worker and has met the service.
func (w *window) ready() {
	w.t.Helper()
	w.until(`(async () => (await navigator.serviceWorker.ready).active?.state === "activated" && (await new Promise(d => {
		const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const g = o.result.transaction("meta").objectStore("meta").get("service"); g.onsuccess = () => { d(!!g.result); o.result.close(); } } })))()`)
}

// until waits for something to be true in the page.
func (w *window) until(js string) {
	w.t.Helper()
	end := time.Now().Add(patience)
	for {
		ctx, cancel := context.WithTimeout(w.ctx, patience)
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](js, chromedp.EvalAwaitPromise))
		cancel()
		if err == nil && ok {
			return
		}
		if time.Now().After(end) || w.ctx.Err() != nil {
			screen, _ := chromedp.Run(w.ctx, chromedp.Evaluate[string](`document.body.innerText`))
			require.Fail(w.t, "never true: "+js, "%v\non the screen: %s", err, screen)
		}
		time.Sleep(30 * time.Millisecond)
	}
}

// at waits for a screen.
func (w *window) at(screen string) {
	w.t.Helper()
	w.until(fmt.Sprintf(`document.body.dataset.screen === %q`, screen))
}

// text returns the words of an element.
func (w *window) text(sel string) string {
	w.t.Helper()
	return eval[string](w, fmt.Sprintf(`(document.querySelector(%q)?.innerText ?? "").trim()`, sel))
}

func (w *window) there(sel string) bool {
	w.t.Helper()
	return eval[bool](w, fmt.Sprintf(`!!document.querySelector(%q)`, sel))
}

// spot is a point on the screen.
type spot struct{ X, Y float64 }

// middle returns the middle of the part of an element that can be touched, after
// it was brought into view.
func (w *window) middle(sel string) spot {
	w.t.Helper()
	w.until(fmt.Sprintf(`!!document.querySelector(%q)`, sel))
	return eval[spot](w, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"}); const r = e.getBoundingClientRect();
		return {X: r.left + r.width / 2, Y: r.top + r.height / 2}; })()`, sel))
}

// tap touches the middle of an element.
func (w *window) tap(sel string) {
	w.t.Helper()
	w.touch(w.middle(sel))
}

func (w *window) touch(at spot) {
	w.t.Helper()
	for _, typ := range []input.DispatchMouseEventType{input.DispatchMouseEventTypeMousePressed, input.DispatchMouseEventTypeMouseReleased} {
		call(w, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: typ, X: at.X, Y: at.Y, Button: input.MouseButtonLeft, ClickCount: 1})
	}
}

// write types into a field, in place of what is there.
func (w *window) write(sel, words string) {
	w.t.Helper()
	w.until(fmt.Sprintf(`!!document.querySelector(%q)`, sel))
	w.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.focus(); e.select?.(); })()`, sel)))
	call(w, input.InsertText, input.InsertTextParams{Text: words})
}

// lookFolder is where pictures go; empty takes none.
var lookFolder = os.Getenv("TABLET_LOOK")

func (w *window) look(name string) {
	w.t.Helper()
	if lookFolder == "" {
		return
	}
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	require.NoError(w.t, err)
	require.NoError(w.t, os.MkdirAll(lookFolder, 0o755))
	require.NoError(w.t, os.WriteFile(filepath.Join(lookFolder, name+".png"), png, 0o644))
}
