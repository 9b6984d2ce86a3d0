package attack

import (
	"context"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// ask is one question, and what it is called.
type ask struct {
	method string
	req    proto.Message
}

var period = &pb.Period{StartMonth: "2025-03", EndMonth: "2026-04"}

// questions are everything that reads, asked about the two reports.
func (h *house) questions() (out []ask) {
	add := func(method string, reqs ...proto.Message) {
		for _, r := range reqs {
			out = append(out, ask{method, r})
		}
	}
	for _, r := range []string{h.confidential, h.anonymous} {
		add("ReportService.GetReport", &pb.GetReportRequest{Name: r}, &pb.GetReportRequest{Name: r, AsAt: then(h.Head() - 2)})
		add("ReportService.ListReportHistory", &pb.ListReportHistoryRequest{Name: r})
		add("ReportService.GetTeller", &pb.GetTellerRequest{Name: r + "/teller"})
		add("AttachmentService.ListAttachments", &pb.ListAttachmentsRequest{Parent: r, IncludeRemoved: true})
		add("ClassificationService.ListCodings", &pb.ListCodingsRequest{Parent: r})
		add("MessageService.ListReportMessages", &pb.ListReportMessagesRequest{Report: r})
		add("ReadService.ListReads", &pb.ListReadsRequest{Report: r})
		add("MaskService.SuggestMasks", &pb.SuggestMasksRequest{Report: r})
		add("MyReportService.GetMyReport", &pb.GetMyReportRequest{Name: r})
		add("MyReportService.ListMyReportMessages", &pb.ListMyReportMessagesRequest{Report: r})
	}
	add("MyReportService.ListMyReports", &pb.ListMyReportsRequest{})
	add("ReportService.ListReports", &pb.ListReportsRequest{}, &pb.ListReportsRequest{Filter: &pb.ReportFilter{IncludeVoided: true}}, &pb.ListReportsRequest{AsAt: then(h.Head() - 3)})
	add("AttachmentService.GetAttachment", &pb.GetAttachmentRequest{Name: h.photo})
	for _, word := range append([]string{spokenWord, healthWord, captionWord, "kestrel"}, needles...) {
		add("SearchService.SearchReports", &pb.SearchReportsRequest{Words: word, IncludeCounts: true},
			&pb.SearchReportsRequest{Words: word, Order: pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST})
	}
	add("AccessService.GetMyself", &pb.GetMyselfRequest{})
	add("PrincipalService.ListPrincipals", &pb.ListPrincipalsRequest{IncludeLeft: true})
	add("PrincipalService.GetPrincipal", &pb.GetPrincipalRequest{Name: tellerName}) // the question has the name; the answer must not
	add("PrincipalService.ListSessions", &pb.ListSessionsRequest{Principal: "principals/adviser"})
	add("PrincipalService.ListTokens", &pb.ListTokensRequest{Principal: "principals/adviser"})
	add("SignInService.GetSignInWays", &pb.GetSignInWaysRequest{})
	add("SignInService.ListCredentials", &pb.ListCredentialsRequest{})
	add("DeviceService.ListDevices", &pb.ListDevicesRequest{IncludeEnded: true})
	add("DeviceService.ListWorkers", &pb.ListWorkersRequest{})
	add("WorkplaceService.GetWorkplace", &pb.GetWorkplaceRequest{Name: "workplaces/northside"})
	add("WorkplaceService.ListWorkplaces", &pb.ListWorkplacesRequest{})
	add("WorkplaceService.GetPerson", &pb.GetPersonRequest{Name: "people/nobody"})
	add("WorkplaceService.ListPeople", &pb.ListPeopleRequest{})
	add("SealedService.GetSealingKey", &pb.GetSealingKeyRequest{})
	add("ClassificationService.ListEditions", &pb.ListEditionsRequest{})
	add("ClassificationService.ListCodes", &pb.ListCodesRequest{Facet: pb.Facet_FACET_AGENCY})
	add("ClassificationService.LookUpCodes", &pb.LookUpCodesRequest{Words: "saw"})
	add("HoursService.ListHours", &pb.ListHoursRequest{})
	add("MeasureService.ListMeasures", &pb.ListMeasuresRequest{})
	add("MeasureService.ComputeRates", &pb.ComputeRatesRequest{}, &pb.ComputeRatesRequest{Workplace: "workplaces/northside-trees"})
	add("MeasureService.ComputeChart", &pb.ComputeChartRequest{Measure: "frequency_rate", IncludeSvg: true})
	for n := range pb.Dimension_name {
		if n != 0 {
			add("MeasureService.Tabulate", &pb.TabulateRequest{Rows: pb.Dimension(n)}, &pb.TabulateRequest{Rows: pb.Dimension(n), CountHarms: true, AsAt: then(h.Head() - 1)})
		}
	}
	add("MeasureService.RankCauses", &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_MECHANISM, Period: period, IncludeSvg: true})
	add("MeasureService.CrossCauses", &pb.CrossCausesRequest{Rows: pb.Dimension_DIMENSION_KIND, Columns: pb.Dimension_DIMENSION_WORKPLACE, Period: period, IncludeSvg: true})
	add("MeasureService.FindClusters", &pb.FindClustersRequest{Category: pb.Dimension_DIMENSION_KIND})
	add("ComputeService.ListMethods", &pb.ListMethodsRequest{})
	sum := &pb.GetSummaryRequest{Period: period, SmallestCell: 1}
	add("ExportService.GetSummary", sum)
	for _, f := range []pb.FileFormat{pb.FileFormat_FILE_FORMAT_CSV, pb.FileFormat_FILE_FORMAT_JSON, pb.FileFormat_FILE_FORMAT_PDF} {
		add("ExportService.ExportSummary", &pb.ExportSummaryRequest{Summary: sum, Format: f})
	}
	for seq := int64(1); seq < h.Head(); seq++ {
		add("ExportService.CompareSummaries", &pb.CompareSummariesRequest{Summary: sum, From: then(seq)})
	}
	add("RetentionService.ListRetentionClasses", &pb.ListRetentionClassesRequest{})
	add("RetentionService.ListLegalHolds", &pb.ListLegalHoldsRequest{})
	add("RetentionService.PreviewRetention", &pb.PreviewRetentionRequest{})
	add("ChangeService.ListChanges", &pb.ListChangesRequest{PageSize: 1000})
	add("ChangeService.GetHead", &pb.GetHeadRequest{})
	add("ChangeService.GetCheckpoint", &pb.GetCheckpointRequest{})
	add("KeeperService.ListKeepers", &pb.ListKeepersRequest{})
	for _, code := range []string{"AAAA-BBBB-CCCC-DDDD", h.receipts[0]} {
		add("ReceiptService.GetProgress", &pb.GetProgressRequest{Code: code})
		add("ReceiptService.ListMessages", &pb.ListMessagesRequest{Code: code})
	}
	return out
}

