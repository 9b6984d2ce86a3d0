package webtest

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// stop is where the keyboard stands.
type stop struct {
	// Tag, ID and Text say which element it is, At its number in the page, -1
	// for the page itself.
	Tag, ID, Text string
	At            int
	// Seen says that the element can be seen, Ring that its focus can.
	Seen, Ring bool
}

// here returns where the keyboard stands.
func (b *tab) here() stop {
	b.t.Helper()
	return eval[stop](b, `(() => {
		const e = document.activeElement, all = [...document.querySelectorAll("*")];
		if (!e || e === document.body) return {at: -1};
		const r = e.getBoundingClientRect(), ringed = [e, e.closest(".pick")].filter(Boolean);
		return {
			tag: e.tagName, id: e.id, text: e.textContent.trim().slice(0, 40), at: all.indexOf(e),
			seen: r.width > 0 && r.height > 0 && r.bottom > 0 && r.top < innerHeight && r.right > 0 && r.left < innerWidth,
			ring: ringed.some(x => { const s = getComputedStyle(x); return s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2; }),
		};
	})()`)
}

func (b *tab) press(keys string) {
	b.t.Helper()
	b.do(chromedp.KeyEvent(keys))
}

// TestKeyboard_reach goes through pages with the Tab key: everything that can be
// used is reached once, in the order of the page, and can be seen to be.
func TestKeyboard_reach(t *testing.T) {
	t.Parallel()
	h := demoHouse(t)
	names := landmarks(t, h)
	for _, c := range []struct {
		role  string
		paths []string
	}{
		{"visitor", []string{"/sign-in", "/report"}},
		{"adviser", []string{"/", "/reports?words=reversed", "/reports/" + names["injury"], "/reports/" + names["injury"] + "/code", "/numbers", "/numbers/chart", "/numbers/table", "/numbers/summary", "/codes?words=branch", "/setup"}},
	} {
		t.Run(c.role, func(t *testing.T) {
			t.Parallel()
			b := newTab(t, h)
			if c.role != "visitor" {
				b.signIn(c.role)
			}
			for _, path := range c.paths {
				b.sized(1320)
				b.open(path)
				// The sign-in page begins in its field; this is about the whole page.
				b.do(chromedp.Evaluate[chromedp.Void](`(() => { const a = document.createElement("a"); a.tabIndex = -1; document.body.prepend(a); a.focus(); a.remove(); })()`))
				b.walk(path)
			}
		})
	}
}

// walk presses Tab from the top of the page to its end.
func (b *tab) walk(path string) {
	b.t.Helper()
	want := eval[[]int](b, `(() => {
		const all = [...document.querySelectorAll("*")], groups = new Set();
		return all.filter(e => {
			if (!e.matches("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']") || e.disabled || !e.checkVisibility({visibilityProperty: true})) return false;
			if (e.type !== "radio") return true;
			// The arrow keys go on within a group; Tab stops at it once.
			if (groups.has(e.name)) return false;
			groups.add(e.name);
			return true;
		}).map(e => all.indexOf(e));
	})()`)
	var got []int
	for range len(want) + 20 {
		b.press(kb.Tab)
		s := b.here()
		if s.At < 0 || len(got) > 0 && s.At == got[0] {
			break // once around
		}
		if len(got) > 0 && got[len(got)-1] == s.At {
			continue // a field for a day has stops of its own within
		}
		require.True(b.t, s.Seen, "%s: %s %s %q has the keyboard and cannot be seen", path, s.Tag, s.ID, s.Text)
		require.True(b.t, s.Ring, "%s: %s %s %q does not show that it has the keyboard", path, s.Tag, s.ID, s.Text)
		got = append(got, s.At)
	}
	// A radio group that has an answer is entered there and not at its start.
	require.Equal(b.t, len(want), len(got), "%s: stops", path)
	require.IsIncreasing(b.t, got, "%s: the order of the page", path)
}

// TestKeyboard_skip goes past the navigation with the first two keys.
func TestKeyboard_skip(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	b.open("/reports")
	b.press(kb.Tab)
	s := b.here()
	require.Equal(t, "Skip to the page", s.Text)
	require.True(t, s.Seen && s.Ring, "the way past shows itself when it is needed")
	b.press(kb.Enter)
	require.Equal(t, "main", b.here().ID)
	b.press(kb.Tab)
	require.Equal(t, "words", b.here().ID, "the first stop after it is in the page")
}

// TestKeyboard_nearMiss files a near miss with the keyboard alone.
func TestKeyboard_nearMiss(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.open("/report")
	pressed := 0
	to := func(id string) {
		for range 12 {
			if b.here().ID == id {
				return
			}
			b.press(kb.Tab)
			pressed++
		}
		require.Equal(t, id, b.here().ID)
	}
	to("kind-near-miss")
	b.press(" ")
	to("workplace")
	b.press("North") // a list answers to the first letters
	to("narrative")
	b.press("The ladder slid and stopped.")
	to("mode-named")
	b.press(kb.ArrowDown)
	b.press(kb.ArrowDown)
	require.Equal(t, "mode-anonymous", b.here().ID)
	for range 3 {
		b.press(kb.Tab)
		pressed++
	}
	require.Equal(t, "Send", b.here().Text)
	require.EqualValues(t, 200, b.goes(chromedp.KeyEvent(kb.Enter)).Status)
	require.Less(t, pressed, 15, "few keys get from answer to answer")
	list := h.stored(t)
	require.Len(t, list, 1)
	require.Equal(t, "The ladder slid and stopped.", list[0].GetNarrative())
	require.Equal(t, "workplaces/northside", list[0].GetWorkplace())
	require.Equal(t, pb.TellerMode_TELLER_MODE_ANONYMOUS, list[0].GetTellerMode())
	require.True(t, strings.HasPrefix(b.text("h1"), "Received"), fmt.Sprint(b.asked()))
}

// TestKeyboard_sentBack sends nothing: what is wrong has the keyboard, and the
// first Enter leads to the first field.
func TestKeyboard_sentBack(t *testing.T) {
	t.Parallel()
	b := newTab(t, newHouse(t))
	b.open("/report")
	require.EqualValues(t, 422, b.send("button.send"))
	require.Contains(t, b.here().Text, "4 things need mending")
	b.press(kb.Tab)
	require.Contains(t, b.here().Text, "Kind of thing:", "the first field of the form comes first")
	b.press(kb.Enter)
	b.do(chromedp.WaitReady(chromedp.CSS("#kind-near-miss:focus")))
	require.Contains(t, b.text(".wrong"), "4 things", "and the form has not gone off again")
}
