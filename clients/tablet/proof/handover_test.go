package proof

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// What the first person says and is called; nobody else may find a trace of it.
const (
	secretWords = "Quokka-heliotrope fell on Bandicoot"
	secretName  = "Zebulon Featherstonehaugh"
	secretSpot  = "Marmalade culvert"
)

// everything is whatever a page can find: the screen, storage, caches, cookies,
// history.
const everything = `(async () => {
	const out = [document.documentElement.outerHTML, location.href, document.title, document.cookie, JSON.stringify(localStorage), JSON.stringify(sessionStorage), JSON.stringify(history.state)];
	for (const e of document.querySelectorAll("input, textarea")) out.push(e.value);
	for (const d of await indexedDB.databases()) await new Promise(done => { const o = indexedDB.open(d.name); o.onsuccess = async () => {
		for (const s of o.result.objectStoreNames) await new Promise(next => { const g = o.result.transaction(s).objectStore(s).getAll(); g.onsuccess = () => {
			out.push(JSON.stringify(g.result, (k, v) => v instanceof Uint8Array ? new TextDecoder("latin1").decode(v) : v)); next(); } });
		o.result.close(); done(); } });
	for (const c of await caches.keys()) for (const r of await (await caches.open(c)).keys()) out.push(r.url, await (await caches.match(r)).text());
	return out.join("\n");
})()`

// TestHandOver hands the tablet over in the middle of a draft and after sending:
// the second person finds nothing on the screen, behind Back, in storage, caches
// and history, nor in the files of the browser.
func TestHandOver(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{idle: 4 * time.Second})
	profile := t.TempDir()
	b, err := startBrowser(profile)
	require.NoError(t, err)
	defer func() { b.stop() }()
	w := openWindow(t, h, b)
	w.open()
	w.ready()
	h.away.Store(true)

	nothing := func(when string) {
		t.Helper()
		all := eval[string](w, everything)
		for _, s := range []string{secretWords, secretName, secretSpot, "Quokka", "Featherstonehaugh"} {
			require.NotContains(t, all, s, when)
		}
	}

	// One report is sent into the queue; the tablet cannot read what it holds.
	w.file(telling{kind: "near_miss", who: "named", name: secretName, words: secretWords})
	w.tap("#next")
	w.at("start")
	nothing("queued")
	require.Contains(t, eval[string](w, everything), "ciphertext")

	// One is being written when its writer walks away.
	w.tap("#tell")
	w.at("kind")
	w.waitText(".state", "Kept on this")
	code := w.text(".state")[len("Kept on this tablet. Your code: "):]
	w.tap("#kind-hazard")
	w.at("place")
	w.tap("#place-not-sure")
	w.at("when")
	w.tap("#next")
	w.at("who")
	w.tap("#who-named")
	w.at("name")
	w.write("#name", secretName)
	w.tap("#next")
	w.at("words")
	w.write("#words", secretWords)
	w.until(`!!document.querySelector("#idle")`)
	w.look("idle")
	w.at("start") // by itself
	nothing("put away")
	for range 3 {
		w.do(chromedp.Evaluate[chromedp.Void](`history.back()`))
		time.Sleep(100 * time.Millisecond)
		w.at("start")
	}
	nothing("after Back")
	w.do(chromedp.Reload())
	w.at("start")
	nothing("after a reload")

	// The writer comes back with the code.
	w.tap("#open-draft")
	w.at("draft")
	w.write("#code", code)
	w.tap("#next")
	w.at("words")
	require.Equal(t, secretWords, eval[string](w, `document.querySelector("#words").value`))
	w.tap("#back")
	w.at("name")
	require.Equal(t, secretName, eval[string](w, `document.querySelector("#name").value`))
	w.do(chromedp.Navigate("about:blank"))
	b.stop()

	// Nor do the files of the browser hold them.
	nowhereIn(t, profile, secretWords, secretName)
}

