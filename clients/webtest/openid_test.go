package webtest

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// arrives waits until the window shows the page with a title: pages lead on by
// themselves on the way to the provider and back.
func (b *tab) arrives(title string) {
	b.t.Helper()
	require.Eventually(b.t, func() bool {
		// An error is a page that is just being left.
		there, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`document.readyState === "complete" && document.title.startsWith("`+title+`")`))
		return err == nil && there
	}, patience, 50*time.Millisecond, "the page %q", title)
}

// TestOpenID goes the whole way with a real browser: linked by its owner, in by
// it, refused to others, the provider saying no, another's answer, the provider
// away.
func TestOpenID(t *testing.T) {
	t.Parallel()
	p, by := newProvider(t)
	h := newHouseBy(t, by)
	h.fern(t)
	// Another site than the provider's, as in real life: cookies that are strict
	// do not come along from there.
	h.web = strings.Replace(h.web, "127.0.0.1", "localhost", 1)
	made, err := pb.NewSignInServiceClient(h.conn).MakeSignInCode(h.as(t, "administrator"), &pb.MakeSignInCodeRequest{Principal: "principals/fern"})
	require.NoError(t, err)
	set := h.asks(t, "POST", "/sign-in/new", url.Values{"name": {"fern"}, "code": {made.GetCode()}, "new": {words}, "again": {words}}, nil)
	require.Equal(t, http.StatusSeeOther, set.StatusCode)

	b := newTab(t, h)
	const atProvider = `form[action="/sign-in/openid"] button`
	provide := func(pick string) {
		t.Helper()
		b.do(chromedp.Click(chromedp.CSS(atProvider)))
		b.arrives("Pick an account")
		b.do(chromedp.Click(chromedp.CSS("#" + pick)))
	}
	refused := func(what, words string) {
		t.Helper()
		b.arrives("Sign in")
		require.Contains(t, b.text(".wrong"), words, what)
		require.Nil(t, b.cookie(), what)
		b.shown(what)
	}
	b.open("/sign-in")
	require.Equal(t, "Sign in with shire account", b.text(atProvider))
	b.shown("ways in with a provider")
	provide("subject-1")
	refused("an account that nobody linked", "lets anybody in here")
	provide("no")
	refused("the provider says no", "let nobody in")

	// Linked by its owner, who is asked first.
	b.fill("#name", "fern")
	b.fill("#password", words)
	b.send("#in p button")
	b.open("/me")
	b.shown("how I sign in with a provider")
	b.do(chromedp.Click(chromedp.CSS(`form[action="/me/openid"] button`)))
	b.arrives("Pick an account")
	b.do(chromedp.Click(chromedp.CSS("#subject-1")))
	b.arrives("Link this account?")
	b.shown("link this account")
	b.send("main form button")
	require.Equal(t, "/me?done=linked", b.path())
	require.Contains(t, b.text("main"), "an account")
	b.goes(chromedp.Click(chromedp.CSS(".who button")))

	// In by it, to where the way was going.
	b.open("/sign-in?next=/numbers")
	provide("subject-1")
	b.arrives("What the numbers say")
	require.Equal(t, "/numbers", b.path())
	require.True(t, strings.HasPrefix(b.cookie().Value, "fs_"))
	require.True(t, b.cookie().HTTPOnly)
	b.goes(chromedp.Click(chromedp.CSS(".who button")))

	provide("subject-1-wrong-state")
	refused("an answer that belongs to another browser", "lets anybody in here")
	provide("subject-2")
	refused("somebody else's account", "lets anybody in here")
	back := b.path()
	b.open(back)
	require.Contains(t, b.text(".wrong"), "let nobody in", "the address is worth nothing a second time")

	// The provider is away: said so, and the other ways are open.
	b.open("/sign-in")
	b.do(chromedp.Click(chromedp.CSS(atProvider)))
	b.arrives("Pick an account")
	p.rests(true)
	b.do(chromedp.Click(chromedp.CSS("#subject-1")))
	refused("the provider is away", "does not answer")
	b.fill("#name", "fern")
	b.fill("#password", words)
	b.send("#in p button")
	require.Equal(t, "/", b.path())
	for _, u := range b.asked() {
		require.NotContains(t, u, "weir")
	}
}
