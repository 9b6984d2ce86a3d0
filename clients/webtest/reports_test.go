package webtest

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// number reads the number with which a sentence begins.
func number(t *testing.T, sentence string) int {
	t.Helper()
	n, err := strconv.Atoi(strings.ReplaceAll(strings.Fields(sentence + " .")[0], ",", ""))
	require.NoError(t, err, sentence)
	return n
}

// all returns the words of everything that fits a selector.
func (b *tab) all(sel string) []string {
	b.t.Helper()
	return eval[[]string](b, fmt.Sprintf(`[...document.querySelectorAll(%q)].map(e => e.innerText.trim())`, sel))
}

// TestReports_words finds reports by words as somebody would: types them,
// presses the button, sees the words in the passages, narrows, goes on.
func TestReports_words(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	b.open("/reports")
	everything := number(t, b.text(".say"))
	b.fill("#words", "reversed spotter")
	require.EqualValues(t, 200, b.send("form.filter button"))
	found := number(t, b.text(".say"))
	require.Positive(t, found)
	require.Less(t, found, everything)
	marks := b.all("mark")
	require.NotEmpty(t, marks)
	for _, m := range marks {
		require.Regexp(t, `(?i)^(revers|spotter)`, m)
	}
	require.Equal(t, "reversed spotter", b.value("#words"), "the form still says what was asked")
	kinds := 0
	for _, n := range b.all(".counts > table:first-of-type td") {
		kinds += number(t, n)
	}
	require.Equal(t, found, kinds, "the counts in the margin are of all that fit")

	// The words are in no address, and are there again after a reload, and on
	// the way back from a report.
	require.Regexp(t, `^/reports\?search=[A-Za-z0-9_-]{12}$`, b.path())
	require.EqualValues(t, 200, b.goes(chromedp.Reload()).Status)
	require.Equal(t, "reversed spotter", b.value("#words"))
	require.EqualValues(t, 200, b.send(".reports .head a"))
	b.goes(chromedp.NavigateBack())
	require.Equal(t, "reversed spotter", b.value("#words"))
	require.Equal(t, found, number(t, b.text(".say")))
	b.set("#kind", "near-miss")
	require.EqualValues(t, 200, b.send("form.filter button"))
	require.Equal(t, "reversed spotter", b.value("#words"), "and go along with a filter")
	require.Regexp(t, `^/reports\?kind=near-miss&search=`, b.path())
	b.open("/reports")
	b.fill("#words", "mower")
	require.EqualValues(t, 200, b.send("form.filter button"))
	mine := b.path()
	require.EqualValues(t, 200, b.send("a.next"))
	require.Equal(t, "mower", b.value("#words"), "and to the next page")
	for _, u := range b.asked() {
		require.NotRegexp(t, "(?i)reversed|spotter|mower", u)
	}
	other := newTab(t, demoHouse(t))
	other.signIn("auditor")
	require.EqualValues(t, 410, other.open(mine), "they are nobody else's")
	require.Contains(t, other.text(".wrong"), "type it again")
	require.Empty(t, other.value("#words"))
	require.Zero(t, other.count(".reports li"))

	b.open("/reports?words=reversd")
	require.NotContains(t, b.path(), "reversd", "words in somebody's own link leave the address")
	require.Contains(t, b.text("main"), "not found, read as", "a slip of the keys is read as the word that was meant, and the page says so")
	b.open("/reports?words=zyxomma")
	require.Contains(t, b.text("main"), "Nothing fits.")
	require.EqualValues(t, 200, b.open("/reports?words=%22mower(*~%5B"), "odd signs are no error")
	require.EqualValues(t, 422, b.open("/reports?words=%22%22"), "no word is nothing to look for, and the page says so")
	require.Equal(t, 1, b.count(`.wrong a[href="#words"]`))
	b.quiet("words")
}

// TestReports_filter narrows the list by each field of the form and checks that
// every row fits.
func TestReports_filter(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	for _, c := range []struct {
		field, value, rows, want string
	}{
		{"kind", "near-miss", ".reports .kind", `^(?i)near miss$`},
		{"workplace", "workplaces/northside", ".reports .beside span:last-child", `^(Northside depot|Tree crew|Mowing crew)$`},
		{"since", "2026-08-01", ".reports .day", `(August|September) 2026$|day not known`},
		{"until", "2024-01-31", ".reports .day", ` 20(23|24)$`},
		{"potential", "fatal", ".reports li", `could have been death`},
		{"mechanism", "28", ".reports li", ``},
	} {
		b.open("/reports")
		total := number(t, b.text(".say"))
		b.unfold("form.filter > details")
		b.fillForm(map[string]string{c.field: c.value})
		require.EqualValues(t, 200, b.send("form.filter > p > button"), c.field)
		n := number(t, b.text(".say"))
		require.Positive(t, n, c.field)
		require.Less(t, n, total, c.field)
		rows := b.all(c.rows)
		require.NotEmpty(t, rows, c.field)
		for _, r := range rows {
			require.Regexp(t, c.want, r, c.field)
		}
		require.Equal(t, c.value, b.value("#"+c.field))
		if c.field != "kind" && c.field != "workplace" {
			require.Equal(t, 1, b.count("form.filter > details[open]"), "what narrows the list is not folded away")
		}
	}
	b.open("/reports?voided=1")
	require.Contains(t, b.text(".reports"), "voided")
	require.EqualValues(t, 422, b.open("/reports?since=2026-02-30"))
	require.Equal(t, 1, b.count(`.wrong a[href="#since"]`))
	require.Equal(t, "2026-02-30", b.value("#since"), "what cannot be read stays to be mended")
}

// TestReports_pages goes on to older reports until it meets the end.
func TestReports_pages(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.signIn("adviser")
	b.open("/reports?kind=release")
	total := number(t, b.text(".say"))
	seen := map[string]bool{}
	for page := 0; ; page++ {
		require.Less(t, page, 40)
		for _, code := range b.all(".reports .head a") {
			require.False(t, seen[code], "%s comes once", code)
			seen[code] = true
		}
		require.Equal(t, total, number(t, b.text(".say")))
		require.Equal(t, "release", b.value("#kind"), "the filter goes along")
		if b.count("a.next") == 0 {
			break
		}
		require.EqualValues(t, 200, b.send("a.next"))
	}
	require.Len(t, seen, total)
	require.EqualValues(t, 422, b.open("/reports?page=forged"))
}
