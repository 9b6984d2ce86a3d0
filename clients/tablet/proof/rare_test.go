package proof

import (
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"fairlead/clients/tablet"
	pb "fairlead/proto/gen/fairlead/v1"
)

// catalogue is what the app says in a language.
func catalogue(t *testing.T, language string) map[string]string {
	t.Helper()
	text, err := os.ReadFile("../src/words/" + language + ".json")
	require.NoError(t, err)
	if language == "en" {
		out := map[string]string{}
		require.NoError(t, json.Unmarshal(text, &out))
		return out
	}
	var out struct{ Words map[string]string }
	require.NoError(t, json.Unmarshal(text, &out))
	return out.Words
}

// planned are settings with a plan of the northside depot.
func planned(t *testing.T) tablet.Settings {
	t.Helper()
	folder := t.TempDir()
	f, err := os.Create(filepath.Join(folder, "northside.png"))
	require.NoError(t, err)
	require.NoError(t, png.Encode(f, image.NewGray(image.Rect(0, 0, 60, 40))))
	require.NoError(t, f.Close())
	require.NoError(t, os.WriteFile(filepath.Join(folder, "tablet.json"), []byte(`{"card": {"radio": "Channel 12", "place": "Northside depot, 14 Works Lane", "latitude": -33.12345, "longitude": 150.54321,
		"numbers": [{"who": "Depot supervisor", "number": "0491 570 006"}]}, "plans": {"workplaces/quarry-road": "northside.png"}}`), 0o600))
	s, err := tablet.ReadSettings(filepath.Join(folder, "tablet.json"))
	require.NoError(t, err)
	return s
}

// TestRareScreens looks at the screens off the way, each once in a window that
// goes from state to state: in English and from right to left on the narrowest
// screen, and in letters that are not Latin on a tablet.
func TestRareScreens(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		language string
		size     size
		dark     bool
	}{{"en", phone, false}, {"ar", phone, true}, {"pa", portrait, false}} {
		t.Run(c.language, func(t *testing.T) {
			h := newHouse(t, houseOptions{closed: true, card: planned(t)})
			w := newWindow(t, h)
			w.sized(c.size)
			w.dark(c.dark)
			w.clock(26 * 60 * 60 * 1000)
			w.open()
			w.until(`!!document.querySelector("#warnings p")`)
			w.wellMade("signed out")
			enrolled(t, h, w)
			w.speak(c.language)
			r := rare{window: w, says: catalogue(t, c.language), name: c.language}
			r.beforeTelling()
			r.kinds()
			r.names()
			r.places()
			code := r.leftAlone()
			r.drafts(code)
			r.sending()
			r.hearing()
			r.nothingKept()
		})
	}
}

// rare goes through the rare screens in one language.
type rare struct {
	*window
	says map[string]string
	name string
}

func (r *rare) stop(name string) {
	r.t.Helper()
	r.wellMade(r.name + ": " + name)
	r.look("rare-" + r.name + "-" + name)
}

// wrong waits until a screen says what is wrong.
func (r *rare) wrong(sel, key string) {
	r.t.Helper()
	r.until(fmt.Sprintf(`document.querySelector(%q)?.textContent === %q`, sel, r.says[key]))
}

// beforeTelling are the tablet itself, the card, and what warns.
func (r *rare) beforeTelling() {
	r.t.Helper()
	r.do(chromedp.Reload())
	r.at("start")
	r.until(`document.querySelectorAll("#warnings p").length >= 2`)
	r.stop("warnings")
	r.tap("#about")
	r.at("about")
	r.write("#enrol", "WRONGCOD")
	r.tap("#join")
	r.wrong("#said", "enrol_wrong")
	r.stop("enrol-wrong")
	r.tap("#back")
	r.at("start")
	r.tap("#emergency")
	r.until(`!!document.querySelector("#card")`)
	r.tap("#card-here")
	r.wrong("#at", "spot_none")
	r.stop("card-here")
	r.tap("#card-close")
	r.until(`!document.querySelector("#card")`)
	r.tap("#hear")
	r.at("hear")
	r.write("#receipt", "ABC")
	r.tap("#next")
	r.wrong("#wrong", "hear_wrong")
	r.stop("hear-wrong")
	r.tap("#back")
}

