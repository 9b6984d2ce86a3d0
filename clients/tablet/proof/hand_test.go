package proof

import (
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fairlead/clients/tablet"
)

// TestGloves files with a hand that misses by up to 6 millimetres in any
// direction: whatever it presses is what it meant. A CSS pixel is 1/96 of an
// inch.
func TestGloves(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	miss := w.glove(20261125)
	const rounds = 5
	for range rounds {
		w.at("start")
		miss("#tell")
		w.at("kind")
		miss("#kind-near_miss")
		w.at("place")
		miss("#place-quarry-road")
		w.at("when")
		miss("#when-today")
		w.at("who")
		miss("#who-nobody")
		w.at("words")
		miss(".chip:nth-child(1)")
		miss(".chip:nth-child(5)")
		w.until(`document.querySelector("#words").value === "Something fell. Something spilled. "`)
		miss("#next")
		w.at("worst")
		miss("#worst-serious")
		w.at("safe")
		miss("#safe-yes")
		w.at("first")
		miss("#next")
		w.at("look")
		miss("#emergency")
		w.until(`!!document.querySelector("#card")`)
		miss("#card-close")
		w.until(`!document.querySelector("#card")`)
		miss("#next")
		w.at("sent")
		w.waitText("h1", "Received")
		miss("#next")
		w.at("start")
	}
	require.Len(t, h.stored(), rounds)
	for _, r := range h.stored() {
		require.Equal(t, "Something fell. Something spilled.", r.GetNarrative())
		require.Equal(t, "Still like that when told.", r.GetDoneRightAway())
	}
}

// TestKeyboard files a report, opens the emergency card and chooses parts of a
// body without touching the screen.
func TestKeyboard(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	key := func(k string) { w.do(chromedp.KeyEvent(k)) }
	// go_ tabs until something has the focus, which must then be seen.
	reach := func(sel string) {
		t.Helper()
		for range 60 {
			if eval[bool](w, `document.activeElement?.matches("`+sel+`") ?? false`) {
				require.NotEqual(t, "none", eval[string](w, `getComputedStyle(document.activeElement).outlineStyle`), "%s: the focus is seen", sel)
				return
			}
			key(kb.Tab)
		}
		require.Fail(t, "cannot be reached by keyboard", sel)
	}
	press := func(sel string) {
		t.Helper()
		w.until(`!!document.querySelector("` + sel + `")`)
		reach(sel)
		key(kb.Enter)
	}
	press("#tell")
	w.at("kind")
	press("#emergency")
	w.until(`!!document.querySelector("#card")`)
	require.True(t, eval[bool](w, `document.querySelector("#card").contains(document.activeElement)`))
	key(kb.Escape)
	w.until(`!document.querySelector("#card")`)
	press("#kind-injury")
	w.at("place")
	press("#place-quarry-road")
	w.at("when")
	press("#when-yesterday")
	w.at("who")
	press("#who-few")
	w.at("name")
	press("#next")
	w.at("words")
	reach("#words")
	key("The winch let go.")
	press("#next")
	w.at("hurt")
	press("#part-right_knee")
	require.Equal(t, "right knee", w.text("#said"))
	press("#next")
	w.at("safe")
	press("#safe-no")
	w.at("look")
	press("#next")
	w.at("sent")
	w.waitText("h1", "Received")
	r := h.stored()[0]
	require.Equal(t, "The winch let go.", r.GetNarrative())
	require.Equal(t, "Where: right knee.", r.GetHarms()[0].GetDescription())
	w.quiet()
}

// TestTalk files without typing a word: the sound goes with the report.
func TestTalk(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	w.tap("#tell")
	w.at("kind")
	w.tap("#kind-near_miss")
	w.at("place")
	w.tap("#place-quarry-road")
	w.at("when")
	w.tap("#next")
	w.at("who")
	w.tap("#who-nobody")
	w.at("words")
	w.tap("#next")
	w.waitText("#wrong", "Write a few words, or talk.")
	w.tap("#talk")
	w.waitText("#talk", "Stop. 2 seconds")
	w.tap("#talk")
	w.tap(".kept-file .play")
	w.waitText(".kept-file .play", "Stop") // it plays what was said
	w.waitText(".kept-file .play", "Listen")
	assert.Empty(t, eval[[]string](w, targets))
	w.look("words-sound")
	w.tap("#next")
	w.at("worst")
	w.tap("#next")
	w.at("safe")
	w.tap("#next")
	w.at("look")
	w.tap("#next")
	w.at("sent")
	w.waitText("h1", "Received")
	w.until(`document.querySelector("#files-left").innerText === ""`)
	r := h.stored()[0]
	require.Equal(t, "[Told by voice. Listen to the sound.]", r.GetNarrative())
	a := h.attached(r.GetName())
	require.Len(t, a, 1)
	require.Equal(t, "audio/webm", a[0].GetMediaType())
	w.quiet()
}

