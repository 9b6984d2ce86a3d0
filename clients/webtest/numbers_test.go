package webtest

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// TestNumbers_rates reads the table of measures: every figure with its count,
// its exposure and what else would fit, and nothing that is no number.
func TestNumbers_rates(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("committee")
	b.open("/numbers")
	require.Contains(t, b.text(".say"), "would fit", "the first sentence says how sure it is")
	require.Contains(t, b.text("caption"), "Sep 2025 to Aug 2026", "whole months only")
	require.Greater(t, b.count(".rates tbody tr"), 8)
	for _, row := range b.all(".rates tbody tr") {
		require.NotRegexp(t, `NaN|Inf|%!|<nil>`, row)
	}
	require.Contains(t, b.text(".cautions"), "These are reports, not events.")
	require.Contains(t, b.text(".margin"), "As at sequence number")

	b.set("#until", "2024-06")
	b.set("#workplace", "workplaces/northside-trees")
	require.EqualValues(t, 200, b.send("form.filter button"))
	require.Contains(t, b.text("caption"), "Tree crew")
	require.Contains(t, b.text("caption"), "Jul 2023 to Jun 2024")

	b.open("/numbers?until=2019-06&months=3")
	require.Contains(t, b.text(".say"), "undefined", "without hours there is no rate, and never a zero")
	for path, at := range map[string]string{"/numbers?until=soon": "#until", "/numbers?months=0": "#months", "/numbers?months=many": "#months", "/numbers/chart?measure=happiness": "#measure", "/numbers?convention=none": "#convention"} {
		require.EqualValues(t, 422, b.open(path), path)
		require.NotZero(t, b.count(`.wrong a[href="`+at+`"]`), "%s: %s", path, b.text(".wrong"))
		require.Equal(t, 1, b.count(at), path)
		require.Zero(t, b.count("table, svg"), "no answer to another question")
	}
	b.quiet("rates")
}

// TestNumbers_chart looks at the chart as those do who do not see it.
func TestNumbers_chart(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("committee")
	b.open("/numbers/chart?measure=frequency_rate")
	for _, w := range []int64{1320, 320} {
		b.sized(w)
		shown := eval[[]struct{ Title, Desc, Role string }](b, `[...document.querySelectorAll(".chart svg")].filter(s => s.checkVisibility()).map(s => ({
			title: s.querySelector("title")?.textContent ?? "", desc: s.querySelector("desc")?.textContent ?? "", role: s.getAttribute("role")}))`)
		require.Len(t, shown, 1, "one drawing at %d px", w)
		require.NotEmpty(t, shown[0].Title)
		require.NotEmpty(t, shown[0].Desc)
		require.Equal(t, "img", shown[0].Role)
	}
	require.Regexp(t, `(chance|too few)`, b.text("figcaption"), "the sentence under the chart says whether it means anything")
	require.NotEmpty(t, b.text(".margin p"), "how it was made stands in the margin")
	require.Empty(t, eval[[]string](b, `(() => { const ids = [...document.querySelectorAll("[id]")].map(e => e.id); return ids.filter((x, i) => ids.indexOf(x) !== i); })()`), "no id twice, although the chart is there twice")
	b.unfold("main .two details")
	require.Equal(t, 36, b.count(".two table tbody tr"), "the same as a table, a row for each month")
	require.Zero(t, b.count("svg [onload], svg script, svg image, svg [style]"))
	b.quiet("chart")
}

// TestNumbers_table adds the cells of a table up.
func TestNumbers_table(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("committee")
	b.open("/numbers/table?rows=kind&columns=workplace&months=24")
	total, sum := number(t, b.text(".say")), 0
	for _, c := range b.all(".cross tbody td:last-child") {
		sum += number(t, c)
	}
	require.Equal(t, total, sum, "reports of all kinds together are all reports")
	rows := b.count(".cross tbody tr")
	b.set("#rows", "month")
	require.EqualValues(t, 200, b.send("form.filter > p > button"))
	require.NotEqual(t, rows, b.count(".cross tbody tr"))
	require.Contains(t, b.text(".cross caption"), "Reports by month and workplace")
}

// TestNumbers_summary brings the summary down in each form and opens it.
func TestNumbers_summary(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	folder := t.TempDir()
	id := chromedp.FromContext(b.ctx).BrowserContextID
	_, err := chromedp.CallBrowser(b.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, BrowserContextID: id, DownloadPath: folder})
	require.NoError(t, err)
	b.signIn("committee")
	for _, c := range []struct {
		format string
		check  func(t *testing.T, content []byte)
	}{
		{"pdf", func(t *testing.T, content []byte) { require.Equal(t, "%PDF-", string(content[:5])) }},
		{"csv", func(t *testing.T, content []byte) {
			require.Contains(t, string(content), "Brindle Range")
			require.Greater(t, strings.Count(string(content), "\n"), 20)
		}},
		{"json", func(t *testing.T, content []byte) { require.True(t, json.Valid(content)) }},
	} {
		b.open("/numbers/summary")
		b.tick("#as-" + c.format)
		b.tick("main form button")
		c.check(t, downloaded(t, folder, "."+c.format))
	}
	b.open("/numbers/summary")
	b.set("#from", "2026-08")
	b.set("#until", "2026-01")
	require.EqualValues(t, 422, b.send("main form button"))
	require.NotEmpty(t, b.text(".wrong a"))
	require.Equal(t, "2026-08", b.value("#from"), "what was asked stays in the form")
	require.Equal(t, "2026-01", b.value("#until"))
	require.Empty(t, b.axe(1320))
}

// downloaded waits for a file that ends as named and returns what is in it.
func downloaded(t *testing.T, folder, end string) []byte {
	t.Helper()
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		list, err := os.ReadDir(folder)
		require.NoError(t, err)
		for _, f := range list {
			if strings.HasSuffix(f.Name(), end) {
				content, err := os.ReadFile(filepath.Join(folder, f.Name()))
				require.NoError(t, err)
				if len(content) > 0 {
					require.True(t, strings.HasPrefix(f.Name(), "fairlead") || strings.Contains(f.Name(), "summary"), "the file says what it is: %s", f.Name())
					return content
				}
			}
		}
	}
	require.Fail(t, "no file came down", end)
	return nil
}
