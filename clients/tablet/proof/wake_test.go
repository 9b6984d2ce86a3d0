package proof

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// wake has the browser wake the app's worker, as it does when there is a network
// again.
func (w *window) wake(registration serviceworker.RegistrationID) {
	w.t.Helper()
	call(w, serviceworker.DispatchSyncEvent, serviceworker.DispatchSyncEventParams{
		Origin: w.h.web, RegistrationID: registration, Tag: "fairlead-send"})
}

// registration is the worker of the app, as the browser calls it.
func (w *window) registration() serviceworker.RegistrationID {
	w.t.Helper()
	found := make(chan serviceworker.RegistrationID, 16)
	require.NoError(w.t, chromedp.Listen(w.ctx, func(ev any) {
		if e, ok := ev.(*serviceworker.EventWorkerRegistrationUpdated); ok {
			for _, r := range e.Registrations {
				if r.ScopeURL == w.h.web+"/tablet/" && !r.IsDeleted {
					select {
					case found <- r.RegistrationID:
					default:
					}
				}
			}
		}
	}))
	call(w, serviceworker.Enable, cdp.Empty{})
	return <-found
}

// TestWake closes the app with reports unsent and a photo with them: when there is
// a network again the browser wakes the worker, and that sends, without a page.
// Answers that are lost, and a page that sends at the same time, double nothing.
func TestWake(t *testing.T) {
	t.Parallel()
	for _, own := range []bool{false, true} {
		t.Run(fmt.Sprintf("enrolled %t", own), func(t *testing.T) {
			h := newHouse(t, houseOptions{closed: own})
			w := newWindow(t, h)
			if own {
				enrolled(t, h, w)
			} else {
				w.open()
				w.ready()
			}
			registration := w.registration()
			h.away.Store(true)
			want := map[string]int{}
			for n := range 4 {
				words := fmt.Sprintf("Number %d, out of reach.", n)
				w.quick(words, n == 0)
				want[words] = 1
			}
			require.Contains(t, eval[[]string](w, `navigator.serviceWorker.ready.then(r => r.sync.getTags())`), "fairlead-send", "the browser was asked to wake it")
			w.do(chromedp.Navigate("about:blank"))
			require.Empty(t, h.stored())

			// Two answers are lost after the server has stored what it was sent.
			h.lost.Store(2)
			h.away.Store(false)
			require.Eventually(t, func() bool {
				w.wake(registration)
				got := h.stored()
				return len(got) == len(want) && h.sent.Load() >= 7
			}, patience, 300*time.Millisecond, "the worker sends without a page")
			require.Equal(t, want, narratives(h.stored()))

			// The app itself finds nothing left, and says what became of them.
			w.open()
			w.wake(registration)
			w.tap("#mine")
			w.at("mine")
			w.until(`document.querySelectorAll(".item-received").length === 4`)
			require.Equal(t, want, narratives(h.stored()))
			photos := 0
			for _, r := range h.stored() {
				photos += len(h.attached(r.GetName()))
			}
			require.Equal(t, 1, photos)

			// An open page hears what the worker sent, and sends with it: still once.
			w.tap("#back")
			h.away.Store(true)
			w.file(telling{kind: "hazard", who: "nobody", words: "With a page open."})
			require.Equal(t, "Saved on this tablet", w.text("h1"))
			h.away.Store(false)
			w.do(chromedp.Evaluate[chromedp.Void](`dispatchEvent(new Event("online"))`))
			w.wake(registration)
			w.waitText("h1", "Received")
			want["With a page open."] = 1
			require.Equal(t, want, narratives(h.stored()))
			w.quiet()
		})
	}
}
