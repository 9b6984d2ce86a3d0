package webtest

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// ways are the names in the navigation of a page.
func (b *tab) ways() []string {
	b.t.Helper()
	return eval[[]string](b, `[...document.querySelectorAll("nav a")].map(a => a.innerText)`)
}

// TestRoles looks at the demonstration world through the eyes of the roles that
// see least.
func TestRoles(t *testing.T) {
	t.Parallel()
	h := demoHouse(t)
	names := landmarks(t, h)
	t.Run("worker", func(t *testing.T) {
		t.Parallel()
		b := newTab(t, h)
		b.signIn("worker")
		require.Equal(t, "/report", b.path(), "the one thing there is to do comes first")
		require.Equal(t, []string{"Reports you told", "Report something"}, b.ways())
		for _, path := range []string{"/reports", "/reports/" + names["injury"], "/numbers", "/numbers/chart", "/codes", "/setup"} {
			require.EqualValues(t, 403, b.open(path), path)
		}
		for _, path := range []string{"/reports", "/codes", "/codes/found"} {
			require.Equal(t, 403, eval[int](b, `fetch("`+path+`", {method: "POST", body: new URLSearchParams({words: "hand"})}).then(r => r.status)`), path)
		}
	})
	t.Run("committee", func(t *testing.T) {
		t.Parallel()
		b := newTab(t, h)
		b.signIn("committee")
		require.NotContains(t, b.ways(), "What happened")
		require.Zero(t, b.count(".reports, .narrative"))
		for _, path := range []string{"/reports", "/reports?words=mower", "/reports/" + names["injury"], "/reports/" + names["injury"] + "/code"} {
			require.EqualValues(t, 403, b.open(path), path)
			require.Zero(t, b.count(".reports, .narrative, mark"))
		}
		require.EqualValues(t, 200, b.open("/numbers"))
		require.EqualValues(t, 200, b.open("/numbers/chart"))
	})
	t.Run("representative", func(t *testing.T) {
		t.Parallel()
		adviser := newTab(t, h)
		adviser.signIn("adviser")
		b := newTab(t, h)
		b.signIn("representative")
		for name, facts := range map[string][]string{
			"injury":  {"Treatment:", "Away from", "rostered"},
			"awkward": {"Cut hand", "Sore back", "Treatment:"},
		} {
			adviser.open("/reports/" + names[name])
			require.EqualValues(t, 200, b.open("/reports/"+names[name]))
			for _, fact := range facts {
				require.Contains(t, adviser.text("main"), fact, "the record holds it")
				require.NotContains(t, eval[string](b, `document.documentElement.outerHTML`), fact, "%s: what is known of somebody's health stays away from a representative", name)
			}
			require.NotEmpty(t, b.text(".narrative"))
			const photo = `form[action$="/attachments"]`
			require.Zero(t, b.count("main form:not("+photo+"), main details:not(:has("+photo+")), .codes, .history"), "reads, adds a photo, changes nothing")
		}
	})
	t.Run("supervisor", func(t *testing.T) {
		t.Parallel()
		b := newTab(t, h)
		b.signIn("supervisor")
		ours := []string{"Northside depot", "Tree crew", "Mowing crew"}
		for _, path := range []string{"/", "/reports", "/reports?words=mower", "/reports?kind=near-miss", "/reports?workplace=workplaces/northside"} {
			require.EqualValues(t, 200, b.open(path))
			places := eval[[]string](b, `[...document.querySelectorAll(".reports .beside span:last-child")].map(e => e.innerText)`)
			require.NotEmpty(t, places, path)
			for _, p := range places {
				require.Contains(t, ours, p, path)
			}
			require.NotContains(t, b.text("main"), "Roads crew", path)
			require.NotContains(t, b.text("main"), "Quarry", "%s: not even as a choice", path)
		}
		for _, name := range []string{"awkward", "spill"} {
			adviser := newTab(t, h)
			adviser.signIn("adviser")
			adviser.open("/reports/" + names[name])
			where := adviser.text(".margin dd")
			status := b.open("/reports/" + names[name])
			if strings.Contains(strings.Join(ours, " "), strings.Split(where, ",")[0]) {
				continue
			}
			require.Contains(t, []int64{403, 404}, status, "%s lies at %s", name, where)
			require.Zero(t, b.count(".narrative"))
		}
		require.EqualValues(t, 200, b.open("/report"))
		require.Contains(t, b.text("#workplace"), "Roads crew", "what happened anywhere can be told")
		require.EqualValues(t, 200, b.open("/setup"))
		require.NotContains(t, b.text("main"), "Roads crew")
		require.EqualValues(t, 403, b.open("/reports?workplace=workplaces/quarry-road"))
		require.EqualValues(t, 403, b.open("/numbers/chart?workplace=workplaces/quarry-road"))
		b.open("/numbers")
		require.Contains(t, b.text("caption"), "Northside")
		b.open("/numbers/table?rows=workplace&columns=")
		require.NotContains(t, b.text("table"), "Roads crew")
	})
	t.Run("auditor", func(t *testing.T) {
		t.Parallel()
		b := newTab(t, h)
		b.signIn("auditor")
		b.open("/reports/" + names["injury"])
		require.Zero(t, b.count("main form"), "reads, changes nothing")
		require.NotZero(t, b.count(".history"))
		require.NotContains(t, b.text(".history"), "demo-", "who acted is not for the auditor")
	})
}