// kinds goes the way of each kind, with what can be wrong on it.
func (r *rare) kinds() {
	r.t.Helper()
	r.at("start")
	r.tap("#tell")
	r.at("kind")
	r.tap("#kind-near_miss")
	r.at("place")
	r.tap("#place-quarry-road")
	r.at("when")
	r.tap("#when-day")
	r.at("day")
	r.do(chromedp.Evaluate[chromedp.Void](`{ const d = document.querySelector("#day"); d.value = "2091-01-01"; d.dispatchEvent(new Event("input")); }`))
	r.tap("#next")
	r.wrong("#wrong", "when_after")
	r.stop("day-wrong")
	r.tap("#back")
	r.at("when")
	r.tap("#when-now")
	r.at("who")
	r.tap("#who-nobody")
	r.at("words")
	r.tap("#next")
	r.wrong("#wrong", "words_needed")
	r.stop("words-wrong")
	r.tap(".chip:nth-child(3)")
	require.Equal(r.t, 1, eval[int](r.window, photo))
	r.tap("#talk")
	r.until(`document.querySelector("#talk").getAttribute("aria-pressed") === "true"`)
	r.stop("talking")
	r.tap("#talk")
	r.until(`!!document.querySelector(".kept-file .play")`)
	r.stop("words-files")
	r.tap("#next")
	r.at("worst")
	r.stop("worst-on-the-way")
	r.tap("#next")
	r.at("safe")
	r.tap("#safe-no")
	for _, k := range []struct{ kind, about string }{{"hazard", "worst"}, {"injury", "hurt"}, {"damage", "damage"}, {"not_sure", "worst"}, {"spill", "spill"}} {
		r.at("look")
		r.tap("#look-kind")
		r.at("kind")
		r.tap("#kind-" + k.kind)
		r.at("look")
		if k.kind == "hazard" {
			r.tap("#look-words")
			r.at("words")
			r.stop("words-hazard")
			r.tap("#back")
			r.at("look")
		}
		r.tap("#look-" + k.about)
		r.at(k.about)
		switch k.kind {
		case "injury":
			r.tap("#view-back")
			r.tap("#part-right_shoulder")
			r.tap("#part-lower")
			r.stop("hurt-back")
		case "spill":
			r.write("#litres", "a lot")
			r.tap("#next")
			r.wrong("#wrong", "spill_number")
			r.stop("spill-wrong")
			r.write("#litres", "2.5")
			r.tap("#water-drain")
			r.stop("spill-on-the-way")
		case "damage":
			r.stop("damage-on-the-way")
		}
		r.tap("#back")
	}
	r.at("look")
	r.stop("look-full")
}

// names gives a PIN, and lets its time end.
func (r *rare) names() {
	r.t.Helper()
	r.tap("#look-who")
	r.at("who")
	r.stop("who-chosen")
	r.tap("#who-named")
	r.at("look")
	r.tap("#look-name")
	r.at("name")
	r.stop("name-offer")
	r.tap("#pick")
	r.at("pick")
	r.stop("pick")
	r.tap("#worker-1")
	r.at("pin")
	r.tap("#key-1")
	r.tap("#next")
	r.wrong("#wrong", "pin_short")
	r.stop("pin-short")
	r.tap("#key-clear")
	for _, d := range secretPin {
		r.tap("#key-" + string(d))
	}
	r.tap("#next")
	r.until(`!!document.querySelector("#turn-said")?.textContent`)
	r.stop("name-pin")
	r.tap("#mate")
	r.at("name")
	r.stop("name-mate")
	r.tap("#mate")
	r.do(chromedp.Evaluate[chromedp.Void](`{ const now = Date.now; Date.now = () => now() + 16 * 60 * 1000; }`))
	r.tap("#back")
	r.at("look")
	r.wrong("#pin-over .note", "pin_over")
	r.stop("pin-over")
}

// places points on a plan, puts away with a code that is too short, and has a
// disk that is full.
func (r *rare) places() {
	r.t.Helper()
	r.tap("#look-spot")
	r.at("spot")
	r.tap("#square-B2")
	r.until(`!!document.querySelector("#square-B2-c3")`)
	r.tap("#square-B2-c3")
	r.stop("plan-zoomed")
	r.tap("#plan-whole")
	r.until(`!!document.querySelector("#square-A1")`)
	r.stop("plan")
	r.do(chromedp.Evaluate[chromedp.Void](`IDBObjectStore.prototype.putBefore = IDBObjectStore.prototype.put; IDBObjectStore.prototype.put = function () { throw new DOMException("no room", "QuotaExceededError") }`))
	r.write("#spot", "bay 4")
	r.until(`document.querySelector(".state").dataset.state === "trouble"`)
	r.stop("could-not-be-kept")
	r.do(chromedp.Evaluate[chromedp.Void](`IDBObjectStore.prototype.put = IDBObjectStore.prototype.putBefore`))
	r.write("#spot", "bay 5")
	r.until(`document.querySelector(".state").dataset.state === "kept"`)
	r.tap("#back")
	r.at("look")
	r.tap("#later")
	r.at("later")
	r.write("#own", "12")
	r.tap("#use-own")
	r.wrong("#wrong", "later_own_short")
	r.stop("later-short")
	r.tap("#back")
	r.at("look")
}

