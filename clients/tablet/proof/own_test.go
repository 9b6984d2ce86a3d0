package proof

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// What the house writes to the teller, and what the teller answers.
const (
	secretAsk    = "Which pangolin-cupboard is it?"
	secretAnswer = "The mauve tamarillo one."
)

// openOwn goes from the start through name and PIN to the list.
func (w *window) openOwn() {
	w.t.Helper()
	w.at("start")
	w.tap("#hear")
	w.at("hear")
	w.tap("#own")
	w.at("pick")
	w.tap("#worker-1")
	w.at("pin")
	for _, d := range secretPin {
		w.tap("#key-" + string(d))
	}
	w.tap("#next")
	w.at("own")
}

// TestOwn: in a turn begun by name and PIN one sees what one told by name, hears
// and answers; and after it, whether it was put away, left alone or cut off,
// nobody finds a trace on the tablet.
func TestOwn(t *testing.T) {
	t.Parallel()
	source := axeSource(t)
	h := newHouse(t, houseOptions{closed: true})
	profile := t.TempDir()
	b, err := startBrowser(profile)
	require.NoError(t, err)
	defer func() { b.stop() }()
	w := openWindow(t, h, b)
	w.sized(phone)
	enrolled(t, h, w)
	nothing := func(when string) {
		t.Helper()
		all := eval[string](w, everything)
		for _, s := range []string{secretName, "Featherstonehaugh", "principals/zebulon", secretPin, "pangolin", "tamarillo", "Quokka"} {
			require.False(t, strings.Contains(all, s), "%s: %q is left", when, s)
		}
	}
	well := func(name string) {
		t.Helper()
		assert.Empty(t, eval[[]string](w, targets), name)
		assert.Empty(t, w.axe(source), name)
		w.look("own-" + name)
	}

	w.openOwn()
	require.Contains(t, w.text("#own-say"), "Nothing that you told")
	well("none")
	w.tap("#back")

	// One by name, in a turn; one without.
	w.toName("named")
	w.givePin(secretPin)
	w.at("name")
	w.saying(secretWords)
	w.waitText("h1", "Received")
	w.tap("#next")
	w.toWho("nobody")
	w.at("words")
	w.write("#words", "Without a name.")
	w.onward()
	w.waitText("h1", "Received")
	w.tap("#next")
	var told *pb.Report
	for _, r := range h.stored() {
		if r.GetNarrative() == secretWords {
			told = r
		}
	}
	require.NotNil(t, told)
	messages := pb.NewMessageServiceClient(h.Conn())
	_, err = messages.AskTeller(h.As("adviser"), &pb.AskTellerRequest{Report: told.GetName(), Text: secretAsk})
	require.NoError(t, err)

	w.at("start")
	w.tap("#hear")
	w.at("hear")
	well("hear")
	w.tap("#back")
	w.openOwn()
	well("list")
	require.True(t, w.there("#own-1"))
	require.False(t, w.there("#own-2"), "what was told without a name is not there")
	require.Contains(t, w.text("#own-1"), told.GetShortCode())
	require.Contains(t, w.text("#own-1"), "They ask you something")
	w.tap("#own-1")
	w.at("heard")
	require.Contains(t, w.text("#messages"), "They ask: "+secretAsk)
	require.NotContains(t, w.text("main"), "Quokka")
	well("heard")
	w.write("#answer", secretAnswer)
	w.tap("#answer-send")
	w.waitText("#messages", "You said: "+secretAnswer)
	w.tap("#back")
	w.at("own")
	require.NotContains(t, w.text("#own-1"), "They ask you something")
	w.tap("#back")
	w.at("start")
	nothing("put away")
	for range 3 {
		w.do(chromedp.Evaluate[chromedp.Void](`history.back()`))
		time.Sleep(100 * time.Millisecond)
		w.at("start")
	}
	nothing("after Back")

	// A reload in the middle, and a tablet that goes out of reach.
	w.openOwn()
	w.do(chromedp.Reload())
	w.at("start")
	nothing("reloaded in the middle")
	w.openOwn()
	h.away.Store(true)
	w.tap("#own-1")
	w.waitText("#wrong", "No signal")
	w.do(chromedp.Reload())
	w.at("start")
	nothing("out of reach")
	h.away.Store(false)

	// The turn is over, by the clock of the service.
	w.openOwn()
	list, err := pb.NewPrincipalServiceClient(h.Conn()).GetPrincipal(h.As("administrator"), &pb.GetPrincipalRequest{Name: "principals/zebulon"})
	require.NoError(t, err)
	_, err = pb.NewPrincipalServiceClient(h.Conn()).EndPrincipal(h.As("administrator"), &pb.EndPrincipalRequest{Name: list.GetName(), Etag: list.GetEtag()})
	require.NoError(t, err)
	w.tap("#own-1")
	w.waitText("#wrong", "Your time is over")
	well("over")
	w.tap("#back")
	w.at("start")
	nothing("over")
	w.do(chromedp.Navigate("about:blank"))
	b.stop()
	nowhereIn(t, profile, "pangolin", "tamarillo", secretPin, "Featherstonehaugh")
}

// TestOwnLeftAlone: whoever walks away from the list leaves nothing of it, though
// nothing was being written; and it fits in the other languages.
func TestOwnLeftAlone(t *testing.T) {
	t.Parallel()
	source := axeSource(t)
	h := newHouse(t, houseOptions{closed: true, idle: 5 * time.Second})
	w := newWindow(t, h)
	w.sized(phone)
	w.dark(true)
	enrolled(t, h, w)
	w.toName("named")
	w.givePin(secretPin)
	w.at("name")
	w.saying(secretWords)
	w.waitText("h1", "Received")
	w.tap("#next")
	for _, language := range []string{"ar", "pa", "vi", "fil", "zh-Hans"} {
		w.at("start")
		w.tap("#language")
		w.at("language")
		w.tap("#speak-" + language)
		w.until(`document.documentElement.lang === "` + language + `" && document.body.dataset.screen === "start"`)
		w.openOwn()
		require.True(t, w.there("#own-1"))
		assert.Empty(t, eval[[]string](w, targets), language)
		assert.Empty(t, w.axe(source), language)
		w.look("own-" + language)
		w.until(`document.body.dataset.screen === "start"`) // by itself
		all := eval[string](w, everything)
		for _, s := range []string{"Nobody has written down yet", secretName, secretPin} { // its code alone stands where it was sent from
			require.False(t, strings.Contains(all, s), "%q of the list is left", s)
		}
	}
}
