package server_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/server/servertest"
)

// told files a report and returns its name and receipt code.
func told(t *testing.T, w *world, mode pb.TellerMode) (*pb.Report, string) {
	t.Helper()
	req := &pb.FileReportRequest{RequestId: w.id(), Report: &pb.Report{Name: "reports/" + w.id(), Kind: pb.ReportKind_REPORT_KIND_HAZARD,
		Workplace: "workplaces/northside", Narrative: "Loose step at the wash bay.", TellerMode: mode}}
	if mode != pb.TellerMode_TELLER_MODE_ANONYMOUS {
		req.Teller = &pb.Teller{DisplayName: "Moss Fableton", Contact: "channel 9"}
	}
	resp, err := pb.NewReportServiceClient(w.Conn()).FileReport(w.As("worker"), req)
	require.NoError(t, err)
	require.NotEmpty(t, resp.GetReceiptCode())
	return resp.GetReport(), resp.GetReceiptCode()
}

// TestReceipt goes the whole way: a teller who names no one hears what came of
// it, is asked, answers, and says that it is not fixed.
func TestReceipt(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	house, teller := pb.NewMessageServiceClient(w.Conn()), pb.NewReceiptServiceClient(w.Conn())
	r, code := told(t, w, pb.TellerMode_TELLER_MODE_ANONYMOUS)
	stranger := t.Context()

	p, err := teller.GetProgress(stranger, &pb.GetProgressRequest{Code: strings.ToLower(strings.ReplaceAll(code, "-", " "))})
	require.NoError(t, err)
	require.Equal(t, r.GetShortCode(), p.GetShortCode())
	require.Len(t, p.GetSteps(), 1)
	require.Equal(t, "2026-03-04", p.GetSteps()[0].GetDate())
	require.Contains(t, p.GetSummary(), "Nobody has written down yet")
	require.Contains(t, p.GetAboutName(), "No name is kept")

	q, err := house.AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: r.GetName(), Text: "Which step?", RequestId: w.id()})
	require.NoError(t, err)
	require.NotEmpty(t, q.GetAuthor())
	w.clock.Set(now.AddDate(0, 0, 2))
	_, err = house.TellProgress(w.As("supervisor"), &pb.TellProgressRequest{Report: r.GetName(), Stage: pb.ProgressStage_PROGRESS_STAGE_MADE_SAFE, Text: "The step is taped off."})
	require.NoError(t, err)

	list, err := teller.ListMessages(stranger, &pb.ListMessagesRequest{Code: code})
	require.NoError(t, err)
	require.Len(t, list.GetMessages(), 2)
	for _, m := range list.GetMessages() {
		require.Empty(t, m.GetAuthor(), "who at the house wrote is not told")
	}
	ack, err := teller.Acknowledge(stranger, &pb.AcknowledgeRequest{Code: code, Message: q.GetName()})
	require.NoError(t, err)
	require.Equal(t, "2026-03-06", ack.GetAcknowledgeDate())
	answer := &pb.AddMessageRequest{Code: code, Text: "The third one, ask whoever wears the green helmet.", Answers: q.GetName(), RequestId: w.id()}
	one, err := teller.AddMessage(stranger, answer)
	require.NoError(t, err)
	two, err := teller.AddMessage(stranger, answer)
	require.NoError(t, err)
	require.True(t, proto.Equal(one, two), "sent again, it is one message")
	_, err = teller.AddMessage(stranger, &pb.AddMessageRequest{Code: code, NotFixed: true})
	require.NoError(t, err)

	p, err = teller.GetProgress(stranger, &pb.GetProgressRequest{Code: code})
	require.NoError(t, err)
	require.Zero(t, p.GetQuestionsWaiting())
	require.EqualValues(t, 1, p.GetUnread())
	require.Contains(t, p.GetSummary(), "not fixed")
	require.Len(t, p.GetSteps(), 3)
	require.Equal(t, "The step is taped off.", p.GetSteps()[2].GetWords())

	// The adviser reads all of it; a supervisor learns that it is not fixed, not
	// in whose words; nobody learns who.
	all, err := house.ListReportMessages(w.As("adviser"), &pb.ListReportMessagesRequest{Report: r.GetName()})
	require.NoError(t, err)
	require.Len(t, all.GetMessages(), 4)
	require.Equal(t, "The third one, ask whoever wears the green helmet.", all.GetMessages()[2].GetText())
	require.Empty(t, all.GetMessages()[2].GetAuthor())
	some, err := house.ListReportMessages(w.As("supervisor"), &pb.ListReportMessagesRequest{Report: r.GetName()})
	require.NoError(t, err)
	require.True(t, some.GetMessages()[2].GetWordsHidden())
	require.Empty(t, some.GetMessages()[2].GetText())
	require.Equal(t, pb.MessageKind_MESSAGE_KIND_NOT_FIXED, some.GetMessages()[3].GetKind())

	h, err := pb.NewReportServiceClient(w.Conn()).ListReportHistory(w.As("adviser"), &pb.ListReportHistoryRequest{Name: r.GetName()})
	require.NoError(t, err)
	for _, e := range h.GetEntries() {
		if e.GetVerb() == "answer" || e.GetVerb() == "acknowledge" {
			require.Empty(t, e.GetActor())
			require.Equal(t, "13:00:00", e.GetChangeTime().AsTime().Format(time.TimeOnly), "only the day, which begins at 13:00 UTC there")
		}
	}
}