// TestTwoWindows writes the same draft in two windows: both versions are kept,
// and whoever has the code chooses.
func TestTwoWindows(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	w.tap("#tell")
	w.at("kind")
	w.waitText(".state", "Kept on this")
	code := w.text(".state")[len("Kept on this tablet. Your code: "):]
	w.tap("#kind-hazard")
	w.at("place")
	w.tap("#place-not-sure")
	w.at("when")
	w.tap("#next")
	w.at("who")
	w.tap("#who-nobody")
	w.at("words")
	w.write("#words", "First version.")
	w.waitText(".state", "Kept on this")

	second, cancel := chromedp.NewContext(w.ctx)
	defer cancel()
	v := &window{t: t, h: h, ctx: second}
	require.NoError(t, chromedp.Do(second))
	v.sized(portrait)
	v.open()
	v.tap("#open-draft")
	v.at("draft")
	v.write("#code", code)
	v.tap("#next")
	v.at("words")
	v.write("#words", "Second version.")
	v.waitText(".state", "Kept on this")
	w.write("#words", "First version, longer.")
	w.waitText(".state", "Kept on this")

	for _, x := range []*window{w, v} {
		x.do(chromedp.Navigate(h.web + "/tablet/"))
		x.at("start")
	}
	w.tap("#open-draft")
	w.at("draft")
	w.write("#code", code)
	w.tap("#next")
	w.at("versions")
	both := w.text("main")
	require.Contains(t, both, "First version, longer.")
	require.Contains(t, both, "Second version.")
	require.Contains(t, both, "There are 2 versions")
	w.quiet()
}

// TestHearingBack follows the receipt code: what was done, a question, an answer,
// "not fixed", and the same without a network.
func TestHearingBack(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	w.file(telling{kind: "hazard", who: "nobody", words: "The rail is loose."})
	w.waitText("h1", "Received")
	code := w.text("#code")
	report := h.stored()[0].GetName()
	messages := pb.NewMessageServiceClient(h.Conn())
	_, err := messages.AskTeller(h.As("adviser"), &pb.AskTellerRequest{Report: report, Text: "Which rail is it?"})
	require.NoError(t, err)
	_, err = messages.TellProgress(h.As("supervisor"), &pb.TellProgressRequest{Report: report, Stage: pb.ProgressStage_PROGRESS_STAGE_DONE, Text: "The rail was bolted on."})
	require.NoError(t, err)
	w.tap("#next")
	w.at("start")

	w.tap("#hear")
	w.at("hear")
	w.write("#receipt", code[:19]+map[bool]string{true: "1", false: "0"}[code[19] == '0'])
	w.tap("#next")
	w.waitText("#wrong", "slip")
	w.write("#receipt", strings.ToLower(code))
	w.tap("#next")
	w.at("heard")
	require.Contains(t, w.text("#messages"), "They ask: Which rail is it?")
	require.Contains(t, w.text("#messages"), "The rail was bolted on.")
	w.look("heard")
	w.write("#answer", "The one by the tank.")
	w.tap("#answer-send")
	w.waitText("#messages", "You said: The one by the tank.")
	w.tap("#not-fixed")
	w.waitText("#messages", "It is not fixed")

	h.away.Store(true)
	w.do(chromedp.Reload())
	w.at("start")
	require.NotContains(t, eval[string](w, everything), "by the tank")
	w.tap("#hear")
	w.at("hear")
	w.write("#receipt", code)
	w.tap("#next")
	w.at("heard")
	require.Contains(t, w.text("#hear-note"), "No signal")
	require.Contains(t, w.text("#messages"), "by the tank")

	h.Ready(h.Head())
	list, err := messages.ListReportMessages(h.As("adviser"), &pb.ListReportMessagesRequest{Report: report})
	require.NoError(t, err)
	require.Len(t, list.GetMessages(), 4)
	for _, m := range list.GetMessages() {
		if m.GetSide() == pb.MessageSide_MESSAGE_SIDE_HOUSE {
			require.NotEmpty(t, m.GetAcknowledgeDate(), "read")
		}
	}
	w.quiet()
}
