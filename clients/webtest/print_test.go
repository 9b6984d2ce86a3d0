package webtest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sheet is the width of what is printed on A4 with the margins of the style, in
// CSS pixels: 178 mm.
const sheet = 673

// TestPrint lays pages out for paper: what can only be touched is gone, what is
// read is whole, and nothing hangs over the edge of the sheet.
func TestPrint(t *testing.T) {
	t.Parallel()
	h := demoHouse(t)
	names := landmarks(t, h)
	b := newTab(t, h)
	b.signIn("adviser")
	for name, path := range map[string]string{
		"home": "/", "report": "/reports/" + names["injury"], "awkward": "/reports/" + names["awkward"], "found": "/reports?words=mower", "numbers": "/numbers",
		"chart": "/numbers/chart", "table": "/numbers/table?rows=month&columns=workplace&months=24", "setup": "/setup", "codes": "/reports/" + names["injury"] + "/code",
	} {
		call(b, emulation.SetEmulatedMedia, still)
		b.sized(1320)
		b.open(path)
		onScreen := eval[[]string](b, tables)
		call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		b.sized(sheet)
		require.Empty(t, eval[[]string](b, `[...document.querySelectorAll("nav, .who, form, button, input, select, textarea, summary, .skip")].filter(e => e.checkVisibility()).map(e => e.tagName + " " + e.textContent.trim().slice(0, 30))`), "%s: what can only be touched", name)
		require.Equal(t, onScreen, eval[[]string](b, tables), "%s: tables are whole", name)
		require.Empty(t, eval[[]string](b, `[...document.querySelectorAll("main table, main svg, main p, main dd")].filter(e => e.checkVisibility() && (e.getBoundingClientRect().right > innerWidth + 1 || e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== "visible")).map(e => e.tagName + " " + Math.round(e.getBoundingClientRect().right) + " " + e.textContent.trim().slice(0, 40))`), "%s: over the edge", name)
		require.True(t, eval[bool](b, `[...document.querySelectorAll("h1, .margin > *")].filter(e => !e.matches("details, .ways") && !e.checkVisibility()).length === 0`), "%s: the notes of the margin are printed too", name)
		pdf := get(b, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
		require.Equal(t, "%PDF-", string(pdf[:5]))
		if lookFolder != "" {
			require.NoError(t, os.MkdirAll(lookFolder, 0o755))
			require.NoError(t, os.WriteFile(filepath.Join(lookFolder, "print-"+name+".pdf"), pdf, 0o644))
		}
	}
}

// tables are the rows of all tables that show.
const tables = `[...document.querySelectorAll("main tr")].filter(e => e.checkVisibility()).map(e => e.textContent.replace(/\s+/g, " ").trim())`

// TestMotion finds nothing that moves by itself, and scrolling that glides only
// for those who have not asked for stillness.
func TestMotion(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	for want, media := range map[string]emulation.SetEmulatedMediaParams{
		"auto": still, "smooth": {Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "no-preference"}}},
	} {
		call(b, emulation.SetEmulatedMedia, media)
		for _, path := range []string{"/", "/numbers/chart", "/report"} {
			b.open(path)
			require.Equal(t, want, eval[string](b, `getComputedStyle(document.documentElement).scrollBehavior`))
			moving := eval[[]string](b, `[...document.querySelectorAll("*")].filter(e => { const s = getComputedStyle(e); return s.animationName !== "none" || s.transitionDuration.split(",").some(d => parseFloat(d) > 0); }).map(e => e.tagName)`)
			assert.Empty(t, moving, strings.TrimSpace(path))
		}
	}
}
