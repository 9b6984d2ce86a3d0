package webtest

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// everyone are all roles, and the visitor who has not signed in.
var everyone = []string{"visitor", "worker", "supervisor", "representative", "adviser", "committee", "auditor", "administrator", "integration"}

// widths are a small phone, a phone, a tablet and a desk, in CSS pixels.
var widths = []int64{320, 360, 800, 1320}

// page is a page of the desk and who may open it.
type page struct {
	name, path string
	// open are the roles that see it; the others are refused, and a visitor is
	// led to the sign-in page.
	open []string
	// status is the answer to those who see it; 0 is 200.
	status int64
}

var (
	readers   = []string{"supervisor", "representative", "adviser", "auditor"}
	reckoners = []string{"supervisor", "representative", "adviser", "committee", "auditor", "integration"}
	coders    = []string{"supervisor", "representative", "adviser", "committee", "auditor", "administrator", "integration"}
)

// pages are all pages of the desk with the states in which people meet them. A
// word in braces stands for a record of the demonstration world.
var pages = []page{
	{name: "sign-in", path: "/sign-in", open: everyone},
	{name: "report form", path: "/report", open: everyone},
	{name: "home", path: "/", open: everyone[1:]},
	{name: "reports", path: "/reports", open: readers},
	{name: "reports by words", path: "/reports?words=mower+stone", open: readers},
	{name: "reports that nothing fits", path: "/reports?words=zyxomma", open: readers},
	{name: "reports with a filter", path: "/reports?kind=injury-or-illness&workplace=workplaces/northside&since=2026-01-01", open: readers},
	{name: "reports with a bad day", path: "/reports?since=yesterday", open: readers, status: 422},
	{name: "an injury", path: "/reports/{injury}", open: readers},
	{name: "an awkward report", path: "/reports/{awkward}", open: readers},
	{name: "a spill", path: "/reports/{spill}", open: readers},
	{name: "a voided report", path: "/reports/{voided}", open: readers},
	{name: "a report that is not there", path: "/reports/ZZZ-ZZZ-Z", open: readers, status: 404},
	{name: "codes of an injury", path: "/reports/{injury}/code", open: []string{"adviser"}},
	{name: "codes of a hazard", path: "/reports/{hazard}/code", open: []string{"adviser"}},
	{name: "numbers", path: "/numbers", open: reckoners},
	{name: "numbers without hours", path: "/numbers?until=2019-06&months=3", open: reckoners},
	{name: "numbers with a bad month", path: "/numbers?convention=us&until=1890-01", open: reckoners, status: 422},
	{name: "chart", path: "/numbers/chart", open: reckoners},
	{name: "chart of hazards", path: "/numbers/chart?measure=hazard_rate&workplace=workplaces/northside-mowing", open: reckoners},
	{name: "chart of one crew", path: "/numbers/chart?measure=frequency_rate&workplace=workplaces/northside-trees", open: reckoners},
	{name: "chart of an unknown measure", path: "/numbers/chart?measure=happiness", open: reckoners, status: 422},
	{name: "table", path: "/numbers/table", open: reckoners},
	{name: "table of months by place", path: "/numbers/table?rows=month&columns=workplace&months=24", open: reckoners},
	{name: "table of nothing", path: "/numbers/table?rows=kind&until=2001-01", open: reckoners},
	{name: "causes", path: "/numbers/causes", open: reckoners},
	{name: "causes of harm to persons", path: "/numbers/causes?what=nature&with=bodily-location&level=1&harms=1&pile=outcome", open: reckoners},
	{name: "causes of nothing", path: "/numbers/causes?what=workplace&with=kind&until=2001-01", open: reckoners},
	{name: "causes with a bad choice", path: "/numbers/causes?what=colour&with=mechanism", open: reckoners, status: 422},
	{name: "reports of a cell", path: "/reports?in=mechanism%3D28&in=workplace%3Dworkplaces%2Fnorthside-mowing&level=2", open: []string{"adviser", "auditor"}},
	{name: "rates of the past", path: "/numbers?as_at=3000", open: reckoners},
	{name: "reports of the past", path: "/reports?as_at=3000", open: []string{"supervisor", "representative", "adviser", "auditor"}},
	{name: "what has changed", path: "/numbers/changed", open: []string{"adviser", "committee", "auditor"}},
	{name: "what has changed since", path: "/numbers/changed?was=4000", open: []string{"adviser", "committee", "auditor"}},
	{name: "summary form", path: "/numbers/summary", open: []string{"adviser", "committee", "auditor"}},
	{name: "codes", path: "/codes", open: coders},
	{name: "codes by words", path: "/codes?words=hit+by+falling+branch", open: coders},
	{name: "codes that nothing fits", path: "/codes?words=zyxomma", open: coders},
	{name: "set things up", path: "/setup", open: everyone[2:]},
	{name: "keepers of names", path: "/keepers", open: []string{"supervisor", "adviser", "auditor", "administrator"}},
	{name: "a keeper's passphrase", path: "/keepers/passphrase", open: []string{"supervisor", "adviser"}},
	{name: "keeping and forgetting", path: "/keep", open: []string{"adviser", "auditor", "administrator"}},
	{name: "set a password", path: "/sign-in/new", open: everyone},
	{name: "how I sign in", path: "/me", open: everyone[1:]},
	{name: "an address that is not there", path: "/lost", open: everyone[1:], status: 404},
}

