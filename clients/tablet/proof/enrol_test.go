package proof

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestEnrol enrols a tablet by its code in a house whose form is closed, takes
// the tablet out, and enrols it again: what waited meanwhile is sent.
func TestEnrol(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{closed: true})
	devices := pb.NewDeviceServiceClient(h.Conn())
	made, err := devices.CreateDevice(h.As("administrator"), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 3", Workplace: "workplaces/northside"}})
	require.NoError(t, err)
	w := newWindow(t, h)
	w.open()
	w.waitText("#warnings", "signed out")
	enrol := func(code, says string) {
		t.Helper()
		w.at("start")
		w.tap("#about")
		w.at("about")
		w.write("#enrol", code)
		w.tap("#join")
		w.waitText("#said", says)
		w.tap("#back")
		w.at("start")
	}
	enrol("WRONGCOD", "does not work")
	enrol(made.GetCode(), "enrolled as tablet 3")
	w.ready()
	w.do(chromedp.Reload())
	w.at("start")
	w.file(telling{kind: "hazard", who: "nobody", words: "By its own token."})
	w.waitText("h1", "Received")
	w.tap("#next")
	w.at("start")

	_, err = devices.EndDevice(h.As("administrator"), &pb.EndDeviceRequest{Name: made.GetDevice().GetName()})
	require.NoError(t, err)
	w.file(telling{kind: "hazard", who: "nobody", words: "Out of favour."})
	w.tap("#next")
	w.at("start")
	w.waitText("#warnings", "signed out")
	require.Len(t, h.stored(), 1)
	made, err = devices.CreateDevice(h.As("administrator"), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 4", Workplace: "workplaces/northside"}})
	require.NoError(t, err)
	// This time by the address that a picture code holds; it does not stay there.
	w.do(chromedp.Navigate("about:blank"), chromedp.Navigate(h.web+"/tablet/#enrol="+made.GetCode()))
	w.at("about")
	w.waitText("#said", "enrolled as tablet 4")
	require.Equal(t, "/tablet/", eval[string](w, `location.pathname + location.hash`))
	require.Eventually(t, func() bool { return len(h.stored()) == 2 }, patience, 100*time.Millisecond)
	w.quiet()
}

// TestUpdate puts a new version of the app out: it takes over at the start
// screen, never under somebody who writes, and what the old one queued is sent.
func TestUpdate(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	w.do(chromedp.Reload()) // from now on the worker serves
	w.at("start")
	h.worker.Store("\n// the next version\n")
	h.away.Store(true)
	w.file(telling{kind: "hazard", who: "nobody", words: "By the old version."})
	w.tap("#next")
	w.at("start")
	w.tap("#tell")
	w.at("kind")
	w.waitText(".state", "Kept on this")
	h.away.Store(false)
	require.True(t, eval[bool](w, `navigator.serviceWorker.ready.then(r => { globalThis.mine = true; return r.update(); }).then(() => true)`))
	w.until(`navigator.serviceWorker.ready.then(r => !!r.waiting)`)
	time.Sleep(2500 * time.Millisecond) // longer than the app waits between looks
	require.True(t, eval[bool](w, `navigator.serviceWorker.ready.then(r => !!r.waiting && globalThis.mine)`), "not while somebody writes")
	require.Equal(t, "kind", eval[string](w, `document.body.dataset.screen`))
	w.tap("#back")
	w.at("start")
	w.until(`navigator.serviceWorker.ready.then(r => !r.waiting)`)
	w.at("start")
	require.Eventually(t, func() bool { return len(h.stored()) == 1 }, patience, 100*time.Millisecond)
}