func then(seq int64) *pb.AsAt {
	return &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: max(seq, 1)}}
}

// streamed are asked below; quiet answer nothing of any report.
var apart = map[string]string{
	"ChangeService.WatchChanges":       "asked below",
	"AttachmentService.ReadAttachment": "asked below",
	"ComputeService.Compute":           "knows the caller's own numbers only",
}

// reads reports whether a method changes nothing.
func reads(method string) bool {
	_, name, _ := strings.Cut(method, ".")
	for _, word := range []string{"Get", "List", "LookUp", "Compute", "Compare", "Tabulate", "Search", "Export", "Watch", "Rank", "Cross", "Find", "Read", "Preview", "Suggest"} {
		if strings.HasPrefix(name, word) {
			return true
		}
	}
	return false
}

// path turns ReportService.GetReport into what gRPC calls it.
func path(method string) string {
	service, name, _ := strings.Cut(method, ".")
	return "/fairlead.v1." + service + "/" + name
}

// answer makes an empty answer of a method.
func answer(t *testing.T, method string) proto.Message {
	t.Helper()
	service, name, _ := strings.Cut(method, ".")
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName("fairlead.v1." + service))
	require.NoError(t, err)
	out := d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(name)).Output()
	mt, err := protoregistry.GlobalTypes.FindMessageByName(out.FullName())
	require.NoError(t, err)
	return mt.New().Interface()
}

// everyone is each role, and nobody.
func (h *house) everyone(visit func(word string, ctx context.Context)) {
	for _, word := range roles {
		visit(word, h.As(word))
	}
	visit("nobody", h.t.Context())
}

// said is all that an error says.
func said(err error) []byte {
	s := status.Convert(err)
	return fmt.Append(nil, s.Message(), s.Details())
}

