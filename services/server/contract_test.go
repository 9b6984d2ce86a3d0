package server_test

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/server/servertest"
)

// now is the time of the house: a Wednesday, four in the afternoon in Sydney.
var now = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

// rpc is one method of the contract.
type rpc struct {
	protoreflect.MethodDescriptor
	// short is ReportService.FileReport, path what gRPC calls it, role the
	// first role that may call it.
	short, path, role string
}

// contract returns every method of the contract, from its descriptors: a new
// one is in every test of this package at once.
func contract(t testing.TB) []rpc {
	t.Helper()
	return contractBut(t, guessed)
}

// guessed methods slow down whoever tries again and again, or end the caller's
// own session, so they cannot be tried here a hundred times; services/principals
// tests them alone.
var guessed = map[string]bool{
	"DeviceService.EnrolDevice": true, "DeviceService.BeginTurn": true, "PrincipalService.EndSession": true,
	// These ask for a receipt code; see services/receipts and receipts_test.go.
	"ReceiptService.GetProgress": true, "ReceiptService.ListMessages": true, "ReceiptService.AddMessage": true, "ReceiptService.Acknowledge": true,
	// A keeper is named, and chooses a passphrase, once; see keepers_test.go.
	"KeeperService.NameKeeper": true, "KeeperService.BecomeKeeper": true, "KeeperService.ChangePassphrase": true, "KeeperService.EndKeeper": true,
	"KeeperService.ShareClosedNames": true, "KeeperService.EraseClosedNames": true,
	// These ask for a session, a browser's answer or a provider; see
	// services/signin.
	"SignInService.GetSignInWays": true, "SignInService.SignInWithPassword": true, "SignInService.SetPassword": true,
	"SignInService.BeginPasskey": true, "SignInService.FinishPasskey": true, "SignInService.BeginAddPasskey": true,
	"SignInService.FinishAddPasskey": true, "SignInService.BeginOpenID": true, "SignInService.FinishOpenID": true,
	"SignInService.BeginOpenIDLink": true, "SignInService.FinishOpenIDLink": true, "SignInService.LinkOpenID": true,
	"SignInService.EndCredential": true, "SignInService.KeepSession": true, "SignInService.SignOut": true,
}

func contractBut(t testing.TB, guessed map[string]bool) []rpc {
	t.Helper()
	policy := access.NewPolicy()
	var out []rpc
	protoregistry.GlobalFiles.RangeFilesByPackage("fairlead.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				m := rpc{MethodDescriptor: s.Methods().Get(j)}
				m.short = string(s.Name()) + "." + string(m.Name())
				if guessed[m.short] {
					continue
				}
				m.path = "/" + string(s.FullName()) + "/" + string(m.Name())
				// The adviser may do most; what the adviser may not, the
				// first role that may.
				for _, word := range append([]string{"adviser"}, access.RoleWords()...) {
					role, _ := access.ParseRole(word)
					if m.role == "" && policy.Allow(access.Principal{Name: "p", Roles: []pb.Role{role}}, m.short) == nil {
						m.role = word
					}
				}
				require.NotEmpty(t, m.role, "nobody may call %s", m.short)
				require.True(t, good[m.short] != nil, "%s is new: write a good request for it in good_test.go", m.short)
				_, said := wrongs[m.short]
				require.True(t, said, "%s is new: say in badcase_test.go what can be wrong with it", m.short)
				out = append(out, m)
			}
		}
		return true
	})
	require.Greater(t, len(out), 30)
	return out
}

// writes reports whether a method changes anything when it succeeds.
func (m rpc) writes() bool {
	for _, reads := range []string{"Get", "List", "LookUp", "Compute", "Compare", "Tabulate", "Search", "Export", "Watch", "Rank", "Cross", "Find", "Read", "Preview", "Suggest"} {
		if strings.HasPrefix(string(m.Name()), reads) && m.short != "ReportService.GetTeller" {
			return false
		}
	}
	return true
}

// raw is a codec that sends bytes as they are: what a broken client sends.
type raw struct{}

func (raw) Name() string { return "proto" }

func (raw) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(*v.(*[]byte))}, nil
}

func (raw) Unmarshal(data mem.BufferSlice, v any) error {
	*v.(*[]byte) = data.Materialize()
	return nil
}

