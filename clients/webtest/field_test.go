package webtest

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestReportForm_inTheField measures what people with gloves, in sun, meet:
// every target of the report form is at least 48 px high, every word stands out
// at least 7 to 1 (needs ACC1 and ACC2), in every state of the page.
func TestReportForm_inTheField(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, role := range []string{"visitor", "worker"} {
		t.Run(role, func(t *testing.T) {
			b := newTab(t, h)
			if role != "visitor" {
				b.signIn(role)
			}
			b.open("/report")
			b.inTheField("empty")
			b.unfold("main details")
			b.inTheField("unfolded")
			b.fillForm(map[string]string{"mode-anonymous": "yes", "name": "Dune Fauxley", "litres": "lots", "substance": "petrol"})
			b.do(chromedp.Evaluate[chromedp.Void](`day.type = "text"; day.value = "soon"`))
			require.EqualValues(t, 422, b.send("button.send"))
			b.inTheField("sent back")
			require.Empty(t, b.axe(320))
			b.fillForm(map[string]string{"kind-near-miss": "yes", "workplace": "workplaces/northside", "narrative": "The plank slid.", "name": "", "litres": "3", "day": "2026-09-09", "worst-fatal": "yes"})
			require.EqualValues(t, 200, b.send("button.send"), b.text("main"))
			require.NotZero(t, b.count(".note"), "what could have killed is not left without a word")
			b.inTheField("received")
			require.Empty(t, b.axe(320))
			b.quiet(role)
		})
	}
}

// inTheField measures targets and contrast at every width.
func (b *tab) inTheField(state string) {
	b.t.Helper()
	for _, w := range widths {
		b.sized(w)
		at := fmt.Sprintf("%s at %d px", state, w)
		b.fits(at)
		assert.Empty(b.t, eval[[]string](b, smallTargets), at)
		low := eval[[]string](b, faintWords)
		assert.Empty(b.t, low, at)
		b.look("form-"+strings.ReplaceAll(state, " ", "-")+fmt.Sprintf("-%d", w), w)
	}
	require.Greater(b.t, eval[int](b, `document.querySelectorAll("main *").length`), 4)
}

// smallTargets lists what can be touched and is less than 48 px high. A radio
// button or box counts with its row, all of which answers (see
// TestReportForm_wholeRow).
const smallTargets = `(() => {
	const out = [];
	for (const e of document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")) {
		if (!e.checkVisibility() || e.classList.contains("skip")) continue;
		const target = e.matches("[type=radio], [type=checkbox]") ? e.closest(".pick") : e;
		const h = target.getBoundingClientRect().height;
		if (h < 48) out.push(Math.round(h) + " px: " + e.tagName + " " + (e.id || e.textContent.trim().slice(0, 30)));
	}
	return out;
})()`

// faintWords lists the words whose contrast with what is behind them is below
// 7 to 1, by the formula of WCAG 2 (relative luminance), and the sample words of
// empty fields with them.
const faintWords = `(() => {
	const rgb = c => c.match(/[\d.]+/g).map(Number);
	const lum = c => { const [r, g, b] = c.map(v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
	const behind = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] === 1) return c; if (c[3] !== 0) return [128, 128, 128]; } return [255, 255, 255]; };
	const ratio = (a, b) => { const [x, y] = [lum(a.slice(0, 3)), lum(b.slice(0, 3))].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
	const out = [], seen = new Set();
	const check = (e, color, words) => {
		const r = ratio(rgb(color), behind(e));
		if (r < 7 || getComputedStyle(e).opacity !== "1") out.push(r.toFixed(2) + ": " + words.trim().slice(0, 40));
	};
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	while (walk.nextNode()) {
		const e = walk.currentNode.parentElement;
		if (!walk.currentNode.data.trim() || seen.has(e) || !e.checkVisibility() || e.closest("select, script, .skip")) continue;
		seen.add(e);
		check(e, getComputedStyle(e).color, walk.currentNode.data);
	}
	for (const e of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
		if (!e.checkVisibility()) continue;
		check(e, getComputedStyle(e).color, e.id);
		if (e.placeholder) check(e, getComputedStyle(e, "::placeholder").color, "sample of " + e.id);
	}
	return out;
})()`

// TestReportForm_wholeRow presses the edges of each answer's row: a glove that
// misses the words still answers.
func TestReportForm_wholeRow(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.sized(360)
	b.open("/report")
	b.unfold("main details")
	for i := range b.count(".pick") {
		for _, corner := range []string{"r.left + 4, r.top + 4", "r.right - 4, r.bottom - 4", "r.left + 12, r.top + r.height / 2"} {
			hit := eval[bool](b, fmt.Sprintf(`(() => {
				const row = document.querySelectorAll(".pick")[%d];
				row.scrollIntoView({block: "center"});
				const r = row.getBoundingClientRect(), e = document.elementFromPoint(%s);
				return !!e && e.closest("label, input") !== null && row.contains(e);
			})()`, i, corner))
			require.True(t, hit, "row %d at %s", i, corner)
		}
	}
}
