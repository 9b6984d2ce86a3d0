package webtest

import (
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"fairlead/clients/desk"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestReads gives the person concerned who read about them: the one who was
// hurt learns nothing of who told.
func TestReads(t *testing.T) {
	t.Parallel()
	begun := time.Now()
	clock := func() time.Time { return today.Add(time.Since(begun)) }
	s := servertest.Start(t, servertest.Options{Clock: clock, Reads: true, Desk: func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error) {
		return desk.Handler(conn, desk.Options{FormToken: formToken, Clock: clock})
	}})
	s.Shire()
	h := &house{web: "http://" + s.Web, conn: s.Conn(), tokens: s.Tokens}
	h.fern(t)
	made, err := pb.NewSignInServiceClient(h.conn).MakeSignInCode(h.as(t, "administrator"), &pb.MakeSignInCodeRequest{Principal: "principals/fern"})
	require.NoError(t, err)
	in, err := pb.NewSignInServiceClient(h.conn).SetPassword(t.Context(), &pb.SetPasswordRequest{SignInName: "fern", NewPassword: words, Proof: &pb.SetPasswordRequest_Code{Code: made.GetCode()}})
	require.NoError(t, err)
	h.tokens["fern"] = in.GetSecret()
	filed, err := pb.NewReportServiceClient(h.conn).FileReport(h.as(t, "supervisor"), &pb.FileReportRequest{RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f99", Report: &pb.Report{
		Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/northside", Narrative: "The hoist slipped a notch.", TellerMode: pb.TellerMode_TELLER_MODE_CONFIDENTIAL,
		Harms: []*pb.Harm{{HarmId: "h1", Description: "Crushed finger.", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}}},
		Teller: &pb.Teller{DisplayName: "Somebody Told"}})
	require.NoError(t, err)
	report := filed.GetReport().GetName()
	_, err = pb.NewReportServiceClient(h.conn).GetReport(h.as(t, "fern"), &pb.GetReportRequest{Name: report})
	require.NoError(t, err)
	_, err = pb.NewReportServiceClient(h.conn).GetTeller(h.as(t, "fern"), &pb.GetTellerRequest{Name: report + "/teller", Reason: "=Asked by the teller"})
	require.NoError(t, err)

	b := newTab(t, h)
	b.signIn("adviser")
	b.open("/" + report)
	require.Contains(t, b.text("main"), "Fern Placeholder", "people are called what people call them")
	b.send(`a[href$="/reads"]`)
	require.Contains(t, b.text("tbody"), "Fern Placeholder")
	require.Contains(t, b.text("tbody"), "health facts")
	for _, never := range []string{"who told, in confidence", "Asked by", "Crushed", "Somebody Told"} {
		require.NotContains(t, b.text("main"), never)
	}
	b.looked("reads")
	b.send(`a[href$="?for=told"]`)
	require.Contains(t, b.text("tbody"), "who told, in confidence")
	require.Contains(t, b.text("main"), "never give it to anybody but the teller")
	require.NotContains(t, b.text("main"), "health facts")
	b.looked("reads for the teller")

	resp := h.asks(t, "GET", "/"+report+"/reads?for=told&as=csv", nil, map[string]string{"Cookie": cookieName + "=" + b.cookie().Value})
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Contains(t, resp.Header.Get("Content-Disposition"), "attachment")
	require.Equal(t, "no-store", resp.Header.Get("Cache-Control"))
	require.Contains(t, string(body), "Fern Placeholder")
	require.Contains(t, string(body), "'=Asked", "nothing is a formula")
	c := newTab(t, h)
	c.signIn("supervisor")
	require.EqualValues(t, 403, c.open("/"+report+"/reads"))
}
