package webtest

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// keeperPhrase is the passphrase of the keeper of these tests.
const keeperPhrase = "seven quiet harbours lantern"

// sent clicks what leads to another page and returns the whole answer.
func (b *tab) sent(sel string) *network.Response {
	b.t.Helper()
	return b.goes(chromedp.Click(chromedp.CSS(sel)))
}

// attributes returns attributes of an element, a space between them.
func (b *tab) attributes(sel string, names ...string) string {
	b.t.Helper()
	var out []string
	for _, n := range names {
		out = append(out, eval[string](b, fmt.Sprintf(`document.querySelector(%q).getAttribute(%q) ?? ""`, sel, n)))
	}
	return strings.Join(out, " ")
}

// amendment amends the story of a report as it was filed.
func amendment(path string) *pb.UpdateReportRequest {
	return &pb.UpdateReportRequest{RequestId: uuid.NewString(), Reason: "Asked again.",
		Report:     &pb.Report{Name: strings.TrimPrefix(path, "/"), Etag: "r1", Narrative: "Mr Zyxomma left both gates open."},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"narrative"}}}
}

// TestTellerAndCover opens who told a report, named and in confidence, and
// decides on the story that others read.
func TestTellerAndCover(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	reports, house := pb.NewReportServiceClient(h.conn), pb.NewKeeperServiceClient(h.conn)
	file := func(mode pb.TellerMode) string {
		t.Helper()
		resp, err := reports.FileReport(h.as(t, "worker"), &pb.FileReportRequest{RequestId: uuid.NewString(),
			Report: &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside",
				Narrative: "Mr Zyxomma left the gate open.", TellerMode: mode},
			Teller: &pb.Teller{DisplayName: "Fern Placeholder", Contact: "channel 9"}})
		require.NoError(t, err)
		return "/reports/" + strings.TrimPrefix(resp.GetReport().GetName(), "reports/")
	}
	b := newTab(t, h)
	b.withoutScript()
	b.signIn("adviser")

	// Told openly: one press.
	named := file(pb.TellerMode_TELLER_MODE_NAMED)
	b.open(named)
	require.NotContains(t, b.text("main"), "Fern Placeholder", "nobody is shown who did not ask")
	opened := func(path string) {
		t.Helper()
		resp := b.sent(form("teller") + " button")
		require.EqualValues(t, 200, resp.Status, b.text(".wrong"))
		require.Equal(t, "no-store", resp.Headers["Cache-Control"])
		require.Equal(t, path+"/teller", b.path(), "no word of it in the address")
		require.Contains(t, b.text(".found"), "Fern Placeholder")
		require.Contains(t, b.text(".found"), "channel 9")
	}
	opened(named)
	b.open(named)
	require.NotContains(t, b.text("main"), "Fern Placeholder", "shown once")

	// Told in confidence: a reason, and once there is a keeper their passphrase,
	// also for what was told before.
	before := file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	try := func(path, reason, passphrase string) int64 {
		t.Helper()
		b.open(path)
		b.unfold("details:has(> form[action$='/teller'])")
		b.fill("#teller-reason", reason)
		b.fill("#teller-passphrase", passphrase)
		return b.send(form("teller") + " button")
	}
	require.EqualValues(t, 422, try(before, "short", ""))
	require.NotZero(t, b.count(`.wrong a[href="#teller-reason"]`), b.text(".wrong"))
	require.NotEmpty(t, b.text("#teller-reason-flaw"))
	require.Equal(t, "short", b.value("#teller-reason"))
	b.fill("#teller-reason", "to arrange a lift home")
	opened(before)

	_, err := house.NameKeeper(h.as(t, "administrator"), &pb.NameKeeperRequest{Principal: "principals/adviser"})
	require.NoError(t, err)
	_, err = house.BecomeKeeper(h.as(t, "adviser"), &pb.BecomeKeeperRequest{Passphrase: keeperPhrase})
	require.NoError(t, err)
	after := file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL)

	require.EqualValues(t, 422, try(after, "to arrange a lift home", ""))
	require.NotEmpty(t, b.text("#teller-passphrase-flaw"))
	require.EqualValues(t, 422, try(after, "to arrange a lift home", "seven loud harbours"))
	require.Contains(t, b.text("#teller-passphrase-flaw"), "is not your passphrase")
	require.Empty(t, b.value("#teller-passphrase"), "a passphrase is never written into a page")
	require.Equal(t, "password off", b.attributes("#teller-passphrase", "type", "autocomplete"))
	b.fill("#teller-passphrase", keeperPhrase)
	opened(after)
	s := newTab(t, h)
	s.signIn("supervisor")
	s.open(after)
	s.unfold("details:has(> form[action$='/teller'])")
	s.fill("#teller-reason", "to arrange a lift home")
	require.EqualValues(t, 403, s.send(form("teller")+" button"))
	require.Contains(t, s.text(".wrong"), "is not open to you")
	require.Zero(t, s.count(form("masked")), "a supervisor does not decide what others read")

	// The story that others read.
	read := func() string {
		t.Helper()
		r, err := reports.GetReport(h.as(t, "representative"), &pb.GetReportRequest{Name: strings.TrimPrefix(after, "/")})
		require.NoError(t, err)
		return r.GetNarrative()
	}
	b.open(after)
	require.NotContains(t, b.value("#masked-narrative"), "Zyxomma")
	require.NotContains(t, read(), "Zyxomma")
	b.unfold("details:has(> form[action$='/masked'])")
	b.fill("#masked-narrative", "")
	require.EqualValues(t, 422, b.send(form("masked")+" button"))
	require.NotEmpty(t, b.text("#masked-narrative-flaw"))
	b.fill("#masked-narrative", "Somebody left the gate open.")
	require.EqualValues(t, 200, b.send(form("masked")+" button"))
	require.Contains(t, b.text(".done"), "Stored")
	require.Contains(t, b.text("main"), "Somebody decided on this text.")
	require.Equal(t, "Somebody left the gate open.", read())

	_, err = reports.UpdateReport(h.as(t, "adviser"), amendment(after))
	require.NoError(t, err)
	b.unfold("details:has(> form[action$='/masked'])")
	b.fill("#masked-narrative", "Another text.")
	require.EqualValues(t, 409, b.send(form("masked")+" button"), "the report was amended meanwhile")
	require.Equal(t, "Another text.", b.value("#masked-narrative"), "nothing is typed twice")
	b.quiet("who told")
	b.noWordsInAddresses(map[string]string{"a": "Fern Placeholder lift arrange harbours Somebody Another"})

	l := newTab(t, h)
	l.signIn("adviser")
	l.open(after)
	l.looked("who told")
	require.EqualValues(t, 422, l.send(form("teller")+" button"))
	l.looked("who told wrong")
	l.open(named)
	require.EqualValues(t, 200, l.send(form("teller")+" button"))
	l.looked("who told opened")
}
