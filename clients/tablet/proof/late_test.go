package proof

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// day is a day in milliseconds.
const day = 24 * 60 * 60 * 1000

// TestLatePhotos sends a report, loses the network before its photo, and brings
// that five days later: the receipt code, sealed in with it, lets it in.
func TestLatePhotos(t *testing.T) {
	t.Parallel()
	for _, who := range []string{"nobody", "named"} {
		t.Run(who, func(t *testing.T) {
			t.Parallel()
			var ahead atomic.Int64
			h := newHouse(t, houseOptions{clock: func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }})
			w := newWindow(t, h)
			w.open()
			w.ready()
			w.toWho(who)
			if who != "nobody" {
				w.at("name")
				w.tap("#next")
			}
			w.at("words")
			w.write("#words", "With a photo.")
			require.Equal(t, 1, eval[int](w, photo))
			h.cut.Store(1)
			w.onward()
			w.waitText("h1", "Received")
			w.waitText("#files-left", "Photos or sounds still to go: 1")
			w.tap("#next")
			w.at("start")
			stored := h.stored()
			require.Len(t, stored, 1)
			require.Empty(t, h.attached(stored[0].GetName()))

			ahead.Store(5 * day * int64(time.Millisecond))
			w.clock(5 * day)
			w.do(chromedp.Reload())
			w.at("start")
			h.away.Store(false)
			w.tap("#mine")
			w.at("mine")
			w.trying(`new Promise(d => { const o = indexedDB.open("fairlead-tablet"); o.onsuccess = () => { const g = o.result.transaction("queue").objectStore("queue").getAll(); g.onsuccess = () => { d(g.result.every(i => !i.ciphertext)); o.result.close(); } } })`)
			late := h.attached(stored[0].GetName())
			require.Len(t, late, 1)
			require.True(t, late[0].GetCreateTime().AsTime().After(time.Now().Add(3*24*time.Hour)))
			if who == "nobody" {
				require.Zero(t, late[0].GetCreateTime().AsTime().Second()+late[0].GetCreateTime().AsTime().Minute(), "the day, and no closer")
			}
			w.quiet()
		})
	}
}

// TestReceiptAgain loses the battery on the screen with the receipt code: the
// draft's code shows it again, until its writer presses Done.
func TestReceiptAgain(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	profile := t.TempDir()
	b, err := startBrowser(profile)
	require.NoError(t, err)
	defer func() { b.stop() }()
	w := openWindow(t, h, b)
	w.open()
	w.ready()
	h.away.Store(true)
	w.toWho("nobody")
	w.at("words")
	code := strings.TrimPrefix(w.waitText(".state", "Kept on this"), "Kept on this tablet. Your code: ")
	w.write("#words", "The battery was low.")
	w.onward()
	receipt := w.text("#code")
	require.Len(t, receipt, 20)
	b.kill(t)

	b, err = startBrowser(profile)
	require.NoError(t, err)
	w = openWindow(t, h, b)
	w.open()
	all := eval[string](w, everything)
	require.NotContains(t, all, receipt)
	require.NotContains(t, all, strings.ReplaceAll(receipt, "-", ""), "not open in storage")
	again := func() {
		t.Helper()
		w.tap("#open-draft")
		w.at("draft")
		w.write("#code", code)
		w.tap("#next")
	}
	again()
	w.at("sent")
	require.Equal(t, receipt, w.text("#code"))
	require.Equal(t, "Saved on this tablet", w.text("h1"))
	h.away.Store(false)
	w.do(chromedp.Evaluate[chromedp.Void](`dispatchEvent(new Event("online"))`))
	w.waitText("h1", "Received")
	require.Equal(t, receipt, w.text("#code"))
	w.tap("#next")
	w.at("start")
	again()
	w.waitText("#wrong", "No draft")
	require.Len(t, h.stored(), 1)
	w.quiet()
}
