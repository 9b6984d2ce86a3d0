package webtest

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestKeepersForget lets a keeper destroy the closed names of one person, with and
// without a script: nothing goes before everything is said, the page tells counts
// only, and neither the person nor the passphrase gets into an address.
func TestKeepersForget(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	house, reports := pb.NewKeeperServiceClient(h.conn), pb.NewReportServiceClient(h.conn)
	wren, err := pb.NewWorkplaceServiceClient(h.conn).CreatePerson(h.as(t, "administrator"), &pb.CreatePersonRequest{Person: &pb.Person{Name: "people/p-8801",
		DisplayName: "Linnet Marshwiggle", Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}})
	require.NoError(t, err)
	told := func(teller *pb.Teller) string {
		t.Helper()
		r, err := reports.FileReport(h.as(t, "worker"), &pb.FileReportRequest{Report: &pb.Report{Name: "reports/" + uuid.NewString(),
			Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step."}, Teller: teller})
		require.NoError(t, err)
		return r.GetReport().GetName()
	}
	become := func(who string) {
		t.Helper()
		_, err := house.NameKeeper(h.as(t, "administrator"), &pb.NameKeeperRequest{Principal: "principals/" + who})
		require.NoError(t, err)
		_, err = house.BecomeKeeper(h.as(t, who), &pb.BecomeKeeperRequest{Passphrase: keeperPhrase})
		require.NoError(t, err)
	}
	become("supervisor")
	told(&pb.Teller{Person: wren.GetName()})
	told(&pb.Teller{DisplayName: "linnet  MARSHWIGGLE"})
	held, other := told(&pb.Teller{Person: wren.GetName()}), told(&pb.Teller{DisplayName: "Sedge Marshwiggle"})
	_, err = pb.NewRetentionServiceClient(h.conn).PlaceLegalHold(h.as(t, "adviser"), &pb.PlaceLegalHoldRequest{LegalHold: &pb.LegalHold{
		Name: "legalHolds/claim", Reason: "a claim", AskedBy: "the insurer", Reports: []string{held}}})
	require.NoError(t, err)

	const forget = `form[action="/keepers/forget"]`
	for _, role := range []string{"adviser", "administrator", "auditor"} {
		b := newTab(t, h)
		b.signIn(role)
		require.EqualValues(t, 200, b.open("/keepers"))
		require.Zero(t, b.count(forget), "%s keeps no names", role)
	}
	s := newTab(t, h)
	s.signIn("supervisor")
	s.open("/keepers")
	require.Equal(t, "false", eval[string](s, `String(document.querySelector('form[action="/keepers/forget"]').parentElement.open)`), "out of the way until it is wanted")
	s.unfold("details:has(" + forget + ")")
	require.Contains(t, s.text(forget), "It cannot be undone.")
	require.EqualValues(t, 422, s.send(forget+" button"))
	for _, field := range []string{"person", "reason", "passphrase", "seen"} {
		require.NotEmpty(t, s.text("#forget-"+field+"-flaw"), field)
		require.NotZero(t, s.count(`.wrong a[href="#forget-`+field+`"]`), field)
	}
	send := func(passphrase string, seen bool) int64 {
		t.Helper()
		s.fill("#forget-person", "p-8801")
		s.fill("#forget-written", "Lin\nLinnet Marshwiggle")
		s.fill("#forget-reason", "the person asked")
		s.fill("#forget-passphrase", passphrase)
		if seen {
			s.tick("#forget-seen")
		}
		return s.send(forget + " button")
	}
	require.EqualValues(t, 422, send(keeperPhrase, false))
	require.Contains(t, s.text("#forget-seen-flaw"), "nobody can bring a name back")
	require.EqualValues(t, 422, send(keeperPhrase+"s", true))
	require.Contains(t, s.text("#forget-passphrase-flaw"), "not your passphrase")
	require.Equal(t, "p-8801", s.value("#forget-person"), "what was typed stays")
	require.Equal(t, "Lin\nLinnet Marshwiggle", s.value("#forget-written"))
	require.Empty(t, s.value("#forget-passphrase"), "a passphrase is never written into a page")
	s.looked("forget refused")
	l, err := house.ListKeepers(h.as(t, "auditor"), &pb.ListKeepersRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 4, l.GetClosed()[0].GetNames(), "nothing went")

	require.EqualValues(t, 200, send(keeperPhrase, false), "ticked before, and still")
	require.Contains(t, s.text(".done"), "2 names are destroyed, for good. Kept, because a legal hold is on the report: 1.")
	require.NotContains(t, s.text("main"), "Marshwiggle")
	require.Contains(t, s.text("main"), "2 names are closed to one person only")
	s.looked("forget done")
	who, err := reports.GetTeller(h.as(t, "supervisor"), &pb.GetTellerRequest{Name: other + "/teller", Reason: "to arrange a lift home", Passphrase: keeperPhrase})
	require.NoError(t, err)
	require.Equal(t, "Sedge Marshwiggle", who.GetDisplayName())
	s.unfold("details:has(" + forget + ")")
	require.EqualValues(t, 200, send(keeperPhrase, true))
	require.Contains(t, s.text(".done"), "No name was destroyed. Kept, because a legal hold is on the report: 1.")

	s.noWordsInAddresses(map[string]string{"a": keeperPhrase + " p-8801 Marshwiggle"})
	s.quiet("forget")

	// A keeper who can open none of them hears that others can.
	become("adviser")
	s = newTab(t, h)
	s.withoutScript()
	s.signIn("adviser")
	s.open("/keepers")
	s.unfold("details:has(" + forget + ")")
	require.EqualValues(t, 200, send(keeperPhrase, true))
	require.Contains(t, s.text(".done"), "none that you can open is of that person. Not yours to open, whoever they are of: 2.")
	s.noWordsInAddresses(map[string]string{"a": keeperPhrase + " p-8801 Marshwiggle"})
	s.quiet("forget")
}