// fullest is the role that sees most of a page.
func (p page) fullest() string {
	if slices.Contains(p.open, "adviser") {
		return "adviser"
	}
	return p.open[0]
}

// TestPages opens every page as every role at every width.
func TestPages(t *testing.T) {
	t.Parallel()
	h := demoHouse(t)
	names := landmarks(t, h)
	for _, role := range everyone {
		t.Run(role, func(t *testing.T) {
			t.Parallel()
			b := newTab(t, h)
			if role != "visitor" {
				b.signIn(role)
			}
			for _, p := range pages {
				if strings.HasPrefix(p.path, "/reports/{") && role == "supervisor" && p.name != "an injury" {
					continue // Northside's own; see TestRoles
				}
				b.page(p, role, names)
			}
		})
	}
}

// page opens one page and holds it to what every page must be.
func (b *tab) page(p page, role string, names map[string]string) {
	b.t.Helper()
	path := p.path
	for k, v := range names {
		path = strings.ReplaceAll(path, "{"+k+"}", v)
	}
	what := fmt.Sprintf("%s as %s", p.name, role)
	b.sized(widths[len(widths)-1])
	status := b.open(path)
	switch {
	case !slices.Contains(p.open, role) && role == "visitor":
		assert.Equal(b.t, "/sign-in", strings.SplitN(b.path(), "?", 2)[0], what)
		return
	case !slices.Contains(p.open, role):
		assert.EqualValues(b.t, 403, status, what)
		assert.Equal(b.t, "That is not open to you", b.text("h1"), what)
		if b.refused++; b.refused > 1 {
			return // one refusal looks like another
		}
	case p.status != 0:
		assert.Equal(b.t, p.status, status, what)
	default:
		assert.EqualValues(b.t, 200, status, what)
	}
	b.quiet(what)
	b.frame(what)
	// What is folded away is part of the page too.
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => { d.open = true })`))
	for _, w := range slices.Backward(widths) {
		b.sized(w)
		at := fmt.Sprintf("%s at %d px", what, w)
		b.fits(at)
		// The audit is slow and roles see much the same: each role at the width
		// where things get tight, and whoever sees most at all of them.
		if w == widths[0] || role == p.fullest() {
			assert.Empty(b.t, b.axe(w), at)
		}
		b.look(fmt.Sprintf("%s-%s-%d", p.name, role, w), w)
	}
}

// frame checks what carries a page for people who do not see it.
func (b *tab) frame(what string) {
	b.t.Helper()
	f := eval[struct {
		Title, Lang, First                      string
		Headings, Mains, Banners, Foots, Pinned int
		Levels                                  []int
	}](b, `({
		title: document.title, lang: document.documentElement.lang,
		headings: document.querySelectorAll("h1").length, mains: document.querySelectorAll("main").length,
		banners: document.querySelectorAll("body > header").length, foots: document.querySelectorAll("body > footer").length,
		first: document.querySelector("a[href], button, input")?.getAttribute("href") ?? "",
		pinned: document.querySelectorAll("[style]").length,
		levels: [...document.querySelectorAll("h1, h2, h3, h4")].map(h => +h.tagName[1]),
	})`)
	assert.Equal(b.t, 1, f.Headings, "%s: one main heading", what)
	assert.Equal(b.t, []int{1, 1, 1}, []int{f.Mains, f.Banners, f.Foots}, "%s: main, header, footer", what)
	assert.True(b.t, strings.HasSuffix(f.Title, " · Fairlead") && len(f.Title) > len(" · Fairlead"), "%s: title %q", what, f.Title)
	assert.Equal(b.t, "en-AU", f.Lang, what)
	assert.Equal(b.t, "#main", f.First, "%s: the way past the navigation comes first", what)
	for i := 1; i < len(f.Levels); i++ {
		assert.LessOrEqual(b.t, f.Levels[i], f.Levels[i-1]+1, "%s: headings skip a level: %v", what, f.Levels)
	}
}

// fits checks that nothing hangs out of the window to the side.
func (b *tab) fits(what string) {
	b.t.Helper()
	out := eval[[]string](b, `(() => {
		const wide = document.documentElement.clientWidth, out = [];
		if (document.documentElement.scrollWidth > wide) out.push("the page scrolls sideways");
		for (const e of document.querySelectorAll("body *")) {
			const r = e.getBoundingClientRect();
			if (r.width && r.height && (r.right > wide + 1 || r.left < -1) && !e.closest(".scroll, .skip, .hide, svg"))
				out.push(e.tagName + "." + e.className + " " + Math.round(r.left) + " to " + Math.round(r.right) + ": " + e.textContent.trim().slice(0, 40));
		}
		return out;
	})()`)
	assert.Empty(b.t, out, what)
}

// landmarks finds a report of each sort in the demonstration world, Northside's
// where possible.
func landmarks(t *testing.T, h *house) map[string]string {
	t.Helper()
	client := pb.NewReportServiceClient(h.conn)
	find := func(f *pb.ReportFilter, fits func(*pb.Report) bool) string {
		resp, err := client.ListReports(h.as(t, "adviser"), &pb.ListReportsRequest{PageSize: 500, Filter: f})
		require.NoError(t, err)
		for _, r := range resp.GetReports() {
			if fits(r) {
				return strings.TrimPrefix(r.GetName(), "reports/")
			}
		}
		require.Fail(t, "the demonstration world has no such report", "%v", f)
		return ""
	}
	north := []string{"workplaces/northside"}
	out := map[string]string{
		"injury": find(&pb.ReportFilter{Workplaces: north, Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS}}, func(r *pb.Report) bool {
			return len(r.GetHarms()) > 0 && len(r.GetHarms()[0].GetAbsences()) > 0
		}),
		"spill":   find(&pb.ReportFilter{Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_RELEASE}}, func(r *pb.Report) bool { return r.GetRelease() != nil }),
		"hazard":  find(&pb.ReportFilter{Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_HAZARD}}, func(*pb.Report) bool { return true }),
		"voided":  find(&pb.ReportFilter{IncludeVoided: true}, func(r *pb.Report) bool { return r.GetState() == pb.ReportState_REPORT_STATE_VOIDED }),
		"awkward": find(&pb.ReportFilter{}, func(r *pb.Report) bool { return strings.Contains(r.GetNarrative(), awkward) }),
	}
	require.Len(t, slices.Collect(maps.Keys(out)), 5)
	return out
}
