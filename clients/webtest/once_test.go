package webtest

import (
	"io"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var nearMiss = map[string]string{"kind-near-miss": "yes", "workplace": "workplaces/northside", "narrative": "The hoist slipped a notch.", "mode-anonymous": "yes"}

// TestReportForm_once presses Send twice, loads the receipt again, and sends
// the same form by hand: one report is stored.
func TestReportForm_once(t *testing.T) {
	t.Parallel()
	for _, script := range []bool{false, true} {
		name := map[bool]string{false: "without script", true: "with script"}[script]
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			b := newTab(t, h)
			if !script {
				b.withoutScript()
			}
			b.open("/report")
			b.fillForm(nearMiss)
			form := eval[map[string]string](b, `Object.fromEntries([...new FormData(document.querySelector("main form"))].filter(([, v]) => typeof v === "string"))`)
			b.do(chromedp.DoubleClick(chromedp.CSS("button.send")), chromedp.WaitVisible(chromedp.CSS(".code-big")))
			code := b.text(".code-big")
			require.EqualValues(t, 200, b.goes(chromedp.Reload()).Status)
			require.Equal(t, code, b.text(".code-big"))
			require.Contains(t, h.post(t, "/report", form), code)
			require.Len(t, h.stored(t), 1)

			// Changed words under the same ids are another matter: they are not
			// stored, and the page does not say that they were.
			form["narrative"] = "Something else."
			answer := h.post(t, "/report", form)
			require.Contains(t, answer, "Something else.")
			require.Contains(t, answer, "stored already")
			require.Equal(t, nearMiss["narrative"], h.stored(t)[0].GetNarrative())
			require.Len(t, h.stored(t), 1)
		})
	}
}

// TestReportForm_nextPerson goes back from the receipt, as the next person at a
// shared screen may: nothing that was said is there.
func TestReportForm_nextPerson(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.open("/report")
	b.fillForm(nearMiss)
	require.EqualValues(t, 200, b.send("button.send"))
	b.do(chromedp.NavigateBack())
	require.Equal(t, "Report something", b.text("h1"))
	require.Empty(t, b.value("#narrative"))
	require.Zero(t, b.count("input:checked"))
}

// TestReportForm_limit sends more in a minute than a crew would: the words stay
// in the form. Somebody who has signed in is known and is not held up.
func TestReportForm_limit(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	form := map[string]string{"kind": "hazard", "workplace": "workplaces/northside", "narrative": "Loose plank, again.", "teller_mode": "anonymous"}
	answer := ""
	for range 31 {
		answer = h.post(t, "/report", form)
	}
	require.Contains(t, answer, "Too many reports from here")
	require.Contains(t, answer, "Loose plank, again.</textarea>")
	require.Len(t, h.stored(t), 30)

	b := newTab(t, h)
	b.signIn("worker") // the sign-in page has a limit of its own
	b.open("/report")
	b.fillForm(nearMiss)
	require.EqualValues(t, 200, b.send("button.send"))
	require.Len(t, h.stored(t), 31)
}

// post sends a form as a program would and returns the page that answers.
func (h *house) post(t *testing.T, path string, form map[string]string) string {
	t.Helper()
	v := url.Values{}
	for k, s := range form {
		v.Set(k, s)
	}
	resp, err := (&http.Client{Timeout: time.Minute}).PostForm(h.web+path, v)
	require.NoError(t, err)
	defer resp.Body.Close()
	page, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return string(page)
}
