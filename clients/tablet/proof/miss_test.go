package proof

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// glove is a hand that misses what it means by up to 6 millimetres in any
// direction; the same seed misses in the same way. A CSS pixel is 1/96 of an inch.
func (w *window) glove(seed uint64) (miss func(sel string)) {
	r := rand.New(rand.NewPCG(seed, 1))
	const reach = 6.0 / 25.4 * 96
	return func(sel string) {
		w.t.Helper()
		at := w.middle(sel)
		for {
			dx, dy := (2*r.Float64()-1)*reach, (2*r.Float64()-1)*reach
			if dx*dx+dy*dy <= reach*reach {
				w.touch(spot{at.X + dx, at.Y + dy})
				return
			}
		}
	}
}

// typed types where the focus is: a glove has put it there, or the words are lost.
func (w *window) typed(sel, words string) {
	w.t.Helper()
	w.until(fmt.Sprintf(`document.activeElement?.matches(%q) ?? false`, sel))
	w.do(chromedp.Evaluate[chromedp.Void](`document.activeElement.select?.()`))
	call(w, input.InsertText, input.InsertTextParams{Text: words})
}

// TestGlovesByName files by name and PIN, puts the draft away under a code of its
// own and opens it again, with a hand that misses: on the smallest screen, on a
// tablet, and from right to left.
func TestGlovesByName(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		seed     uint64
		size     size
		language string
	}{{20261126, phone, "en"}, {20261127, portrait, "en"}, {20261128, landscape, "ar"}} {
		t.Run(fmt.Sprintf("seed %d", c.seed), func(t *testing.T) {
			h := newHouse(t, houseOptions{closed: true})
			w := newWindow(t, h)
			w.sized(c.size)
			enrolled(t, h, w)
			w.speak(c.language)
			miss := w.glove(c.seed)
			for round, own := range []string{"730184", "559021"} {
				words := fmt.Sprintf("Round %d.", round)
				miss("#tell")
				w.at("kind")
				miss("#kind-hazard")
				w.at("place")
				miss("#place-quarry-road")
				w.at("when")
				miss("#when-now")
				w.at("who")
				miss("#who-named")
				w.at("name")
				miss("#contact")
				w.typed("#contact", "channel 4")
				miss("#next")
				w.at("words")
				miss("#words")
				w.typed("#words", words)
				miss("#next")
				w.at("worst")
				miss("#next")
				w.at("safe")
				miss("#safe-no")

				// Put away, and gone on with by its code.
				w.at("look")
				miss("#later")
				w.at("later")
				miss("#own")
				w.typed("#own", own)
				before := w.text("#code")
				miss("#use-own")
				w.until(fmt.Sprintf(`document.querySelector("#code").innerText !== %q`, before))
				require.Equal(t, own, strings.ReplaceAll(w.text("#code"), " ", ""))
				miss("#next")
				w.at("start")
				miss("#open-draft")
				w.at("draft")
				miss("#code")
				w.typed("#code", own)
				miss("#next")
				w.at("look")

				// The name, from those who agreed, and the PIN.
				miss("#look-name")
				w.at("name")
				miss("#pick")
				w.at("pick")
				miss("#worker-1")
				w.at("pin")
				miss("#key-9")
				miss("#key-clear")
				for _, d := range secretPin {
					miss("#key-" + string(d))
				}
				miss("#next")
				w.at("name")
				require.Equal(t, secretName, eval[string](w, `document.querySelector("#name").value`))
				miss("#back")
				w.at("look")
				require.False(t, w.there("#pin-over .note"))
				miss("#next")
				w.at("sent")
				w.until(`document.querySelectorAll(".stages .past").length === 3`)
				miss("#next")
				w.at("start")
				require.Equal(t, "principals/zebulon", h.filers()[words], "whatever was pressed was what was meant")
			}
			w.quiet()
		})
	}
}
