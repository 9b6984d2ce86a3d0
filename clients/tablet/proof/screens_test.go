package proof

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// everyScreen goes to every screen of the app, one after the other, and stops at
// each.
func (w *window) everyScreen(stop func(name string)) {
	w.t.Helper()
	at := func(name string) {
		w.at(name)
		stop(name)
	}
	w.at("start")
	stop("start")
	w.tap("#emergency")
	w.until(`!!document.querySelector("dialog[open]")`)
	stop("card")
	w.tap("#card-close")
	w.until(`!document.querySelector("dialog")`)
	for _, s := range []string{"language", "mine", "about"} {
		w.tap("#" + s)
		at(s)
		w.tap("#back")
		w.at("start")
	}
	w.tap("#hear")
	at("hear")
	w.tap("#back")
	w.at("start")
	w.tap("#open-draft")
	at("draft")
	w.tap("#back")
	w.at("start")

	w.tap("#tell")
	w.until(`document.querySelector(".state")?.dataset.state === "kept"`)
	at("kind")
	// Each kind has a screen of its own; all but the last are left again.
	w.tap("#kind-injury")
	at("place")
	w.tap("#place-northside")
	w.until(`!!document.querySelector("#place-all")`)
	stop("place-below")
	w.tap("#place-northside-trees")
	at("when")
	w.tap("#when-day")
	at("day")
	w.tap("#next")
	at("who")
	w.tap("#who-named")
	at("name")
	w.tap("#next")
	w.at("words")
	w.write("#words", "A branch came back and hit the climber.")
	_ = eval[int](w, photo)
	stop("words")
	w.tap("#next")
	w.at("hurt")
	w.tap("#part-left_arm")
	stop("hurt")
	w.tap("#next")
	at("safe")
	w.tap("#safe-yes")
	at("first")
	w.tap("#next")
	at("look")
	for _, s := range []string{"spill", "damage", "worst", "spot"} {
		w.tap("#look-" + s)
		at(s)
		w.tap("#back")
		w.at("look")
	}
	w.tap("#later")
	at("later")
	w.tap("#back")
	w.at("look")
	w.tap("#next")
	w.at("sent")
	w.until(`document.querySelectorAll(".stages .past").length === 3`)
	stop("sent")
	w.tap("#next")
	w.at("start")
}

// speak chooses the language of the app.
func (w *window) speak(language string) {
	w.t.Helper()
	if language == "en" {
		return
	}
	w.tap("#language")
	w.at("language")
	w.tap("#speak-" + language)
	w.until(fmt.Sprintf(`document.documentElement.lang === %q && document.body.dataset.screen === "start"`, language))
}

// axeSource is axe-core, as the desk's tests have it.
func axeSource(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../webtest/testdata/axe/axe.min.js")
	require.NoError(t, err)
	return string(text)
}

// axe returns what axe-core finds against WCAG 2.2 at levels A and AA, and with
// the contrast of level AAA, 7 to 1.
func (w *window) axe(source string) []string {
	w.t.Helper()
	if !eval[bool](w, `typeof axe === "object"`) {
		// axe builds its rules from words; the page's policy stays as it is for
		// everything else.
		w.do(chromedp.Evaluate[chromedp.Void](source))
	}
	return eval[[]string](w, `axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
		rules: {"color-contrast-enhanced": {enabled: true}}, resultTypes: ["violations"], preload: false})
		.then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + ": " + n.failureSummary)))`)
}

// targets returns what is wrong with what can be touched: smaller than 48 pixels
// or 12 millimetres (a CSS pixel is 1/96 of an inch), too close to the next one,
// or out of the window; and words that do not fit into what is touched.
const targets = `(() => {
	const min = Math.max(48, 12 / 25.4 * 96), gap = 8, wrong = [];
	const root = document.querySelector("dialog[open]") ?? document.body;
	const all = [...root.querySelectorAll("button:not([hidden]), a[href], input:not([hidden]), textarea")].map(e => ({e, r: e.getBoundingClientRect()}));
	const name = (e) => e.id || e.textContent.trim().slice(0, 30) || e.tagName;
	for (const {e, r} of all) {
		if (r.width < min || r.height < min) wrong.push(name(e) + " is " + Math.round(r.width) + " by " + Math.round(r.height));
		if (e.tagName === "BUTTON" && (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1)) wrong.push(name(e) + ": its words do not fit");
		if (r.left < 0 || r.right > innerWidth + 0.5) wrong.push(name(e) + " reaches out of the window");
	}
	const stuck = (e) => !!e.closest(".strip, .ways");
	for (let i = 0; i < all.length; i++) for (let j = i + 1; j < all.length; j++) {
		if (stuck(all[i].e) !== stuck(all[j].e)) continue; // the page scrolls below the strip
		const a = all[i].r, b = all[j].r;
		const dx = Math.max(a.left - b.right, b.left - a.right), dy = Math.max(a.top - b.bottom, b.top - a.bottom);
		if (Math.max(dx, dy) < gap - 0.5) wrong.push(name(all[i].e) + " is " + Math.round(Math.max(dx, dy)) + " from " + name(all[j].e));
	}
	if (document.documentElement.scrollWidth > innerWidth + 0.5) wrong.push("the page is " + document.documentElement.scrollWidth + " wide");
	return wrong;
})()`

// wellMade looks at one screen: axe-core, and targets.
func (w *window) wellMade(name string) {
	w.t.Helper()
	assert.Empty(w.t, eval[[]string](w, targets), name)
	assert.Empty(w.t, w.axe(axeSource(w.t)), name)
}

// TestScreens looks at every screen, by size and scheme and language: axe-core,
// 7 to 1, targets, nothing out of the window; and leaves pictures.
func TestScreens(t *testing.T) {
	t.Parallel()
	source := axeSource(t)
	for _, c := range []struct {
		name     string
		size     size
		dark     bool
		language string
	}{
		{"phone", phone, false, "en"},
		{"portrait", portrait, false, "en"},
		{"landscape-dark", landscape, true, "en"},
		{"phone-ar", phone, true, "ar"},
		{"portrait-zh", portrait, false, "zh-Hans"},
		{"phone-pa", phone, false, "pa"},
		{"phone-vi", phone, false, "vi"},
		{"phone-fil", phone, false, "fil"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHouse(t, houseOptions{})
			w := newWindow(t, h)
			w.sized(c.size)
			w.dark(c.dark)
			w.open()
			w.ready()
			w.do(chromedp.Reload())
			w.at("start")
			w.speak(c.language)
			w.everyScreen(func(name string) {
				assert.Empty(t, eval[[]string](w, targets), name)
				assert.Empty(t, w.axe(source), name)
				if c.language != "en" && name != "language" {
					// Not one sentence of English is left.
					words := w.text("h1")
					assert.NotEqual(t, "", strings.TrimSpace(words), name)
				}
				w.look(c.name + "-" + name)
			})
		})
	}
}
