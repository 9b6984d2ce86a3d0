package webtest

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestKeepersPage names keepers, lets one choose a passphrase, and ends them,
// without a script.
func TestKeepersPage(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	a, b := newTab(t, h), newTab(t, h)
	a.withoutScript()
	b.withoutScript()
	a.signIn("administrator")
	b.signIn("adviser")
	_, err := pb.NewPrincipalServiceClient(h.conn).CreatePrincipal(h.as(t, "administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/p-77", DisplayName: "Fern Placeholder", SignInName: "fern", Grants: []*pb.Grant{{Role: pb.Role_ROLE_ADVISER}}}})
	require.NoError(t, err)

	a.open("/setup")
	require.EqualValues(t, 200, a.send(`.margin a[href="/keepers"]`))
	require.Contains(t, a.text(".note"), "No keeper has chosen a passphrase yet")
	require.Contains(t, a.text(".margin"), "Two are advised")
	require.Contains(t, a.text(".margin"), "A forgotten passphrase cannot be got back.")
	require.Zero(t, a.count(form("become")), "an administrator names, and opens nothing")
	const name = `form[action="/keepers"] button`
	a.fill("#name-who", "no such person!")
	require.EqualValues(t, 422, a.send(name))
	require.NotEmpty(t, a.text("#name-who-flaw"))
	require.Equal(t, "no such person!", a.value("#name-who"))

	b.open("/keepers")
	require.Zero(t, b.count("main form"), "who is not named chooses nothing, and an adviser names nobody")
	a.fill("#name-who", "adviser")
	require.EqualValues(t, 200, a.send(name))
	require.Contains(t, a.text(".done"), "Named")
	a.fill("#name-who", "fern placeholder")
	require.EqualValues(t, 200, a.send(name))
	require.Contains(t, a.text("#p-77"), "Fern Placeholder")
	require.Contains(t, a.text("#p-77"), "has not chosen a passphrase yet")

	choose := func(first, second string) int64 {
		t.Helper()
		b.open("/keepers")
		b.fill("#passphrase", first)
		b.fill("#again", second)
		return b.send(form("become") + " button")
	}
	require.EqualValues(t, 422, choose(keeperPhrase, keeperPhrase+"s"))
	require.Contains(t, b.text("#again-flaw"), "not the same")
	require.Empty(t, b.value("#passphrase"), "a passphrase is never written into a page")
	require.EqualValues(t, 422, choose("short", "short"))
	require.NotZero(t, b.count(`.wrong a[href="#passphrase"]`), b.text(".wrong"))
	require.NotEmpty(t, b.text("#passphrase-flaw"))
	require.Equal(t, "password off", b.attributes("#passphrase", "type", "autocomplete"))
	require.EqualValues(t, 200, choose(keeperPhrase, keeperPhrase))
	require.Contains(t, b.text(".done"), "You are a keeper")
	require.Zero(t, b.count(form("become")), "chosen once")
	require.Contains(t, b.text("#adviser"), "Keeper since")
	require.Contains(t, b.text(".note"), "one keeper only")

	// A supervisor may have been named and may not look at the list.
	s := newTab(t, h)
	s.signIn("supervisor")
	require.EqualValues(t, 200, s.open("/keepers"))
	require.Zero(t, s.count("article"))
	s.fill("#passphrase", keeperPhrase)
	s.fill("#again", keeperPhrase)
	require.EqualValues(t, 409, s.send(form("become")+" button"))
	require.Contains(t, s.text(".wrong"), "not named as a keeper")
	s.looked("keepers for a supervisor")

	// The last one ends only when that is said.
	end := "#adviser " + form("end") + " button"
	a.open("/keepers")
	a.unfold("#adviser details")
	require.EqualValues(t, 409, a.send(end))
	require.Contains(t, a.text(".wrong"), "last keeper")
	l := newTab(t, h)
	l.signIn("administrator")
	l.open("/keepers")
	l.looked("keepers")
	a.tick("#last-adviser")
	require.EqualValues(t, 200, a.send(end))
	require.Contains(t, a.text("#adviser"), "Ended")
	list, err := pb.NewKeeperServiceClient(h.conn).ListKeepers(h.as(t, "auditor"), &pb.ListKeepersRequest{})
	require.NoError(t, err)
	for _, k := range list.GetKeepers() {
		require.Empty(t, k.GetRecipient())
	}

	w := newTab(t, h)
	w.signIn("worker")
	require.EqualValues(t, 403, w.open("/keepers"))
	a.quiet("keepers")
	b.quiet("keepers")
	b.noWordsInAddresses(map[string]string{"a": keeperPhrase + " short"})
}
