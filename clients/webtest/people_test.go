package webtest

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestPeople lets somebody join, move, do one thing less, and leave, without a
// script.
func TestPeople(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.withoutScript()
	b.signIn("administrator")
	b.open("/people")
	require.Contains(t, b.text("main"), "Nobody yet.")
	b.fill("#join-name", "Fern Placeholder")
	b.fill("#join-signin", "fern one")
	require.EqualValues(t, 422, b.send(`form[action="/people"] button`))
	for _, at := range []string{"join-signin", "join-role", "join-workplace"} {
		require.NotZero(t, b.count(`.wrong a[href="#`+at+`"]`), "%s: %s", at, b.text(".wrong"))
	}
	require.Equal(t, "Fern Placeholder", b.value("#join-name"), "nothing is typed twice")
	b.fill("#join-signin", "fern")
	b.set("#join-role", "supervisor")
	require.EqualValues(t, 422, b.send(`form[action="/people"] button`), "nobody gets the whole house by leaving a list alone")
	b.set("#join-workplace", "workplaces/northside")
	require.EqualValues(t, 200, b.send(`form[action="/people"] button`))
	require.Contains(t, b.text(".done"), "Added.")
	require.Contains(t, b.text("article"), "upervisor for Northside")

	id := strings.TrimPrefix(fern(t, h).GetName(), "principals/")
	require.Equal(t, "/people/"+id+"?done=joined", b.path())
	require.EqualValues(t, 200, b.send(`form[action$="/code"] button`))
	code := b.text(".found .big")
	require.NotEmpty(t, code)
	require.Contains(t, b.text(".found"), "/sign-in/new")
	set := h.asks(t, "POST", "/sign-in/new", url.Values{"name": {"fern"}, "code": {code}, "new": {words}, "again": {words}}, nil)
	require.Equal(t, http.StatusSeeOther, set.StatusCode)
	theirs := map[string]string{"Cookie": cookieName + "=" + set.Cookies()[0].Value}
	require.Equal(t, http.StatusOK, h.asks(t, "GET", "/reports", nil, theirs).StatusCode)

	// One thing more, for two places; then the first of the two ends.
	b.open("/people/" + id)
	require.Contains(t, b.text(".margin"), "a password")
	require.Contains(t, b.text(".margin"), "in 1 place")
	b.unfold("section > details:has(#more-role)")
	require.EqualValues(t, 422, b.send("details:has(#more-role) button"))
	b.set("#more-role", "representative")
	b.set("#more-workplace", "workplaces/quarry-road")
	require.EqualValues(t, 200, b.send("details:has(#more-role) button"))
	require.Equal(t, http.StatusSeeOther, h.asks(t, "GET", "/reports", nil, theirs).StatusCode, "whoever may do something else is signed out")
	b.unfold("details:has(#r-1)")
	b.set("#w-1-more", "workplaces/northside")
	require.EqualValues(t, 200, b.send("details:has(#r-1) button"))
	require.Len(t, fern(t, h).GetGrants()[1].GetWorkplaces(), 2)
	b.unfold("details:has(#name)")
	b.fill("#name", "Fern Fable")
	require.EqualValues(t, 200, b.send("details:has(#name) button"))
	require.Len(t, fern(t, h).GetGrants()[1].GetWorkplaces(), 2, "what was not asked about stays")
	require.EqualValues(t, 200, b.send(`article:first-of-type form[action$="/role/end"] button`))
	require.Len(t, fern(t, h).GetGrants(), 1)
	require.Equal(t, pb.Role_ROLE_REPRESENTATIVE, fern(t, h).GetGrants()[0].GetRole())
	require.Zero(t, b.count(`form[action$="/role/end"]`), "the last one is not ended but left")

	require.EqualValues(t, 200, b.send(`form[action$="/suspend"] button`))
	require.Contains(t, b.text(".say"), "Kept out for now")
	require.EqualValues(t, 200, b.send(`form[action$="/back"] button`))
	l := newTab(t, h)
	l.signIn("administrator")
	for _, page := range []string{"/people", "/people/" + id} {
		l.open(page)
		l.looked(strings.TrimPrefix(strings.ReplaceAll(page, id, "one"), "/"))
	}
	b.unfold(`details:has(form[action$="/leave"])`)
	require.EqualValues(t, 200, b.send(`form[action$="/leave"] button`))
	require.Contains(t, b.text(".done"), "nothing lets them in")
	require.Zero(t, b.count(`main form`), "nothing more is done to whoever has left")
	require.NotNil(t, fern(t, h).GetEndTime())
	require.Equal(t, http.StatusUnprocessableEntity, h.asks(t, "POST", "/sign-in", url.Values{"name": {"fern"}, "password": {words}}, nil).StatusCode)

	c := newTab(t, h)
	c.signIn("supervisor")
	require.EqualValues(t, 403, c.open("/people"))
	require.EqualValues(t, 403, c.open("/people/"+id))
}

