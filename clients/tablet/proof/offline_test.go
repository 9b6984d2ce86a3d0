package proof

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// photo makes a picture in the page and takes it as the camera would hand it
// over: through the file field, with a JPEG that has a place written into it.
const photo = `(async () => {
	const c = document.createElement("canvas"); c.width = 2400; c.height = 1200;
	const p = c.getContext("2d"); p.fillStyle = "hsl(" + Math.random() * 360 + " 60% 50%)"; p.fillRect(0, 0, 2400, 1200);
	const jpeg = new Uint8Array(await (await new Promise(d => c.toBlob(d, "image/jpeg", 0.5))).arrayBuffer());
	const exif = new TextEncoder().encode("Exif\0\0MM\0*\0\0\0\b\0\0 GPS 33.12345S 150.54321E ");
	const seg = new Uint8Array([0xff, 0xe1, (exif.length + 2) >> 8, (exif.length + 2) & 255, ...exif]);
	const file = new File([jpeg.slice(0, 2), seg, jpeg.slice(2)], "IMG_0001.jpg", {type: "image/jpeg"});
	const t = new DataTransfer(); t.items.add(file);
	const before = document.querySelectorAll(".kept-file").length;
	const f = document.querySelector("#camera"); f.files = t.files; f.dispatchEvent(new Event("change"));
	for (let i = 0; i < 2000 && document.querySelectorAll(".kept-file").length === before; i++) await new Promise(d => setTimeout(d, 10));
	return document.querySelectorAll(".kept-file").length - before;
})()`

// shift makes the clock of the page wrong. The worker's stays right, as on no
// tablet, so the worker is not woken: the page sends, as where no browser wakes it.
func shift(ms int64) string {
	return fmt.Sprintf(`(() => { const real = Date, by = %d; const D = function (...a) { return new.target ? (a.length ? new real(...a) : new real(real.now() + by)) : new real(real.now() + by).toString(); };
		D.prototype = real.prototype; D.now = () => real.now() + by; D.parse = real.parse; D.UTC = real.UTC; globalThis.Date = D;
		if (globalThis.SyncManager) SyncManager.prototype.register = async () => { throw new Error("not here"); }; })()`, ms)
}

// clock makes the clock of the tablet wrong from the next page on.
func (w *window) clock(ms int64) {
	w.t.Helper()
	if w.wrongClock != "" {
		call(w, page.RemoveScriptToEvaluateOnNewDocument, page.RemoveScriptToEvaluateOnNewDocumentParams{Identifier: w.wrongClock})
	}
	w.wrongClock = call(w, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: shift(ms)}).Identifier
}

// press fills and sends a report in the page's own code, by pressing its buttons
// one after the other: a hundred by the debugging protocol would take minutes.
const press = `async (words, withPhoto) => {
	const wait = async (f) => { for (let i = 0; i < 4000; i++) { const v = f(); if (v) return v; await new Promise(d => setTimeout(d, 5)); } throw new Error("waited in vain: " + f + " on " + document.body.dataset.screen + ": " + document.body.innerText); };
	const at = (s) => wait(() => document.body.dataset.screen === s);
	const tap = async (s) => (await wait(() => document.querySelector(s))).click();
	await at("start"); await tap("#tell"); await at("kind"); await tap("#kind-near_miss"); await at("place"); await tap("#place-quarry-road");
	await at("when"); await tap("#when-now"); await at("who"); await tap("#who-nobody"); await at("words");
	const w = await wait(() => document.querySelector("#words")); w.value = words; w.dispatchEvent(new Event("input"));
	if (withPhoto) await (PHOTO);
	await tap("#next"); await at("worst"); await tap("#worst-serious"); await at("safe"); await tap("#safe-no"); await at("look"); await tap("#next"); await at("sent");
}`

// run files one report in the page.
func (w *window) quick(words string, withPhoto bool) {
	w.t.Helper()
	js := strings.Replace(press, "PHOTO", photo, 1)
	require.True(w.t, eval[bool](w, fmt.Sprintf(`(%s)(%q, %t).then(() => true)`, js, words, withPhoto)))
	w.tap("#next")
	w.until(`document.body.dataset.screen === "start"`)
}

