package proof

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

const secretPin = "407193"

// enrolled opens the app on a tablet of its own, on which somebody may be picked.
func enrolled(t *testing.T, h *house, w *window) {
	t.Helper()
	who := pb.NewPrincipalServiceClient(h.Conn())
	_, err := who.CreatePrincipal(h.As("administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{Name: "principals/zebulon", DisplayName: secretName,
		SignInName: "zebulon", OfferedOnTablets: true, Grants: []*pb.Grant{{Role: pb.Role_ROLE_WORKER}}}})
	require.NoError(t, err)
	_, err = who.SetPin(h.As("administrator"), &pb.SetPinRequest{Name: "principals/zebulon", Pin: secretPin})
	require.NoError(t, err)
	made, err := pb.NewDeviceServiceClient(h.Conn()).CreateDevice(h.As("administrator"), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 3", Workplace: "workplaces/quarry-road"}})
	require.NoError(t, err)
	w.do(chromedp.Navigate(h.web + "/tablet/#enrol=" + made.GetCode()))
	w.at("about")
	w.waitText("#said", "enrolled as tablet 3")
	w.ready()
	w.tap("#back")
	w.at("start")
}

// toWho answers the questions up to who may know.
func (w *window) toWho(who string) {
	w.t.Helper()
	w.at("start")
	w.tap("#tell")
	w.at("kind")
	w.tap("#kind-hazard")
	w.at("place")
	w.tap("#place-quarry-road")
	w.at("when")
	w.tap("#when-now")
	w.at("who")
	w.tap("#who-" + who)
}

// toName goes to the screen that asks for the name.
func (w *window) toName(who string) {
	w.t.Helper()
	w.toWho(who)
	w.at("name")
}

// onward goes from the words to the sent screen.
func (w *window) onward() {
	w.t.Helper()
	w.tap("#next")
	w.at("worst")
	w.tap("#next")
	w.at("safe")
	w.tap("#safe-no")
	w.at("look")
	w.tap("#next")
	w.at("sent")
}

// saying goes from the name to the sent screen.
func (w *window) saying(words string) {
	w.t.Helper()
	w.tap("#next")
	w.at("words")
	w.write("#words", words)
	w.onward()
}

// givePin picks the one name there is and types a PIN.
func (w *window) givePin(pin string) {
	w.t.Helper()
	w.tap("#pick")
	w.at("pick")
	w.tap("#worker-1")
	w.at("pin")
	for _, d := range pin {
		w.tap("#key-" + string(d))
	}
	w.tap("#next")
}

// filers says who filed each report, by its words.
func (h *house) filers() map[string]string {
	h.t.Helper()
	resp, err := pb.NewChangeServiceClient(h.Conn()).ListChanges(h.As("adviser"), &pb.ListChangesRequest{PageSize: 1000})
	require.NoError(h.t, err)
	by := map[string]string{}
	for _, c := range resp.GetChanges() {
		if by[c.GetResource()] == "" {
			by[c.GetResource()] = c.GetActor()
		}
	}
	out := map[string]string{}
	for _, r := range h.stored() {
		out[r.GetNarrative()] = by[r.GetName()]
	}
	return out
}

