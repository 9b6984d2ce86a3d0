package proof

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// TestFormTimes counts seconds and skipped questions, to test the form: by screen,
// of reports that were sent, sorted, with nothing that leads to a report or a person.
func TestFormTimes(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	type times map[string]struct {
		Seconds []float64
		Skipped int
	}
	kept := func() times {
		return eval[times](w, `new Promise(d => { const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const g = o.result.transaction("meta").objectStore("meta").get("timing"); g.onsuccess = () => { d(g.result ?? {}); o.result.close(); } } })`)
	}
	w.toWho("nobody")
	w.at("words")
	w.write("#words", "Never sent.")
	w.do(chromedp.Reload())
	w.at("start")
	require.Empty(t, kept(), "a draft that is not sent says nothing")

	for _, words := range []string{"One.", "Two.", "Three."} {
		w.toWho("nobody")
		w.at("words")
		w.write("#words", words)
		w.onward() // skips how bad it could have been
		w.tap("#next")
		w.at("start")
	}
	got := kept()
	var screens []string
	for name, s := range got {
		screens = append(screens, name)
		require.Len(t, s.Seconds, 3, name)
		require.IsNonDecreasing(t, s.Seconds, "in no order of coming")
		require.Equal(t, map[bool]int{true: 3}[name == "worst"], s.Skipped, name)
	}
	require.ElementsMatch(t, []string{"kind", "place", "when", "who", "words", "worst", "safe", "look"}, screens, "screens, and nothing else")
	w.tap("#about")
	w.at("about")
	require.Contains(t, w.text("main"), "For testing the form, never a person.")
	require.Regexp(t, `worst: \d+ seconds, 3 times, skipped 3`, w.text("main"))
	w.quiet()
}
