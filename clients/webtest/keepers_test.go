package webtest

import (
	"testing"
	"time"

	"github.com/google/uuid"
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
	require.Contains(t, a.text("#name-who-flaw"), "choose somebody of the list")
	a.fill("#name-who", "worker")
	require.EqualValues(t, 422, a.send(name))
	require.Contains(t, a.text("#name-who-flaw"), "takes the role of a safety adviser")
	a.fill("#name-who", "no such person!")
	require.EqualValues(t, 422, a.send(name))
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

	// A supervisor who was not named is told of nobody.
	s := newTab(t, h)
	s.signIn("supervisor")
	require.EqualValues(t, 200, s.open("/keepers"))
	require.Zero(t, s.count("article"))
	require.Zero(t, s.count("main form"))
	require.Contains(t, s.text("main"), "An administrator names the keepers")

	// The last one ends only when that is said.
	end := "#adviser " + form("end") + " button"
	a.open("/keepers")
	a.unfold("#adviser details")
	require.EqualValues(t, 409, a.send(end))
	require.Contains(t, a.text(".wrong"), "last keeper")
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

// TestKeepersPage_states looks at the page in each state that people meet it in,
// as each role that reaches it, and does there what a keeper does.
func TestKeepersPage_states(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	house, reports := pb.NewKeeperServiceClient(h.conn), pb.NewReportServiceClient(h.conn)
	told := func() *pb.Report {
		t.Helper()
		r, err := reports.FileReport(h.as(t, "worker"), &pb.FileReportRequest{Report: &pb.Report{Name: "reports/" + uuid.NewString(),
			Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step."},
			Teller: &pb.Teller{DisplayName: "Linnet Marshwiggle"}})
		require.NoError(t, err)
		return r.GetReport()
	}
	name := func(who string) {
		t.Helper()
		_, err := house.NameKeeper(h.as(t, "administrator"), &pb.NameKeeperRequest{Principal: "principals/" + who})
		require.NoError(t, err)
	}
	tabs := map[string]*tab{}
	for _, role := range []string{"supervisor", "adviser", "auditor", "administrator"} {
		tabs[role] = newTab(t, h)
		tabs[role].signIn(role)
	}
	state := func(what string, says map[string]string) {
		t.Helper()
		for role, b := range tabs {
			b.page(page{name: "keepers, " + what, path: "/keepers", open: []string{role}}, role, nil)
			if words := says[role]; words != "" {
				require.Contains(t, b.text("main"), words, "%s as %s", what, role)
			}
			require.NotContains(t, b.text("main"), "Marshwiggle")
		}
	}
	told()
	told()
	state("nobody is named", map[string]string{"administrator": "2 names are not closed yet", "supervisor": "You keep no names"})
	name("supervisor")
	state("one is named", map[string]string{"supervisor": "Become a keeper", "adviser": "has not chosen a passphrase yet"})
	s, a := tabs["supervisor"], tabs["adviser"]
	become := func(b *tab, phrase string) {
		t.Helper()
		b.open("/keepers")
		b.fill("#passphrase", phrase)
		b.fill("#again", phrase)
		require.EqualValues(t, 200, b.send(`form[action="/keepers/become"] button`))
	}
	become(s, keeperPhrase)
	require.Eventually(t, func() bool {
		l, err := house.ListKeepers(h.as(t, "auditor"), &pb.ListKeepersRequest{})
		return err == nil && l.GetOpenNames() == 0
	}, 30*time.Second, 50*time.Millisecond)
	last := told()
	const lost = "3 names are closed to one person only: if they forget the passphrase, the names are lost."
	state("one keeps", map[string]string{"supervisor": lost, "adviser": lost, "auditor": "There is one keeper only"})
	require.Zero(t, s.count(`form[action="/keepers/share"]`), "there is nobody to share with")

	name("adviser")
	become(a, keeperPhrase+" two")
	state("two keep", map[string]string{"supervisor": "Share them with all keepers", "administrator": lost})
	require.Zero(t, a.count(`form[action="/keepers/share"]`), "the new keeper can open none")
	share := `form[action="/keepers/share"] button`
	s.open("/keepers")
	s.fill("#share-passphrase", keeperPhrase+" two")
	require.EqualValues(t, 422, s.send(share))
	require.Contains(t, s.text("#share-passphrase-flaw"), "not your passphrase")
	require.NotZero(t, s.count(`.wrong a[href="#share-passphrase"]`), s.text(".wrong"))
	require.Empty(t, s.value("#share-passphrase"), "a passphrase is never written into a page")
	s.looked("keepers, share refused")
	s.fill("#share-passphrase", keeperPhrase)
	require.EqualValues(t, 200, s.send(share))
	require.Contains(t, s.text(".done"), "3 names are closed to all keepers now")
	s.looked("keepers, shared")

	// The passphrase, changed by who knows it.
	change := func(old, first, second string) int64 {
		t.Helper()
		require.EqualValues(t, 200, a.open("/keepers"))
		require.EqualValues(t, 200, a.send(`main a[href="/keepers/passphrase"]`))
		a.fill("#old", old)
		a.fill("#new", first)
		a.fill("#again", second)
		return a.send(`form[action="/keepers/passphrase"] button`)
	}
	require.EqualValues(t, 422, change(keeperPhrase+" two", keeperPhrase+" three", keeperPhrase+" four"))
	require.Contains(t, a.text("#again-flaw"), "not the same")
	require.EqualValues(t, 422, change(keeperPhrase+" two", "short", "short"))
	require.NotEmpty(t, a.text("#new-flaw"))
	require.EqualValues(t, 422, change(keeperPhrase, keeperPhrase+" three", keeperPhrase+" three"))
	require.Contains(t, a.text("#old-flaw"), "not your passphrase")
	require.Empty(t, a.value("#old")+a.value("#new")+a.value("#again"))
	a.looked("passphrase refused")
	require.EqualValues(t, 200, change(keeperPhrase+" two", keeperPhrase+" three", keeperPhrase+" three"))
	require.Contains(t, a.text(".done"), "Your passphrase is changed")
	who, err := reports.GetTeller(h.as(t, "adviser"), &pb.GetTellerRequest{Name: last.GetName() + "/teller", Reason: "to arrange a lift home", Passphrase: keeperPhrase + " three"})
	require.NoError(t, err)
	require.Equal(t, "Linnet Marshwiggle", who.GetDisplayName())

	for _, id := range []string{"supervisor", "adviser"} {
		_, err = house.EndKeeper(h.as(t, "administrator"), &pb.EndKeeperRequest{Name: "keepers/" + id, EvenIfLast: true})
		require.NoError(t, err)
	}
	state("all ended", map[string]string{"auditor": "3 names are closed to nobody who is still a keeper", "supervisor": "You keep no names"})
	s.noWordsInAddresses(map[string]string{"a": keeperPhrase})
	a.noWordsInAddresses(map[string]string{"a": keeperPhrase})
}
