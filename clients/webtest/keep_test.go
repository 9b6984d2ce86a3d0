package webtest

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// looked holds a state of the page to what every page must be, at every width.
func (b *tab) looked(name string) {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => { d.open = true })`))
	for _, w := range widths {
		b.sized(w)
		b.fits(name)
		require.Empty(b.t, b.axe(w), "%s at %d", name, w)
		b.look(fmt.Sprintf("%s-%d", name, w), w)
	}
	b.sized(1320)
}

// TestKeeping lets an adviser and an administrator agree to a class, place and
// release a hold, take out what is due, and forget who told, without a script.
func TestKeeping(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	reports := pb.NewReportServiceClient(h.conn)
	filed, err := reports.FileReport(h.as(t, "worker"), &pb.FileReportRequest{
		Report: &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside",
			Narrative: "Zyxomma slipped on the ramp.", OccurTime: timestamppb.New(today.AddDate(-3, 0, 0)), TellerMode: pb.TellerMode_TELLER_MODE_NAMED},
		Teller: &pb.Teller{DisplayName: "Fern Placeholder"}})
	require.NoError(t, err)
	code := filed.GetReport().GetShortCode()
	b := newTab(t, h)
	b.withoutScript()
	b.signIn("adviser")
	b.open("/keep")
	require.Contains(t, b.text("main"), "No class is in force")

	form := func(action string) string { return `form[action="/keep/` + action + `"] ` }
	// Something is wrong: it is said beside the field, and nothing is lost.
	b.open("/keep")
	b.unfold(folded("class"))
	b.fill("#class-title", "Old near misses")
	b.fill("#class-id", "old-near-misses")
	b.fill("#class-months", "0")
	b.set("#class-step", "words")
	b.fill("#class-source", "House rule")
	b.fill("#class-reason", "committee, 3 March")
	require.EqualValues(t, 422, b.send(form("class")+"button"))
	require.NotZero(t, b.count(`.wrong a[href="#class-months"]`), b.text(".wrong"))
	require.Equal(t, "House rule", b.value("#class-source"))
	b.fill("#class-months", "24")
	require.EqualValues(t, 200, b.send(form("class")+"button"))
	require.Contains(t, b.text(".done"), "must agree")

	agree := func(b *tab) {
		b.open("/keep")
		const class = "details:has(#agree-old-near-misses)"
		b.unfold(class)
		b.fill("#agree-old-near-misses", "read the Act")
		require.EqualValues(t, 200, b.send(class+" button"))
		require.Contains(t, b.text(".done"), "You agreed")
	}
	agree(b)
	require.Contains(t, b.text("main"), "an administrator must agree")
	a := newTab(t, h)
	a.signIn("administrator")
	agree(a)
	require.Zero(t, a.count(form("apply")), "taking out is for advisers")
	require.Zero(t, a.count(form("person")))

	b.open("/keep")
	b.unfold(folded("hold"))
	b.fill("#hold-id", "claim-7")
	b.fill("#hold-reason", "a claim")
	b.fill("#hold-asked_by", "the insurer")
	b.fill("#hold-reports", code)
	require.EqualValues(t, 200, b.send(form("hold")+"button"))
	require.Contains(t, b.text("main"), "1 more would be due and are under a hold.")
	b.unfold(folded("teller"))
	b.fill("#teller-id", code)
	b.fill("#teller-reason", "asked")
	require.EqualValues(t, 409, b.send(form("teller")+"button"))
	require.Contains(t, b.text(".wrong"), "legalHolds/claim-7")
	b.unfold(folded("release"))
	b.fill(form("release")+"input[name=reason]", "settled")
	require.EqualValues(t, 200, b.send(form("release")+"button"))
	require.Contains(t, b.text("main"), "Released")

	// Who told is looked at, then erased.
	b.unfold(folded("teller"))
	b.fill("#teller-id", code)
	b.fill("#teller-reason", "asked")
	require.EqualValues(t, 200, b.send(form("teller")+"button"))
	require.Contains(t, b.text(".found"), "who told")
	teller, err := reports.GetTeller(h.as(t, "adviser"), &pb.GetTellerRequest{Name: filed.GetReport().GetName() + "/teller"})
	require.NoError(t, err)
	require.Equal(t, "Fern Placeholder", teller.GetDisplayName(), "looking erases nothing")
	require.EqualValues(t, 200, b.send(".found button"))
	require.Contains(t, b.text(".done"), "erased")
	teller, err = reports.GetTeller(h.as(t, "adviser"), &pb.GetTellerRequest{Name: filed.GetReport().GetName() + "/teller"})
	require.NoError(t, err)
	require.Equal(t, "erased", teller.GetDisplayName())

	// What is due is taken out only when somebody says that they looked.
	b.unfold(folded("apply"))
	b.fill("#apply-reason", "committee, 10 March")
	require.EqualValues(t, 409, b.send(form("apply")+"button"))
	require.Contains(t, b.text(".wrong"), "looked at the list")
	require.Equal(t, "committee, 10 March", b.value("#apply-reason"))
	b.tick("#apply-seen")
	require.EqualValues(t, 200, b.send(form("apply")+"button"))
	require.Contains(t, b.text(".done"), "Taken out.")
	b.open("/reports/" + code)
	require.NotContains(t, b.text("main"), "Zyxomma")
	require.Contains(t, b.text(".note"), "what is counted stays")
	b.quiet("keeping")
}

// folded is what a form of the page is folded away in.
func folded(action string) string { return `details:has(> form[action="/keep/` + action + `"])` }

// TestKeepingLooks looks at the states of the page.
func TestKeepingLooks(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	keep := pb.NewRetentionServiceClient(h.conn)
	for i, role := range []string{"adviser", "administrator"} {
		etag := ""
		if i > 0 {
			etag = "r1"
		}
		_, err := keep.AgreeRetentionClass(h.as(t, role), &pb.AgreeRetentionClassRequest{Name: "retentionClasses/call-back", Etag: etag, Reason: "read it"})
		require.NoError(t, err)
	}
	person := "people/p-0190a1"
	_, err := pb.NewWorkplaceServiceClient(h.conn).CreatePerson(h.as(t, "administrator"), &pb.CreatePersonRequest{Person: &pb.Person{Name: person,
		DisplayName: "Fern Placeholder", Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}})
	require.NoError(t, err)
	_, err = pb.NewReportServiceClient(h.conn).FileReport(h.as(t, "worker"), &pb.FileReportRequest{
		Report: &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside",
			Narrative: "The ramp was wet.", Harms: []*pb.Harm{{Person: person}}}, Teller: &pb.Teller{Person: person}})
	require.NoError(t, err)
	_, err = keep.PlaceLegalHold(h.as(t, "adviser"), &pb.PlaceLegalHoldRequest{LegalHold: &pb.LegalHold{Name: "legalHolds/inquest", Reason: "an inquest",
		AskedBy: "the coroner", Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/quarry-road"}}}})
	require.NoError(t, err)
	b := newTab(t, h)
	b.signIn("adviser")
	b.open("/keep")
	b.looked("keeping")
	b.fill("#person-id", "p-0190a1")
	b.fill("#person-reason", "left, and asked to be forgotten")
	require.EqualValues(t, 200, b.send(`form[action="/keep/person"] button`), "%s", b.text("main"))
	require.Contains(t, b.text(".found"), "Read these reports")
	b.looked("keeping found")
	b.open("/keep")
	b.unfold(folded("person"))
	require.EqualValues(t, 422, b.send(`form[action="/keep/person"] button`))
	b.looked("keeping wrong")
}