// narratives are the words of all reports.
func narratives(rs []*pb.Report) map[string]int {
	out := map[string]int{}
	for _, r := range rs {
		out[r.GetNarrative()]++
	}
	return out
}

// TestFortnight is fourteen days out of reach, with a hundred reports and
// photos, a clock that is a day wrong, two flat batteries, and a network that
// comes back badly: none lost, none doubled.
func TestFortnight(t *testing.T) {
	if testing.Short() {
		t.Log("the fortnight takes a minute and does not run with -short")
		return
	}
	t.Parallel()
	h := newHouse(t, houseOptions{})
	profile := t.TempDir()
	b, err := startBrowser(profile)
	require.NoError(t, err)
	w := openWindow(t, h, b)
	w.open()
	w.ready()

	h.away.Store(true)
	const reports, days = 100, 14
	want := map[string]bool{}
	photos := 0
	for day := range days {
		// The clock of the tablet goes on day by day, and is a day ahead.
		w.clock((int64(day) + 1) * 24 * 60 * 60 * 1000)
		w.do(chromedp.Reload())
		w.at("start")
		for n := day * reports / days; n < (day+1)*reports/days; n++ {
			words := fmt.Sprintf("Day %d, number %d: the gate swung back.", day, n)
			withPhoto := n%5 == 0
			if withPhoto {
				photos++
			}
			w.quick(words, withPhoto)
			want[words] = true
		}
		switch day {
		case 4: // a flat battery while a draft is being written
			w.tap("#tell")
			w.at("kind")
			code := strings.ReplaceAll(strings.TrimPrefix(w.waitText(".state", "Kept on this"), "Kept on this tablet. Your code: "), " ", "")
			w.tap("#kind-hazard")
			w.at("place")
			w.tap("#place-quarry-road")
			w.at("when")
			w.tap("#next")
			w.at("who")
			w.tap("#who-nobody")
			w.at("words")
			w.write("#words", "The battery was low.")
			w.waitText(".state", "Kept on this")
			b.kill(t)
			b, err = startBrowser(profile)
			require.NoError(t, err)
			w = openWindow(t, h, b)
			w.open()
			w.tap("#open-draft")
			w.at("draft")
			w.write("#code", "000001")
			w.tap("#next")
			w.waitText("#wrong", "No draft")
			w.write("#code", code)
			w.tap("#next")
			w.at("words")
			require.Equal(t, "The battery was low.", eval[string](w, `document.querySelector("#words").value`))
			w.tap("#next")
			w.at("worst")
			w.tap("#next")
			w.at("safe")
			w.tap("#safe-no")
			w.at("look")
			w.tap("#next")
			w.at("sent")
			w.tap("#next")
			w.at("start")
			want["The battery was low."] = true
		case 9: // a flat battery in the middle of sending
			js := strings.Replace(press, "PHOTO", "null", 1)
			_ = eval[bool](w, fmt.Sprintf(`((%s)("Cut off at the end.", false), true)`, js))
			w.until(`document.body.dataset.screen === "sent" || document.body.dataset.screen === "look"`)
			b.kill(t)
			b, err = startBrowser(profile)
			require.NoError(t, err)
			w = openWindow(t, h, b)
			w.open()
		}
	}
	require.Empty(t, h.stored(), "nothing got through")
	w.tap("#mine")
	w.at("mine")

	// The network comes back badly: it loses the first answers after the server
	// has stored what it was sent, and breaks off again in the middle.
	h.lost.Store(7)
	h.away.Store(false)
	w.trying(`document.querySelectorAll(".item-received").length >= 20`)
	h.away.Store(true)
	time.Sleep(300 * time.Millisecond)
	h.lost.Store(5)
	h.away.Store(false)
	w.trying(`document.querySelectorAll(".item-received").length >= 40`)
	b.kill(t) // and the battery goes once more, while it sends
	b, err = startBrowser(profile)
	require.NoError(t, err)
	defer b.stop()
	w = openWindow(t, h, b)
	w.open()
	w.tap("#mine")
	w.at("mine")
	// The report that was cut off is a draft still, or sealed: never both.
	w.trying(fmt.Sprintf(`document.querySelectorAll(".item-received").length >= %d && !document.querySelector(".item-saved, .item-sent")`, len(want)))
	w.until(`(async () => new Promise(d => { const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const g = o.result.transaction("queue").objectStore("queue").getAll(); g.onsuccess = () => { d(g.result.every(i => !i.ciphertext)); o.result.close(); } } }))()`)

	got := narratives(h.stored())
	for words := range want {
		require.Equal(t, 1, got[words], "lost or doubled: %s", words)
	}
	require.LessOrEqual(t, got["Cut off at the end."], 1)
	require.Len(t, got, len(want)+got["Cut off at the end."])
	attached := 0
	for _, r := range h.stored() {
		for _, a := range h.attached(r.GetName()) {
			attached++
			require.LessOrEqual(t, a.GetWidth(), int32(1600), "shrunk on the tablet")
		}
	}
	require.Equal(t, photos, attached, "photos")
	w.quiet()
}