// leftAlone walks away: the app asks, and clears the screen. It returns the code
// of the draft.
func (r *rare) leftAlone() string {
	r.t.Helper()
	code := eval[string](r.window, `document.querySelector(".state").textContent.replace(/\D/g, "")`)
	require.Len(r.t, code, 6)
	if r.name == "ar" {
		// As it is drawn, the first three come first.
		require.True(r.t, eval[bool](r.window, `(() => { const n = document.querySelector(".state").firstChild, at = n.data.search(/\d/);
			const left = (i) => { const x = document.createRange(); x.setStart(n, i); x.setEnd(n, i + 1); return x.getBoundingClientRect().left; };
			return left(at) < left(at + 4); })()`), "the code is read from left to right")
	}
	r.do(chromedp.Evaluate[chromedp.Void](`{ const now = performance.now.bind(performance); performance.now = () => now() + (globalThis.gone ?? 0); globalThis.gone = 8 * 60 * 1000; }`))
	r.until(`!!document.querySelector("#idle")`)
	r.stop("idle")
	r.do(chromedp.Evaluate[chromedp.Void](`globalThis.gone = 11 * 60 * 1000`))
	r.at("start")
	r.wrong("#cleared p", "cleared")
	require.NotContains(r.t, eval[string](r.window, everything), secretName, "who it was is not said")
	r.stop("cleared")
	return code
}

// drafts opens one that has two versions.
func (r *rare) drafts(code string) {
	r.t.Helper()
	r.tap("#open-draft")
	r.at("draft")
	r.write("#code", "000001")
	r.tap("#next")
	r.wrong("#wrong", "draft_wrong")
	r.stop("draft-wrong")
	require.True(r.t, eval[bool](r.window, `new Promise(d => { const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const s = o.result.transaction("drafts", "readwrite").objectStore("drafts"); const g = s.getAll();
		g.onsuccess = () => { s.put({...g.result[0], id: "another"}).onsuccess = () => { d(true); o.result.close(); }; } } })`))
	r.write("#code", code)
	r.tap("#next")
	r.at("versions")
	r.stop("versions")
	r.tap("#version-1")
	r.at("look")
	r.wrong("#pin-over .note", "pin_over")
}

// sending shows the three states, what was mended, and what was refused.
func (r *rare) sending() {
	r.t.Helper()
	r.h.away.Store(true)
	r.tap("#next")
	r.at("sent")
	r.stop("sent-saved")
	online := chromedp.Evaluate[chromedp.Void](`dispatchEvent(new Event("online"))`)
	r.h.lost.Store(1 << 30)
	r.h.away.Store(false)
	r.do(online)
	r.until(`document.querySelectorAll(".stages .past").length === 2`)
	r.stop("sent-sent")
	r.h.lost.Store(0)
	r.do(online)
	r.until(`document.querySelectorAll(".stages .past").length === 3`)
	r.wrong("#mended .note", "mended_clock")
	r.stop("sent-mended")
	r.tap("#next")
	r.at("start")
	r.h.refuse.Store(true)
	_ = eval[bool](r.window, fmt.Sprintf(`((%s)("Not taken.", false), true)`, strings.Replace(press, "PHOTO", "null", 1)))
	r.at("sent")
	r.wrong("#where", "mine_kept")
	r.stop("sent-kept")
	r.tap("#next")
	r.at("start")
	r.h.refuse.Store(false)
	r.tap("#mine")
	r.at("mine")
	r.until(`!!document.querySelector(".item-received") && !!document.querySelector(".item-kept")`)
	r.stop("mine-items")
	r.tap("#back")
}

// hearing asks what came of a report, answers, and loses the network.
func (r *rare) hearing() {
	r.t.Helper()
	r.at("start")
	_ = eval[bool](r.window, fmt.Sprintf(`((%s)("The rail is loose.", false), true)`, strings.Replace(press, "PHOTO", "null", 1)))
	r.at("sent")
	r.until(`document.querySelectorAll(".stages .past").length === 3`)
	code := r.text("#code")
	for _, one := range r.h.stored() {
		if one.GetNarrative() == "The rail is loose." {
			_, err := pb.NewMessageServiceClient(r.h.Conn()).AskTeller(r.h.As("adviser"), &pb.AskTellerRequest{Report: one.GetName(), Text: "Which rail is it?"})
			require.NoError(r.t, err)
		}
	}
	r.tap("#next")
	r.at("start")
	r.tap("#hear")
	r.at("hear")
	r.write("#receipt", code)
	r.tap("#next")
	r.at("heard")
	r.stop("heard")
	r.h.away.Store(true)
	r.write("#answer", "The one by the tank.")
	r.tap("#answer-send")
	r.wrong("#say", "hear_away")
	r.stop("heard-away")
	r.tap("#back")
	r.at("start")
}

// nothingKept is a tablet that has never met the service, a window that keeps
// nothing, and an address that is not private.
func (r *rare) nothingKept() {
	r.t.Helper()
	for _, c := range []struct{ name, before, key string }{
		{"private", `indexedDB.open = () => { throw new DOMException("no", "SecurityError") }; IDBFactory.prototype.open = indexedDB.open`, "warn_private"},
		{"not-secure", `Object.defineProperty(globalThis, "isSecureContext", {value: false})`, "warn_secure"},
	} {
		r.before(c.before)
		r.do(chromedp.Reload())
		r.at("start")
		// Its language is in the store that cannot be opened.
		r.waitText("#warnings", catalogue(r.t, "en")[c.key])
		require.False(r.t, r.there("#tell"), "nobody starts to tell what cannot be kept")
		r.stop(c.name)
	}
}