// TestReceiptOpenings: whoever told in confidence reads when the name was looked
// at, and why.
func TestReceiptOpenings(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	teller := pb.NewReceiptServiceClient(w.Conn())
	r, code := told(t, w, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	_, err := pb.NewReportServiceClient(w.Conn()).GetTeller(w.As("adviser"), &pb.GetTellerRequest{Name: r.GetName() + "/teller", Reason: "to arrange a lift to the clinic"})
	require.NoError(t, err)
	p, err := teller.GetProgress(t.Context(), &pb.GetProgressRequest{Code: code})
	require.NoError(t, err)
	require.Len(t, p.GetNameOpenings(), 1)
	require.Equal(t, "to arrange a lift to the clinic", p.GetNameOpenings()[0].GetReason())
	require.NotContains(t, p.String(), "adviser-", "who looked is not told")
	_, err = pb.NewRetentionServiceClient(w.Conn()).EraseTeller(w.As("adviser"), &pb.EraseTellerRequest{Name: r.GetName() + "/teller", Reason: "the teller asked"})
	require.NoError(t, err)
	p, err = teller.GetProgress(t.Context(), &pb.GetProgressRequest{Code: code})
	require.NoError(t, err)
	require.Contains(t, p.GetAboutName(), "no longer kept")
	require.Len(t, p.GetNameOpenings(), 1)
	require.Empty(t, p.GetNameOpenings()[0].GetReason())
}

// TestReceiptCodes: what is carried, what is made, what comes again.
func TestReceiptCodes(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	reports, teller := pb.NewReportServiceClient(w.Conn()), pb.NewReceiptServiceClient(w.Conn())
	reads := func(code string) bool {
		_, err := teller.GetProgress(t.Context(), &pb.GetProgressRequest{Code: code})
		return err == nil
	}
	req := &pb.FileReportRequest{RequestId: w.id(), Report: story("reports/" + w.id())}
	first, err := reports.FileReport(w.As("worker"), req)
	require.NoError(t, err)
	again, err := reports.FileReport(w.As("worker"), req)
	require.NoError(t, err)
	require.NotEqual(t, first.GetReceiptCode(), again.GetReceiptCode(), "the first is kept nowhere")
	require.True(t, reads(first.GetReceiptCode()) && reads(again.GetReceiptCode()), "both lead to the report: one answer may be lost on the way")
	// The same telling under another request id: nobody gets a code for a report
	// that they could have copied.
	req.RequestId = w.id()
	copied, err := reports.FileReport(w.As("supervisor"), req)
	require.NoError(t, err)
	require.Empty(t, copied.GetReceiptCode())
	require.Contains(t, strings.Join(copied.GetNotes(), " "), "nobody keeps it")

	carried := &pb.FileReportRequest{RequestId: w.id(), Report: story("reports/" + w.id()), ReceiptCode: "7KQ2-MX4H-WPN8-3ZRT" + "?"}
	for _, l := range "0123456789ABCDEFGHJKMNPQRSTVWXYZ" {
		carried.ReceiptCode = "7KQ2-MX4H-WPN8-3ZRT" + string(l)
		if _, err = reports.FileReport(w.As("worker"), carried); err == nil {
			break
		}
		require.Equal(t, "receipt_code", refused(t, err).fields[0].GetField())
	}
	require.NoError(t, err, "one letter of 32 checks the rest")
	for range 2 {
		resp, err := reports.FileReport(w.As("worker"), carried)
		require.NoError(t, err)
		require.Equal(t, carried.GetReceiptCode(), resp.GetReceiptCode())
	}
	require.True(t, reads(carried.GetReceiptCode()))
	// A code belongs to one report.
	other := &pb.FileReportRequest{RequestId: w.id(), Report: story("reports/" + w.id()), ReceiptCode: carried.GetReceiptCode()}
	_, err = reports.FileReport(w.As("worker"), other)
	require.Equal(t, "receipt_code", refused(t, err).fields[0].GetField())
	check := &pb.FileReportRequest{ValidateOnly: true, Report: story("reports/" + w.id())}
	checked, err := reports.FileReport(w.As("worker"), check)
	require.NoError(t, err)
	require.Empty(t, checked.GetReceiptCode())

	// Nothing on disk holds a code.
	w.Stop()
	plain := strings.ReplaceAll(first.GetReceiptCode(), "-", "")
	everyFile(t, w, func(path string, b []byte) {
		require.NotContains(t, string(b), plain, path)
		require.NotContains(t, string(b), first.GetReceiptCode(), path)
	})
}

// everyFile visits all that the house has written.
func everyFile(t *testing.T, w *world, visit func(path string, b []byte)) {
	t.Helper()
	n := 0
	require.NoError(t, filepath.WalkDir(w.Data, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		n++
		visit(path, b)
		return err
	}))
	require.Greater(t, n, 3)
}