// send calls a method with bytes and returns the bytes of the answer; of a
// stream, the first message, or none when it is taken and waits.
func send(ctx context.Context, conn grpc.ClientConnInterface, m rpc, body []byte) ([]byte, error) {
	var out []byte
	if !m.IsStreamingServer() && !m.IsStreamingClient() {
		err := conn.Invoke(ctx, m.path, &body, &out, grpc.ForceCodecV2(raw{}))
		return out, err
	}
	ctx, stop := context.WithTimeout(ctx, time.Second)
	defer stop()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: m.IsStreamingServer(), ClientStreams: m.IsStreamingClient()}, m.path, grpc.ForceCodecV2(raw{}))
	if err != nil {
		return nil, err
	}
	// A stream that was refused at once ends while this is being sent; why, it
	// says below.
	if err := stream.SendMsg(&body); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if err := stream.CloseSend(); err != nil {
		return nil, err
	}
	if m.IsStreamingClient() {
		return out, stream.RecvMsg(&out)
	}
	if err = stream.RecvMsg(&out); status.Code(err) == codes.DeadlineExceeded {
		err = nil
	}
	return out, err
}

// wire encodes a message; the tests build only messages that can be encoded.
func wire(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := proto.Marshal(m)
	require.NoError(t, err)
	return b
}

// refusal is what every error of the house says.
type refusal struct {
	code   codes.Code
	reason string
	fields []*errdetails.BadRequest_FieldViolation
	info   *errdetails.ErrorInfo
	retry  *errdetails.RetryInfo
}

// refused checks that an error is one that may leave the house, with
// everything that helps, and returns it.
func refused(t testing.TB, err error) refusal {
	t.Helper()
	require.Error(t, err)
	st := status.Convert(err)
	r := refusal{code: st.Code()}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			r.info, r.reason = d, d.GetReason()
		case *errdetails.BadRequest:
			r.fields = d.GetFieldViolations()
		case *errdetails.RetryInfo:
			r.retry = d
		}
	}
	require.NotContains(t, []codes.Code{codes.Internal, codes.Unknown, codes.Unimplemented, codes.DataLoss, codes.OutOfRange}, r.code, "%v", err)
	require.NotNil(t, r.info, "no ErrorInfo: %v", err)
	require.Equal(t, fault.Domain, r.info.GetDomain())
	require.NotEmpty(t, st.Message())
	if r.code == codes.InvalidArgument {
		require.NotEmpty(t, r.fields, "no field is named: %v", err)
	}
	for _, f := range r.fields {
		require.NotEmpty(t, f.GetDescription(), "no cure for %s", f.GetField())
		for _, jargon := range []string{"does not meet the rule", "proto:", "expected", "value must", "value is"} {
			require.NotContains(t, f.GetDescription(), jargon, "%s is not told in plain words", f.GetField())
		}
	}
	if r.code == codes.Unavailable {
		require.Positive(t, r.retry.GetRetryDelay().AsDuration(), "when to try again is not said: %v", err)
	}
	return r
}

// names reports whether a violation is about a field, or about what it is in.
func (r refusal) names(field string) bool {
	for _, f := range r.fields {
		// The results of an import speak of the record.
		got := strings.TrimPrefix(f.GetField(), "records[0].")
		field = strings.TrimPrefix(field, "records[0].")
		if got != "" && (got == field || strings.HasPrefix(got, field+"[") || strings.HasPrefix(got, field+".") ||
			strings.HasPrefix(field, got+".") || strings.HasPrefix(field, got+"[")) {
			return true
		}
	}
	return false
}

func (r refusal) String() string {
	out := r.code.String() + " " + r.reason
	for _, f := range r.fields {
		out += fmt.Sprintf("; %s: %s", f.GetField(), f.GetDescription())
	}
	return out
}

// world is a server with a little of everything in it.
type world struct {
	*servertest.Server
	t     testing.TB
	clock *servertest.Clock
	count int
	// kept are reports by what they are kept for.
	kept map[string]string
}

// wren is a person of the world.
const wren = "people/wren-exampleton"