// TestPlan points on the plan of a place, in two steps, by finger and again by
// keyboard, without a network; the square is kept with the spot.
func TestPlan(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	plan := image.NewRGBA(image.Rect(0, 0, 600, 400))
	for x := range 600 {
		for y := range 400 {
			plan.Set(x, y, color.RGBA{uint8(200 + x/20), uint8(200 + y/20), 220, 255})
		}
	}
	f, err := os.Create(filepath.Join(folder, "northside.png"))
	require.NoError(t, err)
	require.NoError(t, png.Encode(f, plan))
	require.NoError(t, f.Close())
	require.NoError(t, os.WriteFile(filepath.Join(folder, "tablet.json"),
		[]byte(`{"card": {"radio": "Channel 12"}, "plans": {"workplaces/northside": "northside.png"}}`), 0o600))
	settings, err := tablet.ReadSettings(filepath.Join(folder, "tablet.json"))
	require.NoError(t, err)
	h := newHouse(t, houseOptions{card: settings})
	w := newWindow(t, h)
	w.sized(phone)
	w.open()
	w.ready()
	w.until(`(async () => new Promise(d => { const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const g = o.result.transaction("meta").objectStore("meta").getAllKeys(); g.onsuccess = () => { d(g.result.includes("plan:workplaces/northside")); o.result.close(); } } }))()`)
	h.away.Store(true)
	w.do(chromedp.Reload())
	w.at("start")
	w.tell(telling{kind: "hazard", who: "nobody", words: "The grate is up."})
	w.tap("#look-place")
	w.at("place")
	w.tap("#place-northside")
	w.until(`!!document.querySelector("#place-all")`)
	w.tap("#place-northside-trees") // its plan is that of the depot it belongs to
	w.at("look")
	w.tap("#look-spot")
	w.at("spot")
	w.write("#spot", "by the pump")
	w.tap("#square-B2")
	w.until(`!!document.querySelector("#square-B2-c3")`)
	assert.Empty(t, eval[[]string](w, targets))
	w.look("plan-zoomed")
	w.tap("#square-B2-c3")
	require.Equal(t, "Plan square B2-c3", w.text("#square"))
	w.tap("#plan-whole")
	w.until(`!!document.querySelector("#square-D4")`)
	assert.Empty(t, eval[[]string](w, targets))
	assert.Empty(t, w.axe(axeSource(t)))
	w.look("plan")
	w.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("#square-D4").focus()`), chromedp.KeyEvent(kb.Enter))
	w.until(`document.activeElement.id === "square-D4-a1"`)
	w.tap("#next")
	w.at("look")
	h.away.Store(false)
	w.tap("#next")
	w.at("sent")
	w.waitText("h1", "Received")
	require.Equal(t, "by the pump Plan square D4 (88 % across, 88 % down)", h.stored()[0].GetSpot())
	w.quiet()
}

// beforeTelling fails unless the warnings stand on the start screen, ahead of the
// way to tell, with nothing being written yet; where nothing can be kept there is no
// such way.
func (w *window) beforeTelling() {
	w.t.Helper()
	w.at("start")
	require.True(w.t, eval[bool](w, `(() => { const warned = document.querySelector("#warnings .warn"), tell = document.querySelector("#tell");
		return !tell || !!(warned.compareDocumentPosition(tell) & Node.DOCUMENT_POSITION_FOLLOWING); })()`))
	assert.Empty(w.t, eval[[]string](w, targets))
}

// TestWarnings says what is wrong with the tablet before anybody starts to
// write, and keeps the words.
func TestWarnings(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	for _, c := range []struct{ name, before, says string }{
		{"a private window, as it is", ``, "may clear old reports"},
		{"persistence denied", `navigator.storage.persist = navigator.storage.persisted = async () => false`, "may clear old reports"},
		{"low space", `navigator.storage.estimate = async () => ({usage: 900e6, quota: 950e6})`, "nearly full"},
		{"a window that keeps nothing", `indexedDB.open = () => { throw new DOMException("no", "SecurityError") }; IDBFactory.prototype.open = indexedDB.open`, "forget all"},
		{"a clock that is wrong", shift(-7 * 60 * 60 * 1000), "wrong by about 7 hours"},
		{"an address that is not private", `Object.defineProperty(globalThis, "isSecureContext", {value: false})`, "not private"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWindow(t, h)
			w.t = t
			w.before(c.before)
			w.open()
			w.waitText("#warnings", c.says)
			w.beforeTelling()
		})
	}
	t.Run("unsent for more than a day, then signed out", func(t *testing.T) {
		w := newWindow(t, h)
		w.t = t
		w.open()
		w.ready()
		h.away.Store(true)
		w.file(telling{kind: "hazard", who: "nobody", words: "Waiting here."})
		w.tap("#next")
		w.at("start")
		w.clock(26 * 60 * 60 * 1000)
		w.do(chromedp.Reload())
		w.at("start")
		w.waitText("#warnings", "more than a day")
		w.beforeTelling()
		require.Contains(t, w.text(".state"), "1 on this tablet, not sent yet")
		w.before(`{ const f = fetch; globalThis.fetch = (u, o) => String(u).includes("/api/") ? Promise.resolve(new Response("{}", {status: 401})) : f(u, o); }`)
		w.do(chromedp.Reload())
		w.at("start")
		w.waitText("#warnings", "signed out")
		w.beforeTelling()
		require.Contains(t, w.text(".state"), "1 on this tablet, not sent yet")
		h.away.Store(false)
	})
	t.Run("the disk is full while somebody writes", func(t *testing.T) {
		w := newWindow(t, h)
		w.t = t
		w.open()
		w.ready()
		w.tap("#tell")
		w.at("kind")
		w.waitText(".state", "Kept on this")
		w.tap("#kind-hazard")
		w.at("place")
		w.tap("#place-not-sure")
		w.at("when")
		w.tap("#next")
		w.at("who")
		w.tap("#who-nobody")
		w.at("words")
		w.do(chromedp.Evaluate[chromedp.Void](`IDBObjectStore.prototype.putBefore = IDBObjectStore.prototype.put; IDBObjectStore.prototype.put = function () { throw new DOMException("no room", "QuotaExceededError") }`))
		w.write("#words", "There is no room for this.")
		w.waitText(".state", "could not be kept: This tablet is full.")
		require.Equal(t, "There is no room for this.", eval[string](w, `document.querySelector("#words").value`))
		w.do(chromedp.Evaluate[chromedp.Void](`IDBObjectStore.prototype.put = IDBObjectStore.prototype.putBefore`))
		w.write("#words", "Now there is.")
		w.waitText(".state", "Kept on this")
	})
}

// TestFirstLoad loads the app on a slow processor and a slow network, and counts
// what it costs. The time is logged, not held: it says more about the machine.
func TestFirstLoad(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	call(w, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	w.slow(150, 1.6e6/8, 750e3/8)
	w.open()
	type load struct {
		Paint, Ready, Bytes float64
		Files               int
	}
	got := eval[load](w, `(async () => { await document.fonts.ready; const r = performance.getEntriesByType("resource").filter(e => !e.name.includes("/api/") && e.initiatorType !== "other");
		const n = performance.getEntriesByType("navigation")[0];
		return {Paint: performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? 0, Ready: performance.now(), Bytes: n.transferSize + r.reduce((s, e) => s + e.transferSize, 0), Files: r.length + 1}; })()`)
	t.Logf("first load: %.0f bytes in %d files; painted after %.0f ms, usable with its letters within %.0f ms, at a quarter of this processor's speed, 1.6 Mbit/s, 150 ms", got.Bytes, got.Files, got.Paint, got.Ready)
	require.Positive(t, got.Bytes)
	require.Less(t, got.Bytes, 100_000.0, "the budget of the first load")
}