// fern is who signs in as "fern", or did.
func fern(t *testing.T, h *house) *pb.Principal {
	t.Helper()
	list, err := pb.NewPrincipalServiceClient(h.conn).ListPrincipals(h.as(t, "administrator"), &pb.ListPrincipalsRequest{IncludeLeft: true})
	require.NoError(t, err)
	for _, p := range list.GetPrincipals() {
		if p.GetSignInName() == "fern" {
			return p
		}
	}
	t.Fatal("nobody signs in as fern")
	return nil
}

// TestPeople_file brings in joiners, movers and leavers.
func TestPeople_file(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.withoutScript()
	b.signIn("administrator")
	file := filepath.Join(t.TempDir(), "people.csv")
	bring := func(rows string, ticks ...string) int64 {
		t.Helper()
		require.NoError(t, os.WriteFile(file, []byte("name,role,workplaces,sign_in_name,left\n"+rows), 0o600))
		b.open("/people")
		b.do(chromedp.SetUploadFiles(chromedp.CSS("#people-file"), []string{file}))
		for _, id := range ticks {
			b.tick(id)
		}
		return b.send(`form[action="/people/file"] button`)
	}
	const really, change = "#people-check", "#people-change"
	require.EqualValues(t, 422, bring("Moss Fable,worker,northside,moss,\nRush Fable,emperor,,,\nReed Fable,worker,atlantis,,\n", really))
	require.Contains(t, b.text("main"), "line 3, column role")
	require.Contains(t, b.text("main"), "line 4, column workplaces")
	require.NotContains(t, b.text("main"), "Moss Fable", "nothing was stored")
	good := "Moss Fable,worker,northside,moss,\nReed Fable,worker+representative,northside,,\n"
	require.EqualValues(t, 200, bring(good))
	require.Contains(t, b.text(".done"), "2 would join")
	require.NotContains(t, b.text("table"), "Moss Fable", "unless it is asked for, a file is only looked at")
	require.EqualValues(t, 200, bring(good, really))
	require.Contains(t, b.text(".done"), "2 joined")
	require.EqualValues(t, 200, bring(good, really))
	require.Contains(t, b.text(".done"), "0 joined, 0 changed, 0 left, 2 as they were")
	next := "Moss Fable,supervisor,quarry-road,moss,\nReed Fable,,northside,,yes\nThorn Fable,worker,northside,thorn,\n"
	require.EqualValues(t, 200, bring(next, change))
	require.Contains(t, b.text(".done"), "supervisor for quarry-road, until now worker for northside")
	require.Contains(t, b.text(".done"), "Reed Fable leaves")
	l := newTab(t, h)
	l.signIn("administrator")
	require.EqualValues(t, 200, bring(next, change, really))
	require.Contains(t, b.text(".done"), "1 joined, 1 changed, 1 left")

	b.fill("#words", "fab mo")
	require.EqualValues(t, 200, b.send(`form[action="/people/find"] button`))
	require.Equal(t, 1, b.count("tbody tr"))
	require.Contains(t, b.text("tbody"), "Moss Fable")
	b.fill("#words", "reed")
	b.send(`form[action="/people/find"] button`)
	require.Contains(t, b.text("main"), "Nobody here is called that")
	b.tick("#left")
	b.send(`form[action="/people/find"] button`)
	require.Contains(t, b.text("tbody"), "left")
	for _, u := range b.asked() {
		require.NotContains(t, u, "reed", "names stay out of addresses")
	}
}

// TestTablets adds a tablet, shows its code, and takes it out.
func TestTablets(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.signIn("administrator")
	b.open("/tablets")
	require.EqualValues(t, 422, b.send(`form[action="/tablets"] button`))
	require.NotZero(t, b.count(".wrong"))
	b.fill("#tablet-name", "tablet 3")
	b.set("#tablet-workplace", "workplaces/northside")
	require.EqualValues(t, 200, b.send(`form[action="/tablets"] button`))
	code := strings.ReplaceAll(b.text(".found .big"), "-", "")
	require.Len(t, code, 8)
	require.NotZero(t, b.count(".found svg.qr path"))
	b.looked("tablets")
	in, err := pb.NewDeviceServiceClient(h.conn).EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: code})
	require.NoError(t, err)
	require.NotEmpty(t, in.GetSecret())
	b.open("/tablets")
	require.Contains(t, b.text("article"), "Let in")
	require.EqualValues(t, 200, b.send(`article form[action$="/end"] button`))
	require.Contains(t, b.text(".done"), "Taken out")
	require.Zero(t, b.count("article"))
}