// TestReceiptRefusals: every method says what is wrong, and wrong codes are
// slowed down without keeping out those who have one.
func TestReceiptRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	teller := pb.NewReceiptServiceClient(w.Conn())
	r, code := told(t, w, pb.TellerMode_TELLER_MODE_ANONYMOUS)
	other, _ := told(t, w, pb.TellerMode_TELLER_MODE_ANONYMOUS)
	q, err := pb.NewMessageServiceClient(w.Conn()).AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: other.GetName(), Text: "Which one?"})
	require.NoError(t, err)
	calls := map[string]func(context.Context, string) error{
		"progress": func(ctx context.Context, c string) error {
			_, err := teller.GetProgress(ctx, &pb.GetProgressRequest{Code: c})
			return err
		},
		"messages": func(ctx context.Context, c string) error {
			_, err := teller.ListMessages(ctx, &pb.ListMessagesRequest{Code: c})
			return err
		},
		"add": func(ctx context.Context, c string) error {
			_, err := teller.AddMessage(ctx, &pb.AddMessageRequest{Code: c, Text: "yes"})
			return err
		},
		"acknowledge": func(ctx context.Context, c string) error {
			_, err := teller.Acknowledge(ctx, &pb.AcknowledgeRequest{Code: c, Message: q.GetName()})
			return err
		},
	}
	slip := code[:len(code)-1] + "0"
	if slip == code {
		slip = code[:len(code)-1] + "1"
	}
	for name, call := range calls {
		for _, bad := range []string{"", "x", r.GetShortCode(), slip, strings.Repeat("A", 65), "7KQ2-MX4H-WPN8-3ZRT!"} {
			require.Equal(t, "code", refused(t, call(t.Context(), bad)).fields[0].GetField(), "%s %q", name, bad)
		}
	}
	require.Equal(t, codes.NotFound, refused(t, calls["acknowledge"](t.Context(), code)).code, "a message of another report")
	for _, bad := range []struct {
		req   *pb.AddMessageRequest
		field string
	}{
		{&pb.AddMessageRequest{Code: code}, "text"},
		{&pb.AddMessageRequest{Code: code, Text: " \n "}, "text"},
		{&pb.AddMessageRequest{Code: code, Text: strings.Repeat("a", 4001)}, "text"},
		{&pb.AddMessageRequest{Code: code, Text: "yes", Answers: q.GetName()}, "answers"},
		{&pb.AddMessageRequest{Code: code, Text: "yes", Answers: r.GetName() + "/messages/" + nowhere}, "answers"},
		{&pb.AddMessageRequest{Code: code, Text: "yes", RequestId: "one"}, "request_id"},
	} {
		_, err := teller.AddMessage(t.Context(), bad.req)
		require.True(t, refused(t, err).names(bad.field), "%v: %s", bad.field, reasons(err))
	}
	// Not more than thirty a day.
	for i := range 31 {
		_, err = teller.AddMessage(t.Context(), &pb.AddMessageRequest{Code: code, Text: "and again"})
		require.Equal(t, i < 30, err == nil, "%d: %v", i, err)
	}
	require.Equal(t, codes.FailedPrecondition, refused(t, err).code)

	// Codes of no report, well formed: the short story of a guesser.
	guess := func(i int) string {
		for _, l := range "0123456789ABCDEFGHJKMNPQRSTVWXYZ" {
			c := "7KQ2MX4HWPN83ZR" + string("0123456789ABCDEFGHJKMNPQRSTVWXYZ"[i]) + string(l)
			if err := calls["progress"](t.Context(), c); status.Code(err) != codes.InvalidArgument {
				if refused(t, err).reason == fault.ReasonSlowed {
					return "slowed"
				}
				require.Equal(t, codes.NotFound, status.Code(err))
				return "no"
			}
		}
		return "none"
	}
	seen := map[string]int{}
	for i := range 20 {
		seen[guess(i)]++
	}
	require.Equal(t, 0, seen["none"])
	require.LessOrEqual(t, seen["no"], 6)
	require.GreaterOrEqual(t, seen["slowed"], 14)
}