// TestTellerIsFoundNowhere asks everything as everybody, and looks through every
// byte of every answer and error, and then through log and metrics.
func TestTellerIsFoundNowhere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	list := h.questions()
	asked := map[string]bool{}
	for _, q := range list {
		asked[q.method] = true
	}
	protoregistry.GlobalFiles.RangeFilesByPackage("fairlead.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			for j := range f.Services().Get(i).Methods().Len() {
				m := string(f.Services().Get(i).Name()) + "." + string(f.Services().Get(i).Methods().Get(j).Name())
				if reads(m) && apart[m] == "" {
					require.True(t, asked[m], "%s is new: ask it here about a report that was told in confidence", m)
				}
			}
		}
		return true
	})
	answered := map[string]bool{}
	h.everyone(func(who string, ctx context.Context) {
		for _, q := range list {
			got := answer(t, q.method)
			if err := h.Conn().Invoke(ctx, path(q.method), q.req, got); err != nil {
				if q.method != "PrincipalService.GetPrincipal" { // the question is the name itself
					clean(t, who, q.method+" (its error)", said(err))
				}
				continue
			}
			answered[q.method] = true
			raw, err := proto.Marshal(got)
			require.NoError(t, err)
			text, err := protojson.Marshal(got)
			require.NoError(t, err)
			if s, ok := got.(*pb.SearchReportsResponse); ok {
				// What was looked for may be said again.
				s.Notes = nil
				raw, _ = proto.Marshal(s)
				text, _ = protojson.Marshal(s)
			}
			clean(t, who, q.method, raw)
			clean(t, who, q.method, text)
		}
		h.streams(who, ctx)
	})
	for m := range asked {
		if m == "WorkplaceService.GetPerson" || m == "PrincipalService.GetPrincipal" || m == "DeviceService.ListWorkers" || m == "ReportService.GetTeller" || m == "SignInService.ListCredentials" ||
			m == "MyReportService.GetMyReport" || m == "MyReportService.ListMyReportMessages" {
			continue // there is nobody, no tablet, no reason, and no session; neither report is anybody's own
		}
		require.True(t, answered[m], "%s answers nobody: the question is a bad one", m)
	}
	clean(t, "whoever reads the log", "the log", []byte(h.log.String()))
	clean(t, "whoever reads the metrics", "the metrics", h.get("http://"+h.Metrics+"/metrics", nil))
}

// streams reads what comes in pieces.
func (h *house) streams(who string, ctx context.Context) {
	for _, v := range []pb.AttachmentVariant{pb.AttachmentVariant_ATTACHMENT_VARIANT_ORIGINAL, pb.AttachmentVariant_ATTACHMENT_VARIANT_DISPLAY, pb.AttachmentVariant_ATTACHMENT_VARIANT_SMALL} {
		stream, err := pb.NewAttachmentServiceClient(h.Conn()).ReadAttachment(ctx, &pb.ReadAttachmentRequest{Name: h.photo, Variant: v})
		require.NoError(h.t, err)
		for {
			m, err := stream.Recv()
			if err != nil {
				if !errors.Is(err, io.EOF) {
					clean(h.t, who, "ReadAttachment (its error)", said(err))
				}
				break
			}
			clean(h.t, who, "ReadAttachment", m.GetChunk())
		}
	}
	ctx, stop := context.WithTimeout(ctx, 10*time.Second)
	defer stop()
	stream, err := pb.NewChangeServiceClient(h.Conn()).WatchChanges(ctx, &pb.WatchChangesRequest{})
	require.NoError(h.t, err)
	for {
		m, err := stream.Recv()
		if err != nil {
			clean(h.t, who, "WatchChanges (its error)", said(err))
			return
		}
		raw, err := proto.Marshal(m)
		require.NoError(h.t, err)
		clean(h.t, who, "WatchChanges", raw)
		if m.GetSequenceNumber() >= h.Head() {
			return
		}
	}
}

// TestTellerSeesThemselves: the needles are there; whoever may open the name
// finds it, so that the search above would.
func TestTellerSeesThemselves(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	got, err := pb.NewReportServiceClient(h.Conn()).GetTeller(h.As("adviser"), &pb.GetTellerRequest{Name: h.confidential + "/teller", Reason: "the windlass must be found today"})
	require.NoError(t, err)
	require.Equal(t, tellerDisplay, got.GetDisplayName())
	for _, word := range roles {
		if word == "adviser" {
			continue
		}
		_, err := pb.NewReportServiceClient(h.Conn()).GetTeller(h.As(word), &pb.GetTellerRequest{Name: h.confidential + "/teller", Reason: "the windlass must be found today"})
		require.Error(t, err, word)
		clean(t, word, "GetTeller (its error)", said(err))
	}
	_, err = pb.NewReportServiceClient(h.Conn()).GetTeller(h.As("adviser"), &pb.GetTellerRequest{Name: h.anonymous + "/teller", Reason: "the windlass must be found today"})
	require.Error(t, err, "there is nobody to be found")
}

