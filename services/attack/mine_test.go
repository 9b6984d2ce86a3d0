package attack

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestMineIsNobodyElses: whoever told by name finds it by their sign-in, with no
// word of what was told and of nobody at the house; every role asks for the same
// by its name and gets nothing; and what the same person told in confidence or
// without a name is not there even for them.
func TestMineIsNobodyElses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	filed, err := pb.NewReportServiceClient(h.Conn()).FileReport(h.teller(), &pb.FileReportRequest{RequestId: uuid.NewString(), Teller: &pb.Teller{DisplayName: tellerDisplay},
		Report: &pb.Report{Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/northside-trees", Narrative: "The " + spokenWord + " ran back.",
			TellerMode: pb.TellerMode_TELLER_MODE_NAMED, Harms: []*pb.Harm{{HarmId: "h1", Description: healthWord + " bruise"}}}})
	require.NoError(t, err)
	name := filed.GetReport().GetName()
	q, err := pb.NewMessageServiceClient(h.Conn()).AskTeller(h.As("adviser"), &pb.AskTellerRequest{Report: name, Text: "Which one?"})
	require.NoError(t, err)
	mine := pb.NewMyReportServiceClient(h.Conn())
	asks := map[string]func(context.Context) (proto.Message, error){
		"list": func(ctx context.Context) (proto.Message, error) {
			return mine.ListMyReports(ctx, &pb.ListMyReportsRequest{})
		},
		"get": func(ctx context.Context) (proto.Message, error) {
			return mine.GetMyReport(ctx, &pb.GetMyReportRequest{Name: name})
		},
		"messages": func(ctx context.Context) (proto.Message, error) {
			return mine.ListMyReportMessages(ctx, &pb.ListMyReportMessagesRequest{Report: name})
		},
		"read": func(ctx context.Context) (proto.Message, error) {
			return mine.AcknowledgeMyReportMessage(ctx, &pb.AcknowledgeMyReportMessageRequest{Name: q.GetName()})
		},
		"add": func(ctx context.Context) (proto.Message, error) {
			return mine.AddMyReportMessage(ctx, &pb.AddMyReportMessageRequest{Report: name, NotFixed: true})
		},
	}
	before := h.Head()
	h.everyone(func(who string, ctx context.Context) {
		for what, ask := range asks {
			got, err := ask(ctx)
			if list, ok := got.(*pb.ListMyReportsResponse); ok && err == nil {
				require.Empty(t, list.GetReports(), who)
				continue
			}
			require.Error(t, err, "%s: %s", who, what)
			require.Contains(t, []codes.Code{codes.NotFound, codes.PermissionDenied, codes.Unauthenticated}, status.Code(err), "%s: %s", who, what)
			clean(t, who, "MyReportService (its error)", said(err))
		}
	})
	require.Equal(t, before, h.Head(), "who got nothing wrote nothing")
	list, err := mine.ListMyReports(h.teller(), &pb.ListMyReportsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetReports(), 1, "neither what was told in confidence nor without a name")
	for what, ask := range asks {
		got, err := ask(h.teller())
		require.NoError(t, err, what)
		text := protojson.Format(got)
		for _, word := range []string{spokenWord, healthWord, "principals/"} {
			require.NotContains(t, text, word, what)
		}
		clean(t, "the teller", what, []byte(text))
	}
	for _, r := range []string{h.confidential, h.anonymous} {
		_, err := mine.GetMyReport(h.teller(), &pb.GetMyReportRequest{Name: r})
		require.Equal(t, codes.NotFound, status.Code(err))
	}
	clean(t, "whoever reads the log", "the log", []byte(h.log.String()))
}