func newWorld(t testing.TB, o servertest.Options) *world {
	t.Helper()
	w := &world{t: t, clock: servertest.NewClock(now), kept: map[string]string{}}
	if o.Clock == nil {
		o.Clock = w.clock.Now
	}
	w.Server = servertest.Start(t, o)
	w.Shire()
	places := pb.NewWorkplaceServiceClient(w.Conn())
	_, err := places.CreatePerson(w.As("administrator"), &pb.CreatePersonRequest{Person: &pb.Person{Name: wren, DisplayName: "Wren Exampleton",
		Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}})
	require.NoError(t, err)
	// The adviser is also a principal of the house, with a PIN and sessions.
	_, err = pb.NewPrincipalServiceClient(w.Conn()).CreatePrincipal(w.As("administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/adviser", DisplayName: "Adviser", Grants: []*pb.Grant{{Role: pb.Role_ROLE_ADVISER}}}})
	require.NoError(t, err)
	return w
}

// principal adds a principal of the house.
func (w *world) principal() *pb.Principal {
	w.t.Helper()
	p, err := pb.NewPrincipalServiceClient(w.Conn()).CreatePrincipal(w.As("administrator"), newPrincipal(w))
	require.NoError(w.t, err)
	return p
}

func newPrincipal(w *world) *pb.CreatePrincipalRequest {
	n := w.next()
	return &pb.CreatePrincipalRequest{RequestId: w.id(), Principal: &pb.Principal{Name: fmt.Sprintf("principals/p-%d", n), DisplayName: "Fern Placeholder",
		SignInName: fmt.Sprintf("fern.%d", n), Person: wren, OfferedOnTablets: true,
		Grants: []*pb.Grant{{Role: pb.Role_ROLE_SUPERVISOR, Workplaces: []string{"workplaces/northside"}}}}}
}

// tablet adds a shared tablet.
func (w *world) tablet() *pb.Device {
	w.t.Helper()
	made, err := pb.NewDeviceServiceClient(w.Conn()).CreateDevice(w.As("administrator"), &pb.CreateDeviceRequest{Device: &pb.Device{
		DisplayName: "tablet 3", Workplace: "workplaces/northside"}})
	require.NoError(w.t, err)
	return made.GetDevice()
}

// next returns a number that was not given before.
func (w *world) next() int { w.count++; return w.count }

// id returns a UUID that was not given before.
func (w *world) id() string {
	var b [16]byte
	binary.BigEndian.PutUint64(b[8:], uint64(w.next()))
	b[6], b[8] = 0x70, 0x80
	return uuid.UUID(b).String()
}

// report returns a standing report that is kept for one purpose, as it now
// stands.
func (w *world) report(purpose string) *pb.Report {
	w.t.Helper()
	client := pb.NewReportServiceClient(w.Conn())
	if name := w.kept[purpose]; name != "" {
		r, err := client.GetReport(w.As("adviser"), &pb.GetReportRequest{Name: name})
		require.NoError(w.t, err)
		if r.GetState() == pb.ReportState_REPORT_STATE_RECEIVED {
			return r
		}
	}
	r := story("reports/" + w.id())
	if purpose == "anonymous" {
		r.TellerMode = pb.TellerMode_TELLER_MODE_ANONYMOUS
	}
	req := &pb.FileReportRequest{Report: r}
	if purpose != "anonymous" {
		req.Teller = &pb.Teller{DisplayName: "Moss Fableton"}
	}
	resp, err := client.FileReport(w.As("worker"), req)
	require.NoError(w.t, err)
	w.kept[purpose] = r.GetName()
	w.Ready(resp.GetSequenceNumber())
	return resp.GetReport()
}

// reasons says what an error says field by field, for a failing test.
func reasons(err error) string {
	r := refusal{code: status.Code(err)}
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			r.fields = br.GetFieldViolations()
		}
	}
	return r.String()
}

// refusedRecord reads what is said of a record that was not imported.
func refusedRecord(t testing.TB, res *pb.ImportResult) refusal {
	t.Helper()
	r := refusal{code: codes.InvalidArgument}
	require.NotEmpty(t, res.GetViolations())
	for _, v := range res.GetViolations() {
		require.NotEmpty(t, v.GetDescription(), "no cure for %s", v.GetField())
		r.fields = append(r.fields, &errdetails.BadRequest_FieldViolation{Field: v.GetField(), Description: v.GetDescription()})
	}
	return r
}

// registered returns the Go type of a message.
func registered(name protoreflect.FullName) (protoreflect.MessageType, error) {
	return protoregistry.GlobalTypes.FindMessageByName(name)
}
