package webtest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestPeople lets somebody join, move and leave, and brings in a file of
// people, without a script.
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
	require.NotZero(t, b.count(`.wrong a[href="#join-signin"]`), b.text(".wrong"))
	require.NotZero(t, b.count(`.wrong a[href="#join-role"]`), b.text(".wrong"))
	require.Equal(t, "Fern Placeholder", b.value("#join-name"), "nothing is typed twice")
	b.fill("#join-signin", "fern")
	b.set("#join-role", "supervisor")
	b.set("#join-workplace", "workplaces/northside")
	require.EqualValues(t, 200, b.send(`form[action="/people"] button`))
	require.Contains(t, b.text(".done"), "sign-in code")
	require.Contains(t, b.text("article"), "supervisor for Northside")

	principals := pb.NewPrincipalServiceClient(h.conn)
	fern := func() *pb.Principal {
		t.Helper()
		list, err := principals.ListPrincipals(h.as(t, "administrator"), &pb.ListPrincipalsRequest{IncludeLeft: true})
		require.NoError(t, err)
		for _, p := range list.GetPrincipals() {
			if p.GetSignInName() == "fern" {
				return p
			}
		}
		t.Fatal("nobody signs in as fern")
		return nil
	}
	id := strings.TrimPrefix(fern().GetName(), "principals/")
	b.unfold("#" + id + " details")
	require.EqualValues(t, 200, b.send("#"+id+` form[action$="/code"] button`))
	require.NotEmpty(t, b.text(".found .big"))
	l := newTab(t, h)
	l.signIn("administrator")
	l.open("/people")
	l.looked("people")

	b.open("/people")
	b.unfold("#" + id + " details")
	b.set("#r-"+id, "representative")
	b.set("#w-"+id, "workplaces/quarry-road")
	require.EqualValues(t, 200, b.send("#"+id+` form[action$="/move"] button`))
	require.Equal(t, pb.Role_ROLE_REPRESENTATIVE, fern().GetGrants()[0].GetRole())
	b.unfold("#" + id + " details")
	require.EqualValues(t, 200, b.send("#"+id+` form[action$="/suspend"] button`))
	require.Contains(t, b.text("#"+id+" h3"), "kept out for now")
	b.unfold("#" + id + " details")
	require.EqualValues(t, 200, b.send("#"+id+` form[action$="/back"] button`))
	b.unfold("#" + id + " details")
	require.EqualValues(t, 200, b.send("#"+id+` form[action$="/leave"] button`))
	require.Contains(t, b.text(".done"), "nothing lets them in")
	require.Zero(t, b.count("#"+id))
	require.NotNil(t, fern().GetEndTime())

	file := filepath.Join(t.TempDir(), "people.csv")
	bring := func(rows string) int64 {
		t.Helper()
		require.NoError(t, os.WriteFile(file, []byte("name,role,workplaces,sign_in_name\n"+rows), 0o600))
		b.open("/people")
		b.do(chromedp.SetUploadFiles(chromedp.CSS("#people-file"), []string{file}))
		return b.send(`form[action="/people/file"] button`)
	}
	require.EqualValues(t, 422, bring("Moss Fable,worker,northside,moss\nRush Fable,emperor,,\nReed Fable,worker,atlantis,\n"))
	require.Contains(t, b.text("main"), "line 3, column role")
	require.Contains(t, b.text("main"), "line 4")
	require.NotContains(t, b.text("main"), "Moss Fable", "nothing was stored")
	require.EqualValues(t, 200, bring("Moss Fable,worker,northside,moss\nReed Fable,worker+representative,northside,\n"))
	require.Contains(t, b.text("main"), "2 people added")
	require.EqualValues(t, 200, bring("Moss Fable,worker,northside,moss\nReed Fable,worker+representative,northside,\n"))
	require.Contains(t, b.text("main"), "0 people added, 2 were there already")

	c := newTab(t, h)
	c.signIn("supervisor")
	require.EqualValues(t, 403, c.open("/people"))
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