// TestTurn files by name with a PIN, without a network by a typed name, and with
// another name or in confidence without the PIN; and leaves nothing of it.
func TestTurn(t *testing.T) {
	t.Parallel()
	source := axeSource(t)
	h := newHouse(t, houseOptions{closed: true})
	w := newWindow(t, h)
	w.sized(phone)
	enrolled(t, h, w)
	nothing := func(when string) {
		t.Helper()
		all := eval[string](w, everything)
		for _, s := range []string{secretName, "Featherstonehaugh", "principals/zebulon", secretPin} {
			require.NotContains(t, all, s, when)
		}
	}
	well := func(name string) {
		t.Helper()
		w.at(name)
		assert.Empty(t, eval[[]string](w, targets), name)
		assert.Empty(t, w.axe(source), name)
		w.look("turn-" + name)
	}

	w.toName("named")
	well("name")
	w.tap("#pick")
	well("pick")
	require.Equal(t, secretName, w.text("#worker-1"))
	w.tap("#worker-1")
	well("pin")
	require.False(t, w.there("input"), "nothing that could be filled in or remembered")
	w.tap("#key-1")
	w.tap("#next")
	w.waitText("#wrong", "four numbers")
	w.tap("#key-clear")
	for _, d := range "1357" {
		w.tap("#key-" + string(d))
	}
	require.Equal(t, "Numbers typed: 4", w.text("#pin-said"))
	require.NotContains(t, strings.Split(w.text("main"), "Numbers typed")[0], "1357")
	w.tap("#next")
	w.waitText("#wrong", "does not fit")
	require.Equal(t, "Numbers typed: 0", w.text("#pin-said"))
	// By keyboard, from one of the keys.
	w.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("#key-5").focus()`))
	for _, d := range secretPin {
		w.do(chromedp.KeyEvent(string(d)))
	}
	w.waitText("#pin-said", "Numbers typed: 6")
	w.tap("#next")
	w.at("name")
	w.waitText("#turn-said", "Your PIN was right. Send it within 1")
	require.Equal(t, secretName, eval[string](w, `document.querySelector("#name").value`))
	well("name")
	w.saying("With the PIN.")
	w.waitText("h1", "Received")
	w.tap("#next")
	w.at("start")
	nothing("sent")
	require.Equal(t, "principals/zebulon", h.filers()["With the PIN."])

	// The PIN was given, and the name changed after it: it is the typed name's.
	w.toName("named")
	w.givePin(secretPin)
	w.at("name")
	w.write("#name", "Somebody Else")
	require.Empty(t, w.text("#turn-said"))
	w.saying("Another name.")
	w.waitText("h1", "Received")
	w.tap("#next")
	require.Contains(t, h.filers()["Another name."], "devices/")

	// Told in confidence there is no PIN: the log says who filed.
	w.toName("few")
	require.False(t, w.there("#pick"))
	w.saying("Told to few.")
	w.waitText("h1", "Received")
	w.tap("#next")

	// Out of reach the name is typed, and that is said plainly.
	w.toName("named")
	h.away.Store(true)
	w.tap("#pick")
	w.waitText("#turn-said", "No signal. Type your name")
	w.write("#name", secretName)
	w.saying("Typed.")
	require.Equal(t, "Saved on this tablet", w.text("h1"))
	w.tap("#next")
	w.at("start")
	nothing("queued with a typed name")

	// In reach for the PIN, out of reach for the sending.
	h.away.Store(false)
	w.tap("#mine")
	w.at("mine")
	w.trying(`!document.querySelector(".item-saved, .item-sent")`)
	w.tap("#back")
	w.toName("named")
	w.givePin(secretPin)
	w.at("name")
	h.away.Store(true)
	w.saying("Sent in time.")
	w.tap("#next")
	w.at("start")
	nothing("queued with a turn")
	h.away.Store(false)
	w.tap("#mine")
	w.at("mine")
	w.trying(`!document.querySelector(".item-saved, .item-sent")`)
	by := h.filers()
	require.Equal(t, "principals/zebulon", by["Sent in time."])
	require.Contains(t, by["Typed."], "devices/")
	nothing("at the end")
	w.quiet()
}

// TestTurnOtherWay looks at the keys from right to left, at night.
func TestTurnOtherWay(t *testing.T) {
	t.Parallel()
	source := axeSource(t)
	h := newHouse(t, houseOptions{closed: true})
	w := newWindow(t, h)
	w.sized(phone)
	w.dark(true)
	enrolled(t, h, w)
	for _, language := range []string{"ar", "pa", "vi", "fil", "zh-Hans"} {
		w.at("start")
		w.tap("#language")
		w.at("language")
		w.tap("#speak-" + language)
		w.until(`document.documentElement.lang === "` + language + `" && document.body.dataset.screen === "start"`)
		w.toName("named")
		w.tap("#pick")
		w.at("pick")
		w.tap("#worker-1")
		w.at("pin")
		w.tap("#key-1")
		assert.Empty(t, eval[[]string](w, targets), language)
		assert.Empty(t, w.axe(source), language)
		require.Less(t, eval[float64](w, `document.querySelector("#key-1").getBoundingClientRect().left`), eval[float64](w, `document.querySelector("#key-3").getBoundingClientRect().left`), "in the order of a telephone")
		w.look("turn-pin-" + language)
		w.do(chromedp.Reload())
	}
}
