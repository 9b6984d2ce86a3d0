package attack

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/desk"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server/servertest"
)

// The teller, as nobody else in the house is called.
const (
	tellerToken   = "test-teller-quillfeather"
	tellerName    = "principals/kestrel-quillfeather"
	tellerDisplay = "Zuzanna Quillfeather"
	tellerContact = "0491 570 156"
)

// needles are what must be found nowhere.
var needles = []string{"quillfeather", "zuzanna", "0491 570 156", "0491570156"}

// Words of the health of a person hurt, which some roles may not read.
const (
	healthWord  = "xiphoidal"
	spokenWord  = "windlass"
	captionWord = "turnbuckle"
)

var now = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

// locked is a log that many write to.
type locked struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *locked) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// house is a server with its pages, in which something was told.
type house struct {
	*servertest.Server
	t     *testing.T
	log   *locked
	clock *servertest.Clock
	// confidential and anonymous are the reports, photo a photo of the first,
	// receipts the codes of both.
	confidential, anonymous string
	photo                   string
	// captioned is a photo whose caption names people; see tellOfPeople.
	captioned string
	receipts  []string
}

// roles are all that the directory knows.
var roles = access.RoleWords()

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, log: &locked{}, clock: servertest.NewClock(now)}
	d := access.NewDirectory()
	tokens := map[string]string{}
	for _, word := range roles {
		role, _ := access.ParseRole(word)
		p := access.Principal{Name: "principals/" + word, DisplayName: word, Roles: []pb.Role{role}}
		tokens[word] = "test-" + word
		require.NoError(t, d.AddWithToken(p, tokens[word]))
	}
	require.NoError(t, d.AddWithToken(access.Principal{Name: tellerName, DisplayName: tellerDisplay, Roles: []pb.Role{pb.Role_ROLE_WORKER}}, tellerToken))
	h.Server = servertest.Start(t, servertest.Options{Clock: h.clock.Now, Directory: d, Metrics: true, Reads: true,
		Log: slog.New(slog.NewTextHandler(h.log, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Desk: func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error) {
			return desk.Handler(conn, desk.Options{FormToken: formToken, Clock: h.clock.Now})
		}})
	for w, token := range tokens {
		h.Tokens[w] = token
	}
	h.Shire()
	h.tell()
	return h
}

// teller calls as who told.
func (h *house) teller() context.Context {
	return metadata.AppendToOutgoingContext(h.t.Context(), "authorization", "Bearer "+tellerToken)
}

// tell files a report in confidence and one without a name, with a photo whose
// camera knew who held it, has it coded and looked into.
func (h *house) tell() {
	t := h.t
	reports := pb.NewReportServiceClient(h.Conn())
	file := func(mode pb.TellerMode, teller *pb.Teller) *pb.FileReportResponse {
		resp, err := reports.FileReport(h.teller(), &pb.FileReportRequest{RequestId: uuid.NewString(), Teller: teller, Report: &pb.Report{
			Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/northside-trees", Narrative: "The " + spokenWord + " ran back.",
			OccurTime: timestamppb.New(now.AddDate(0, 0, -3)), MadeTime: timestamppb.New(now.Add(-time.Minute)), TellerMode: mode,
			Harms: []*pb.Harm{{HarmId: "h1", Description: healthWord + " bruise", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE,
				OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, EffectiveDate: "2026-03-02"}}}}}})
		require.NoError(t, err)
		h.receipts = append(h.receipts, resp.GetReceiptCode())
		return resp
	}
	h.confidential = file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, &pb.Teller{DisplayName: tellerDisplay, Contact: tellerContact}).GetReport().GetName()
	h.clock.Set(now.Add(7*time.Minute + 13*time.Second))
	h.anonymous = file(pb.TellerMode_TELLER_MODE_ANONYMOUS, nil).GetReport().GetName()
	h.clock.Set(now.Add(time.Hour))

	stream, err := pb.NewAttachmentServiceClient(h.Conn()).AddAttachment(h.teller())
	require.NoError(t, err)
	require.NoError(t, stream.Send(&pb.AddAttachmentRequest{Chunk: photo(tellerDisplay), Header: &pb.AttachmentHeader{Report: h.confidential,
		AttachmentId: uuid.NewString(), RequestId: uuid.NewString(), Caption: "the " + captionWord}}))
	added, err := stream.CloseAndRecv()
	require.NoError(t, err)
	h.photo = added.GetAttachment().GetName()
	for _, r := range []string{h.confidential, h.anonymous} {
		_, err = pb.NewClassificationServiceClient(h.Conn()).AssignCoding(h.As("adviser"), &pb.AssignCodingRequest{Parent: r, RequestId: uuid.NewString(),
			Coding: &pb.Coding{Mechanism: "28", Nature: "118", Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON}})
		_ = err // an edition may not have these codes; the report is then uncoded
		_, err = pb.NewMessageServiceClient(h.Conn()).AskTeller(h.As("adviser"), &pb.AskTellerRequest{Report: r, Text: "Which one?"})
		require.NoError(t, err)
	}
	for _, code := range h.receipts {
		_, err = pb.NewReceiptServiceClient(h.Conn()).AddMessage(t.Context(), &pb.AddMessageRequest{Code: code, Text: "The old one.", RequestId: uuid.NewString()})
		require.NoError(t, err)
	}
	h.Ready(h.Head())
}

// photo is a picture in which a camera wrote who held it.
func photo(author string) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 4, 4))); err != nil {
		panic(err) // it writes to memory
	}
	raw := b.Bytes()
	const head = 8 + 4 + 4 + 13 + 4 // the signature and the first chunk
	return append(append(append([]byte{}, raw[:head]...), chunk("tEXt", "Author\x00"+author)...), raw[head:]...)
}

// chunk is a part of a PNG file.
func chunk(kind, data string) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	out = append(out, kind+data...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE([]byte(kind+data)))
}

// clean fails when what somebody got has a needle in it.
func clean(t *testing.T, who, what string, got []byte) {
	t.Helper()
	low := strings.ToLower(string(got))
	for _, n := range needles {
		if i := strings.Index(low, n); i >= 0 {
			t.Errorf("%s finds %q by %s: …%s…", who, n, what, fmt.Sprintf("%.80q", low[max(0, i-30):]))
		}
	}
}
