package webtest

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// file files an injury to one person and returns the last part of its name.
func (h *house) file(t *testing.T, workplace string) string {
	t.Helper()
	resp, err := pb.NewReportServiceClient(h.conn).FileReport(h.as(t, "worker"), &pb.FileReportRequest{RequestId: uuid.NewString(), Report: &pb.Report{
		Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: workplace, Narrative: "The hoist slipped a notch.", TellerMode: pb.TellerMode_TELLER_MODE_NAMED,
		Harms: []*pb.Harm{{HarmId: "h1", Description: "Crushed finger.", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}}}})
	require.NoError(t, err)
	return strings.TrimPrefix(resp.GetReport().GetName(), "reports/")
}

// form is the selector of a form of a report's page, by where it goes.
func form(word string) string { return fmt.Sprintf("form[action$=%q]", "/"+word) }

// change fills in a form of a report's page and sends it.
func (b *tab) change(word string, answers map[string]string) int64 {
	b.t.Helper()
	b.unfold("details:has(> " + strings.ReplaceAll(form(word), `"`, `'`) + ")")
	b.fillForm(answers)
	return b.send(form(word) + " button")
}

// TestReport_changes takes a report through all that can become of it, through
// the page, and reads each step back from the page and from the record.
func TestReport_changes(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	b := newTab(t, h)
	b.signIn("adviser")
	b.open("/reports/" + name)
	require.Contains(t, b.text(".history"), "filed by worker")

	require.EqualValues(t, 200, b.change("amend", map[string]string{"amend-narrative": "The hoist slipped two notches.", "amend-spot": "bay 2", "amend-reason": "Asked the crew."}))
	require.Contains(t, b.text(".done"), "Amended")
	require.Contains(t, b.text(".narrative"), "two notches")
	require.Contains(t, b.text(".margin"), "bay 2")
	require.Contains(t, b.text(".history"), "what happened, exact spot")
	require.Contains(t, b.text(".history"), "Asked the crew.")

	require.EqualValues(t, 200, b.change("outcome", map[string]string{"outcome-h1-outcome": "lost-time", "outcome-h1-effective_date": "2026-09-09", "outcome-h1-reason": "Sent home."}))
	require.Contains(t, b.text(".harm h3"), "lost time")
	require.Contains(t, b.text(".harm"), "lost time from 9 September 2026: Sent home.")

	require.EqualValues(t, 200, b.change("absence", map[string]string{"absence-h1-first_date": "2026-09-09", "absence-h1-return_date": "2026-09-10", "absence-h1-rostered_days": "1"}))
	require.Contains(t, b.text(".harm"), "Away from 9 September 2026, back on 10 September 2026, 1 rostered day.")

	require.EqualValues(t, 200, b.change("harm", map[string]string{"harm-description": "Bruised arm.", "harm-employment_group": "contractor", "harm-treatment": "first-aid", "harm-outcome": "first-aid"}))
	require.Equal(t, 2, b.count(".harm"))
	require.Contains(t, b.text(".harm:last-of-type"), "Person 2: first aid, contractor")
	require.Contains(t, b.text(".history"), "time away of person 1")

	require.EqualValues(t, 200, b.change("void", map[string]string{"void-reason": "Filed twice."}))
	require.Contains(t, b.text(".say"), "taken out of every figure: Filed twice.")
	require.Zero(t, b.count("main form"), "nothing more can be done to it here")
	require.Contains(t, b.text(".history"), "taken out of the figures")
	b.open("/reports")
	require.Contains(t, b.text(".say"), "0 reports")
	b.open("/reports?voided=1")
	require.Contains(t, b.text(".reports"), "voided")

	r := h.stored(t)[0]
	require.Equal(t, pb.ReportState_REPORT_STATE_VOIDED, r.GetState())
	require.Equal(t, "The hoist slipped two notches.", r.GetNarrative())
	require.Len(t, r.GetHarms(), 2)
	require.EqualValues(t, 1, r.GetHarms()[0].GetAbsences()[0].GetRosteredDays())
	b.quiet("changes")
	b.noWordsInAddresses(map[string]string{"a": "notches Asked Sent home Bruised Filed twice"})
}

// TestReport_badInput sends each form of the page with something wrong: its
// words stay, the others are not touched, and nothing is stored.
func TestReport_badInput(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	b := newTab(t, h)
	b.signIn("adviser")
	for _, c := range []struct {
		form, at string
		answers  map[string]string
	}{
		{"amend", "#amend-reason", map[string]string{"amend-narrative": "Two notches.", "amend-spot": "bay 2", "amend-reason": ""}},
		{"amend", "#amend-narrative", map[string]string{"amend-narrative": "", "amend-reason": "No words left."}},
		{"void", "#void-reason", map[string]string{"void-reason": ""}},
		{"outcome", "#outcome-h1-outcome", map[string]string{"outcome-h1-reason": "Forgot to choose."}},
		{"outcome", "#outcome-h1-effective_date", map[string]string{"outcome-h1-outcome": "lost-time", "outcome-h1-effective_date": "2026-09-12"}},
		{"absence", "#absence-h1-first_date", map[string]string{"absence-h1-rostered_days": "3"}},
		{"absence", "#absence-h1-return_date", map[string]string{"absence-h1-first_date": "2026-09-09", "absence-h1-return_date": "2026-09-01"}},
		{"absence", "#absence-h1-rostered_days", map[string]string{"absence-h1-first_date": "2026-09-09", "absence-h1-rostered_days": "few"}},
	} {
		b.open("/reports/" + name)
		require.EqualValues(t, 422, b.change(c.form, c.answers), "%v", c)
		require.NotZero(t, b.count(fmt.Sprintf(`.wrong a[href=%q]`, c.at)), "%v: %s", c, b.text(".wrong"))
		require.NotContains(t, b.text(".wrong"), "(", "fields are named as the page names them")
		require.Equal(t, 1, b.count("main details[open]"), "only the form that was sent is open")
		for field, words := range c.answers {
			require.Equal(t, words, b.value("#"+field), "%v", c)
		}
		require.Empty(t, b.axe(1320), "%v", c)
	}
	require.Equal(t, "r1", h.stored(t)[0].GetEtag(), "nothing was stored")
	b.quiet("bad input")
}

// TestReport_twoPeople changes a report in two windows: the second is told, its
// words stay, and sent again they are stored on top.
func TestReport_twoPeople(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	first, second := newTab(t, h), newTab(t, h)
	first.signIn("adviser")
	second.signIn("supervisor")
	first.open("/reports/" + name)
	second.open("/reports/" + name)
	require.EqualValues(t, 200, first.change("amend", map[string]string{"amend-narrative": "First words.", "amend-reason": "First reason."}))
	require.EqualValues(t, 409, second.change("amend", map[string]string{"amend-narrative": "Second words.", "amend-reason": "Second reason."}))
	require.Contains(t, second.text(".wrong"), "Somebody else changed this report first")
	require.Equal(t, "First words.", second.text(".narrative"))
	require.Equal(t, "Second words.", second.value("#amend-narrative"))
	require.EqualValues(t, 200, second.send(form("amend")+" button"))
	require.Equal(t, "Second words.", h.stored(t)[0].GetNarrative())
	require.Contains(t, second.text(".history"), "First reason.")
}
