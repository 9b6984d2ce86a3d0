package webtest

import (
	"regexp"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestReceipt goes from the open form to the answer and back, without script and
// without ever signing in on the teller's side.
func TestReceipt(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	teller := newTab(t, h)
	teller.withoutScript()
	teller.open("/report")
	teller.fillForm(nearMiss)
	require.EqualValues(t, 200, teller.send("button.send"))
	code := teller.text(".receipt")
	require.Regexp(t, regexp.MustCompile(`^[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{5}$`), code)
	short := teller.text(".code-big")

	adviser := newTab(t, h)
	adviser.withoutScript()
	adviser.signIn("adviser")
	adviser.open("/reports/" + short)
	adviser.unfold(`details:has(> form[action$="/ask"])`)
	require.EqualValues(t, 422, adviser.send(`form[action$="/ask"] button`))
	require.NotZero(t, adviser.count(`.wrong a[href="#ask-text"]`))
	adviser.fill("#ask-text", "Which hoist, the old or the new one?")
	require.EqualValues(t, 200, adviser.send(`form[action$="/ask"] button`))
	require.Contains(t, adviser.text(".done"), "Asked")
	adviser.unfold(`details:has(> form[action$="/tell"])`)
	adviser.set("#tell-stage", "made-safe")
	adviser.fill("#tell-text", "Both hoists are locked out.")
	require.EqualValues(t, 200, adviser.send(`form[action$="/tell"] button`))

	teller.open("/receipt")
	teller.fill("#code", code[:len(code)-2]+"UU")
	require.EqualValues(t, 422, teller.send("main form button"))
	require.NotZero(t, teller.count(`.wrong a[href="#code"]`), teller.text("main"))
	teller.fill("#code", code)
	require.EqualValues(t, 200, teller.send("main form button"))
	require.Equal(t, "/receipt", teller.path(), "no address holds the code")
	main := teller.text("main")
	for _, want := range []string{short, "The place was made safe for now", "Which hoist, the old or the new one?", "Both hoists are locked out.", "No name is kept", "One question waits"} {
		require.Contains(t, main, want)
	}
	require.NotContains(t, main, nearMiss["narrative"], "what was told is not repeated: others may find the slip")
	require.NotContains(t, main, "adviser", "who looks after it is not named")
	teller.unfold("details:has(#a-1)")
	teller.fill("#a-1", "The new one.")
	require.EqualValues(t, 200, teller.send(`details button[value="answer"]`))
	require.Contains(t, teller.text(".done"), "Sent")
	require.NotContains(t, teller.text("main"), "question waits")
	require.EqualValues(t, 200, teller.send(`button[value="read"]`))
	require.Contains(t, teller.text("main"), "that you read this")
	require.EqualValues(t, 200, teller.send(`button[value="not-fixed"]`))
	require.Contains(t, teller.text(".say"), "not fixed")

	adviser.open("/reports/" + short)
	for _, want := range []string{"The new one.", "it is not fixed", "Read by whoever told this"} {
		require.Contains(t, adviser.text("main"), want)
	}
	require.Contains(t, adviser.text("main"), "Who read it")
}

// TestReceipt_looks holds the page to what every page must be.
func TestReceipt_looks(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	filed, err := pb.NewReportServiceClient(h.conn).FileReport(h.as(t, "worker"), &pb.FileReportRequest{
		Report: &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step."}})
	require.NoError(t, err)
	_, err = pb.NewMessageServiceClient(h.conn).AskTeller(h.as(t, "adviser"), &pb.AskTellerRequest{Report: filed.GetReport().GetName(), Text: "Which step?"})
	require.NoError(t, err)
	b := newTab(t, h)
	b.open("/receipt")
	b.fill("#code", filed.GetReceiptCode())
	require.EqualValues(t, 200, b.send("main form button"))
	b.looked("receipt")
}