// TestTimesTellNothing: no answer about the report without a name carries the
// second, the minute or the hour in which it was told.
func TestTimesTellNothing(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	at := now.Add(7*time.Minute + 13*time.Second)
	h.everyone(func(who string, ctx context.Context) {
		for _, q := range h.questions() {
			got := answer(t, q.method)
			if h.Conn().Invoke(ctx, path(q.method), q.req, got) != nil {
				continue
			}
			text := protojson.Format(got)
			require.NotContains(t, text, at.UTC().Format("2006-01-02T15:04:05"), "%s by %s: the second of telling", who, q.method)
			require.NotContains(t, text, at.Local().Format("15:04:05"), "%s by %s", who, q.method)
		}
	})
}

// TestNoMomentTellsTheSecond asks how things stood a second before the report
// without a name was told, and at that second: who could halve the time in
// between again and again would find when somebody stood at the tablet.
func TestNoMomentTellsTheSecond(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	at := now.Add(7*time.Minute + 13*time.Second)
	reports := pb.NewReportServiceClient(h.Conn())
	for _, word := range []string{"adviser", "supervisor", "representative", "auditor"} {
		there := func(moment time.Time) int64 {
			got, err := reports.ListReports(h.As(word), &pb.ListReportsRequest{AsAt: &pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(moment)}}})
			require.NoError(t, err)
			return got.GetTotalSize()
		}
		require.Equal(t, there(at.Add(-time.Second)), there(at), word)
		require.Equal(t, there(at.Add(-time.Minute)), there(at.Add(time.Minute)), word)
	}
}

// TestLogHasNoTimeToLayBeside: whoever may not open the name gets from the log the
// day alone on which something was told in confidence, and of nobody who signed
// in: the two would lie beside each other.
func TestLogHasNoTimeToLayBeside(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, word := range []string{"auditor", "administrator", "adviser"} {
		got, err := pb.NewChangeServiceClient(h.Conn()).ListChanges(h.As(word), &pb.ListChangesRequest{PageSize: 1000})
		require.NoError(t, err)
		told := 0
		for _, c := range got.GetChanges() {
			if strings.HasPrefix(c.GetResource(), "sessions/") {
				require.Empty(t, c.GetActor())
			}
			if c.GetVerb() == "file" || c.GetVerb() == "attach" {
				told++
				require.Empty(t, c.GetActor(), word)
				require.Empty(t, c.GetRequestId(), word)
				if word != "adviser" {
					require.Zero(t, c.GetChangeTime().AsTime().Sub(c.GetChangeTime().AsTime().Truncate(24*time.Hour)), "%s: %v", word, c)
				}
			}
		}
		require.GreaterOrEqual(t, told, 3)
	}
}

// TestSearchByClearance plants a word into each text and looks for it as each
// role: it is found by those who may read it and by nobody else, and whoever may
// not is told the same as of a word that stands nowhere.
func TestSearchByClearance(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	search := pb.NewSearchServiceClient(h.Conn())
	for _, word := range []string{"adviser", "supervisor", "auditor", "representative"} {
		find := func(words string) *pb.SearchReportsResponse {
			got, err := search.SearchReports(h.As(word), &pb.SearchReportsRequest{Words: words, IncludeCounts: true})
			require.NoError(t, err, word)
			return got
		}
		require.EqualValues(t, 2, find(spokenWord).GetTotalSize(), word)
		if word == "representative" {
			hidden, nowhere := find(healthWord), find("zyxwvutsr")
			for _, r := range []*pb.SearchReportsResponse{hidden, nowhere} {
				r.SequenceNumber = 0
			}
			require.True(t, proto.Equal(hidden, nowhere), "%v is not %v", hidden, nowhere)
			require.NotContains(t, protojson.Format(find(spokenWord)), healthWord)
		} else {
			require.EqualValues(t, 2, find(healthWord).GetTotalSize(), word)
		}
		for _, n := range append([]string{"kestrel", captionWord}, needles...) {
			require.Zero(t, find(n).GetTotalSize(), "%s finds %s", word, n)
		}
	}
}

// TestHealthIsFoundNowhere: those who may not read what was wrong with somebody
// find it in no answer.
func TestHealthIsFoundNowhere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, word := range []string{"worker", "representative", "committee", "administrator", "integration", "officer", "device"} {
		for _, q := range h.questions() {
			if strings.HasPrefix(q.method, "ReceiptService.") {
				continue // whoever has the code told it
			}
			got := answer(t, q.method)
			if h.Conn().Invoke(h.As(word), path(q.method), q.req, got) != nil {
				continue
			}
			if s, ok := got.(*pb.SearchReportsResponse); ok {
				s.Notes = nil
			}
			require.NotContains(t, strings.ToLower(protojson.Format(got)), healthWord, "%s by %s %s", word, q.method, reflect.TypeOf(q.req))
		}
	}
}
