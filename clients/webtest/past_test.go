package webtest

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestPast_pages goes through the pages as they stood after a change: each says
// so, keeps the moment in its links, and leads back to now.
func TestPast_pages(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	b.open("/numbers")
	require.Zero(t, b.count(".past"), "the present says nothing of the past")
	b.unfoldAll()
	b.set("#as_at", "3000")
	require.EqualValues(t, 200, b.send("form.filter button"))
	require.Contains(t, b.text(".past"), "As it stood after change 3000")
	require.Contains(t, b.text(".past"), "the last whole one then", "the form said the last month of the present")
	require.Contains(t, b.text(".margin"), "As at sequence number 3000.")
	for _, path := range []string{"/numbers", "/numbers/chart", "/numbers/table", "/numbers/causes", "/reports"} {
		require.EqualValues(t, 200, b.open(path+"?as_at=3000"), path)
		require.Contains(t, b.text(".past"), "As it stood after change 3000", path)
		require.Contains(t, b.text(".past"), "Not the present", path)
		require.Equal(t, path, eval[string](b, `document.querySelector(".past a").getAttribute("href")`), "the way back to now")
	}
	// A number leads to exactly its reports, as they stood.
	b.open("/numbers/causes?as_at=3000")
	lead := eval[string](b, `document.querySelector("a.lead").getAttribute("href")`)
	require.Contains(t, lead, "as_at=3000%40")
	count := strings.Fields(eval[string](b, `document.querySelector("a.lead").textContent`))[0]
	b.open(lead)
	require.Contains(t, b.text(".past"), "3000")
	require.True(t, strings.HasPrefix(b.text(".say"), count+" report"), "%s leads to: %s", count, b.text(".say"))
	one := eval[string](b, `document.querySelector("ol.reports a").getAttribute("href")`)
	require.Contains(t, one, "?as_at=3000%40")
	b.open(one)
	require.Contains(t, b.text(".past"), "3000")
	require.Zero(t, b.count("main form"), "what is past cannot be changed")
	b.open(eval[string](b, `document.querySelector(".past a").getAttribute("href")`))
	require.Zero(t, b.count(".past"))
	require.NotZero(t, b.count("main form"))

	for path, says := range map[string]string{"/numbers?as_at=soon": "write the number of a change", "/numbers?as_at=99999999": "newest change is",
		"/reports?as_at=2199-01-01": "has not come yet", "/numbers/causes?as_at=-1": "write the number", "/numbers/changed?was=soon": "write the number"} {
		require.EqualValues(t, 422, b.open(path), path)
		require.Contains(t, b.text(".wrong"), says, path)
		require.Zero(t, b.count("main table, main svg"), "no answer to another question")
	}
	require.EqualValues(t, 200, b.open("/numbers?as_at=1990-01-01"), "before all, nothing stood")
	require.Contains(t, b.text(".past"), "after change 0")
}

// TestPast_changed asks what has changed in a summary since it was made.
func TestPast_changed(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	b.open("/numbers/summary")
	b.open(eval[string](b, `document.querySelector('a[href^="/numbers/changed"]').getAttribute("href")`))
	require.Contains(t, b.text("h1"), "What has changed since")
	require.Zero(t, b.count("main table"))
	b.set("#was", "4000")
	require.EqualValues(t, 200, b.send("form.filter button"))
	require.Contains(t, b.text(".say"), "differ between change 4000 and change")
	require.Greater(t, b.count("main tbody tr"), 10)
	require.Contains(t, b.text("main"), "Reports behind it")
	require.Contains(t, b.text(".cautions"), "A difference is no error")
	b.quiet("changed")

	b = newTab(t, demoHouse(t))
	b.signIn("committee")
	b.open("/numbers/changed?was=4000")
	require.NotContains(t, b.text("main"), "Reports behind it")
	require.Contains(t, b.text(".cautions"), "ask the safety adviser")
}
