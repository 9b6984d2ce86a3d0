package webtest

import (
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// TestCauses reads the page of causes, and follows its numbers to the reports
// behind them.
func TestCauses(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	require.EqualValues(t, 200, b.open("/numbers"))
	require.EqualValues(t, 200, b.send(`a[href^="/numbers/causes"]`), "the page of numbers leads here")
	require.Contains(t, b.text(".say"), "Most often: ")
	require.Contains(t, b.text(".say"), "would fit")
	require.Contains(t, strings.Join(b.all("main strong"), " "), "Waste crew, injury or illness", "what piles up is said first")
	require.Contains(t, b.text(".cautions"), "need not cause each other")
	require.Contains(t, b.text(".cautions"), "These are reports, not events.")
	require.Contains(t, b.text(".cautions"), "coded by one person")
	for _, w := range []int64{1320, 320} {
		b.sized(w)
		shown := eval[[]string](b, `[...document.querySelectorAll(".chart svg")].filter(s => s.checkVisibility()).map(s => s.querySelector("title")?.textContent ?? "")`)
		require.Len(t, shown, 2, "one drawing of each at %d px: %v", w, shown)
	}
	require.Empty(t, eval[[]string](b, `(() => { const ids = [...document.querySelectorAll("[id]")].map(e => e.id); return ids.filter((x, i) => ids.indexOf(x) !== i); })()`))
	require.Zero(t, b.count("svg [onload], svg script, svg image, svg [style]"))

	// The links of each kind: ranking, pairs, table, cluster.
	links := eval[[]struct{ Href, Says string }](b, `[...document.querySelectorAll("main details table")].map(t => t.querySelector("a.lead")).filter(a => a).map(a => ({href: a.getAttribute("href"), says: a.childNodes[0].textContent}))`)
	require.GreaterOrEqual(t, len(links), 4)
	for _, l := range links {
		require.EqualValues(t, 200, b.open(l.Href), l.Href)
		require.Equal(t, number(t, l.Says), number(t, b.text(".say")), l.Href)
		require.NotZero(t, b.count(".note a"), "the cell is said, with a way out")
	}
	// The cell stays through the form and the pages of the list, until somebody
	// leaves it.
	b.open(links[0].Href)
	before := number(t, b.text(".say"))
	b.set("#kind", "hazard")
	require.EqualValues(t, 200, b.send("form.filter > p > button"))
	require.Contains(t, b.text(".note"), "Only what a table counts in one place")
	require.Less(t, number(t, b.text(".say")), before)
	require.EqualValues(t, 200, b.send(".note a"))
	require.Zero(t, b.count(".note"))

	// Other choices, and choices that are none.
	b.open("/numbers/causes?what=nature&with=bodily-location&level=1&harms=1")
	require.Contains(t, b.text(".say"), "persons hurt")
	for path, at := range map[string]string{"/numbers/causes?what=colour": "#what", "/numbers/causes?with=mechanism": "#with", "/numbers/causes?pile=workplace": "#pile",
		"/numbers/causes?months=3": "#months", "/numbers/causes?basis=stars": "#basis", "/numbers/causes?level=9": "#level", "/numbers/causes?kind=bus": "#kind", "/numbers/causes?until=soon": "#until"} {
		require.EqualValues(t, 422, b.open(path), path)
		require.NotZero(t, b.count(`.wrong a[href="`+at+`"]`), "%s: %s", path, b.text(".wrong"))
		require.Equal(t, 1, b.count(at), path)
		require.Zero(t, b.count("table, svg"), "no answer to another question")
	}
	for _, path := range []string{"/reports?in=colour%3Dred", "/reports?in=mechanism%3D28&level=many"} {
		require.EqualValues(t, 422, b.open(path), path)
	}
	b.quiet("causes")
}

// unfoldAll opens everything that is folded away.
func (b *tab) unfoldAll() {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("main details").forEach(d => { d.open = true })`))
}

// TestCauses_byRole: the committee sees what is held back and no way to reports;
// a supervisor sees their own places and no codes behind a number.
func TestCauses_byRole(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("committee")
	b.open("/numbers/causes?what=nature&with=bodily-location&level=1")
	require.Contains(t, b.text(".say"), "Held back: who was hurt", "and how to ask for it")
	require.Zero(t, b.count("main .cross"))
	b.open("/numbers/table?rows=nature&columns=&months=12&until=2026-05&level=1&harms=1")
	require.Contains(t, b.text(".say"), "a first of July")
	b.open("/numbers/table?rows=nature&columns=&months=12&until=2025-06&level=1&harms=1")
	require.Contains(t, b.text(".say"), "counted", "a whole year that is settled: "+b.text("main"))
	require.NotZero(t, b.count(".cross tbody tr"), b.text("main"))
	for _, cell := range b.all(".cross tbody td") {
		require.NotRegexp(t, `^[1-4]$`, strings.TrimSpace(cell))
	}
	b.open("/numbers/causes?what=mechanism&with=agency&level=1&months=12")
	b.unfoldAll()
	require.Contains(t, b.text("main"), "Counted here: hazards and near misses")
	require.Contains(t, b.text("main"), "held back")
	require.Zero(t, b.count(`main a[href^="/reports"]`))
	for _, cell := range b.all(".cross tbody td") {
		require.NotRegexp(t, regexp.MustCompile(`^[1-4]$`), strings.Fields(cell)[0])
	}

	b = newTab(t, demoHouse(t))
	b.signIn("supervisor")
	b.open("/numbers/causes?what=workplace&with=kind")
	b.unfoldAll()
	require.Contains(t, b.text(".say"), "Places are compared by their hours, in a funnel.")
	require.Contains(t, b.text("main"), "By workplace")
	worked := b.all(`[data-head="hours worked"]`)
	require.NotEmpty(t, worked)
	for _, hours := range worked {
		require.Regexp(t, `^([0-9]{2,3},[0-9]{3}|not known)$`, hours, "hours stand beside the counts")
	}
	require.Zero(t, b.count(`[data-head="running share"]`), "places are not ranked")
	require.NotContains(t, b.text("main"), "Waste crew")
	require.Contains(t, b.text("main"), "Mowing crew")
	require.NotZero(t, b.count(`main a[href^="/reports"]`))
	b.open("/numbers/causes?what=mechanism&with=kind")
	require.Zero(t, b.count(`main table a[href^="/reports"]`+`[href*="mechanism"]`), "codes are not open to a supervisor")
}
