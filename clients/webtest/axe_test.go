package webtest

import (
	"crypto/sha256"
	_ "embed"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// axeSource is axe-core; see testdata/axe/README.md.
//
//go:embed testdata/axe/axe.min.js
var axeSource string

// audited are the parts of pages, by width and markup, that axe-core has found
// nothing wrong with: the same markup in the same style gives the same answer.
var audited sync.Map

// minted are the ids that a page makes new each time.
var minted = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)

// part is the markup of a part of a page at a width.
type part [sha256.Size]byte

// axe returns what axe-core finds at a width against WCAG 2.0, 2.1 and 2.2 at
// levels A and AA. It comes in through the debugging protocol, which the page's
// content security policy does not bind, so that the policy stays as people
// meet it. A page whose frame and whose content have both passed at this width,
// for another role, is not audited again.
func (b *tab) axe(width int64) []string {
	b.t.Helper()
	var parts []part
	fresh := false
	for _, markup := range eval[[]string](b, `[document.head.outerHTML.replace(document.title, "") + document.querySelector("header").outerHTML + document.querySelector("footer").outerHTML,
		document.documentElement.lang + document.body.className + document.querySelector("main").outerHTML]`) {
		p := part(sha256.Sum256([]byte(strconv.FormatInt(width, 10) + minted.ReplaceAllString(markup, ""))))
		_, seen := audited.Load(p)
		fresh = fresh || !seen
		parts = append(parts, p)
	}
	if !fresh {
		return nil
	}
	if !eval[bool](b, `typeof axe === "object"`) {
		b.do(chromedp.Evaluate[chromedp.Void](axeSource))
	}
	found := eval[[]string](b, `axe.run(document, {
		runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
		resultTypes: ["violations"],
	}).then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + ": " + n.failureSummary)))`)
	if len(found) == 0 {
		for _, p := range parts {
			audited.Store(p, true)
		}
	}
	return found
}

// TestAxeFinds shows that the auditor is awake: a page that is spoilt on
// purpose does not pass.
func TestAxeFinds(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.open("/report")
	require.Empty(t, b.axe(1320))
	b.do(chromedp.Evaluate[chromedp.Void](`
		document.querySelector("label[for=narrative]").remove();
		document.querySelector(".say").style.color = "#999";
		document.documentElement.removeAttribute("lang");`))
	found := strings.Join(b.axe(1320), "\n")
	for _, rule := range []string{"label:", "color-contrast:", "html-has-lang:"} {
		require.Contains(t, found, rule)
	}
}
