package webtest

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// tells files a report as a role.
func (h *house) tells(t *testing.T, role string, mode pb.TellerMode, teller *pb.Teller) *pb.Report {
	t.Helper()
	filed, err := pb.NewReportServiceClient(h.conn).FileReport(h.as(t, role), &pb.FileReportRequest{Teller: teller,
		Report: &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step.", TellerMode: mode}})
	require.NoError(t, err)
	return filed.GetReport()
}

// TestMine: a worker who has signed in finds what they told by name from the
// start, hears, answers and says that it is not fixed, without a code and without
// script; nobody else does.
func TestMine(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.withoutScript()
	b.signIn("worker")
	b.open("/mine")
	require.Contains(t, b.text(".say"), "Nothing here yet")
	require.Contains(t, b.text("main"), "told in confidence, without a name")
	require.NotZero(t, b.count(`main a[href="/receipt"]`))

	named := h.tells(t, "worker", pb.TellerMode_TELLER_MODE_NAMED, nil)
	few := h.tells(t, "worker", pb.TellerMode_TELLER_MODE_CONFIDENTIAL, nil)
	others := h.tells(t, "supervisor", pb.TellerMode_TELLER_MODE_NAMED, nil)
	messages := pb.NewMessageServiceClient(h.conn)
	_, err := messages.AskTeller(h.as(t, "adviser"), &pb.AskTellerRequest{Report: named.GetName(), Text: "Which step is it?"})
	require.NoError(t, err)
	_, err = messages.TellProgress(h.as(t, "adviser"), &pb.TellProgressRequest{Report: named.GetName(), Stage: pb.ProgressStage_PROGRESS_STAGE_MADE_SAFE, Text: "The step is taped off."})
	require.NoError(t, err)

	b.open("/")
	require.NotZero(t, b.count(`nav a[href="/mine"]`), "from the start")
	b.open("/me")
	require.NotZero(t, b.count(`main a[href="/mine"]`))
	b.open("/mine")
	require.Equal(t, []string{named.GetShortCode()}, b.all(".reports .head a"))
	require.Contains(t, b.text(".say"), "One question waits")
	require.NotContains(t, b.text("main"), few.GetShortCode())
	require.EqualValues(t, 200, b.send(".reports .head a"))
	for _, want := range []string{named.GetShortCode(), "The place was made safe for now", "Which step is it?", "Your supervisor and the safety adviser"} {
		require.Contains(t, b.text("main"), want)
	}
	for _, not := range []string{"Loose step", "adviser-", "principals/"} {
		require.NotContains(t, b.text("main"), not)
	}
	b.unfold("details:has(#a-1)")
	require.EqualValues(t, 422, b.send(`details button[value="answer"]`))
	require.NotZero(t, b.count(`.wrong a[href="#text"]`))
	b.fill("#a-1", "The third one.")
	require.EqualValues(t, 200, b.send(`details button[value="answer"]`))
	require.Contains(t, b.text(".done"), "Sent")
	require.Contains(t, b.text("main"), "The third one.")
	require.NotContains(t, b.text("main"), "question waits")
	require.EqualValues(t, 200, b.send(`button[value="read"]`))
	require.Contains(t, b.text("main"), "that you read this")
	require.EqualValues(t, 200, b.send(`button[value="not-fixed"]`))
	require.Contains(t, b.text(".say"), "not fixed")

	for _, path := range []string{"/mine/" + others.GetName()[len("reports/"):], "/mine/" + few.GetName()[len("reports/"):], "/mine/nothing", "/mine/" + uuid.NewString()} {
		require.Contains(t, []int64{404, 422}, b.open(path), path)
		require.NotContains(t, b.text("main"), others.GetShortCode())
	}
	stranger := newTab(t, h)
	stranger.open("/mine")
	require.Contains(t, stranger.path(), "/sign-in")
}

// TestMine_looks holds the pages to what every page must be.
func TestMine_looks(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.signIn("worker")
	b.open("/mine")
	b.looked("mine empty")
	h.tells(t, "worker", pb.TellerMode_TELLER_MODE_NAMED, nil)
	r := h.tells(t, "worker", pb.TellerMode_TELLER_MODE_NAMED, nil)
	messages := pb.NewMessageServiceClient(h.conn)
	_, err := messages.AskTeller(h.as(t, "adviser"), &pb.AskTellerRequest{Report: r.GetName(), Text: "Which step is it?"})
	require.NoError(t, err)
	b.open("/mine")
	b.looked("mine")
	b.open("/mine/" + r.GetName()[len("reports/"):])
	b.looked("mine one")
}
