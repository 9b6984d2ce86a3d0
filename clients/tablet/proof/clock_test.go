package proof

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestClock files with a clock that is wrong by a day and more, ahead and behind:
// the tablet says so before anybody starts to tell, with a network and without; the
// words are kept through a reload, and what is stored has the time of the service's
// clock, which is said.
func TestClock(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	for _, hours := range []int64{26, -26} {
		t.Run(fmt.Sprintf("%+d hours", hours), func(t *testing.T) {
			w := newWindow(t, h)
			w.t = t
			w.clock(hours * 60 * 60 * 1000)
			w.open()
			w.ready()
			w.at("start")
			w.waitText("#warnings", "wrong by about 26 hours")
			require.True(t, eval[bool](w, `!!(document.querySelector("#warnings").compareDocumentPosition(document.querySelector("#tell")) & Node.DOCUMENT_POSITION_FOLLOWING)`), "before the way to tell")
			assert.Empty(t, eval[[]string](w, targets))

			h.away.Store(true)
			w.do(chromedp.Reload())
			w.at("start")
			w.waitText("#warnings", "wrong by about 26 hours")

			// Words that were being written when the page went are there again.
			w.toWho("named")
			w.at("name")
			code := w.waitText(".state", "Kept on this")[len("Kept on this tablet. Your code: "):]
			w.tap("#next")
			w.at("words")
			words := fmt.Sprintf("By a clock wrong by %d hours.", hours)
			w.write("#words", words)
			w.waitText(".state", "Kept on this")
			w.do(chromedp.Reload())
			w.at("start")
			w.tap("#open-draft")
			w.at("draft")
			w.write("#code", code)
			w.tap("#next")
			w.at("words")
			require.Equal(t, words, eval[string](w, `document.querySelector("#words").value`))
			w.onward()
			require.Equal(t, "Saved on this tablet", w.text("h1"))
			require.Empty(t, w.text("#mended"))

			h.away.Store(false)
			w.do(chromedp.Evaluate[chromedp.Void](`dispatchEvent(new Event("online"))`))
			w.waitText("h1", "Received")
			w.waitText("#mended", "The times were put right.")
			w.look(fmt.Sprintf("clock-%+d", hours))
			found := 0
			for _, r := range h.stored() {
				if r.GetNarrative() != words {
					continue
				}
				found++
				require.WithinDuration(t, time.Now(), r.GetOccurTime().AsTime(), 5*time.Minute, "just now")
				require.WithinDuration(t, time.Now(), r.GetMadeTime().AsTime(), 5*time.Minute)
			}
			require.Equal(t, 1, found)
			w.quiet()
		})
	}
}