// TestServerDown stops the server itself while reports come, in the middle of what
// is sent as well, and starts it anew on the same data: none lost, none doubled.
func TestServerDown(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	want := map[string]int{}
	say := func(words string) {
		t.Helper()
		w.quick(words, false)
		want[words] = 1
	}
	say("Before.")
	for round := range 2 {
		for n := range 3 {
			say(fmt.Sprintf("Just before stop %d, number %d.", round, n))
		}
		h.Stop()
		say(fmt.Sprintf("While it is down, %d.", round))
		h.start()
	}
	w.tap("#mine")
	w.at("mine")
	w.trying(fmt.Sprintf(`document.querySelectorAll(".item-received").length >= %d`, len(want)))
	require.Equal(t, want, narratives(h.stored()))
}

// states counts what is in the queue, for a failing test.
const states = `new Promise(d => { const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const g = o.result.transaction("queue").objectStore("queue").getAll(); g.onsuccess = () => {
	const n = {}; for (const i of g.result) { const k = (i.number ? "report " : "file ") + i.state + (i.ciphertext ? " held" : ""); n[k] = (n[k] ?? 0) + 1; } d(JSON.stringify(n)); o.result.close(); } } })`

// trying presses "try now" until something is true.
func (w *window) trying(js string) {
	w.t.Helper()
	end := time.Now().Add(2 * patience)
	for !eval[bool](w, js) {
		if time.Now().After(end) {
			require.Fail(w.t, "never true: "+js, "reached the server: %d; states: %s; hello: %s", w.h.sent.Load(), eval[string](w, states), eval[string](w, `fetch("/tablet/api/hello").then(r => r.status + "", e => e + "")`))
		}
		w.tap("#try")
		time.Sleep(200 * time.Millisecond)
	}
}

// waitText waits until an element holds words, and returns them.
func (w *window) waitText(sel, words string) string {
	w.t.Helper()
	w.until(fmt.Sprintf(`(document.querySelector(%q)?.innerText ?? "").includes(%q)`, sel, words))
	return w.text(sel)
}

// TestStates follows one report through its three states, with the network in
// between.
func TestStates(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	h.away.Store(true)
	w.file(telling{kind: "hazard", who: "nobody", words: "The step is loose."})
	require.Equal(t, "Saved on this tablet", w.text("h1"))
	require.Len(t, w.text("#code"), 20, "the code to hear back is there before the network is")
	require.Contains(t, w.text("#voice"), "Number ")
	w.look("sent-saved")
	require.Empty(t, h.stored())

	// The answer is lost on its way back: it left, and nobody says more.
	h.lost.Store(1 << 30)
	h.away.Store(false)
	w.do(chromedp.Evaluate[chromedp.Void](`dispatchEvent(new Event("online"))`))
	w.waitText("h1", "Sent")
	require.Eventually(t, func() bool { return len(h.stored()) == 1 }, patience, 50*time.Millisecond)
	w.look("sent-sent")
	h.lost.Store(0)
	w.do(chromedp.Evaluate[chromedp.Void](`dispatchEvent(new Event("online"))`))
	w.waitText("h1", "Received")
	require.Contains(t, w.text("#voice"), h.stored()[0].GetShortCode())
	w.look("sent-received")
	require.Len(t, h.stored(), 1)
	require.GreaterOrEqual(t, h.sent.Load(), int64(2))
}
