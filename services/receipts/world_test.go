package receipts_test

import (
	"context"
	"crypto/rand"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/principals"
	"fairlead/services/receiptcode"
	"fairlead/services/receipts"
	"fairlead/services/record"
	"fairlead/services/retention"
	"fairlead/services/workplace"
)

var begin = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC) // the afternoon there

// world is both sides of the room over a real ledger on disk.
type world struct {
	t      *testing.T
	now    time.Time
	l      *sqlite.Store
	tree   *workplace.Tree
	teller *receipts.Service
	house  *receipts.Messages
	// report is the one that is told of, code its receipt.
	report *pb.Report
	code   string
}

func newWorld(t *testing.T, mode pb.TellerMode) *world {
	t.Helper()
	w := &world{t: t, now: begin}
	var err error
	w.l, err = sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "data"), sqlite.Options{Clock: w.clock})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, w.l.Close()) })
	for _, p := range []*pb.Workplace{{Name: "workplaces/brindle-range", Title: "Brindle Range", TimeZone: "Australia/Sydney"},
		{Name: "workplaces/northside", Title: "Northside", Parent: "workplaces/brindle-range"},
		{Name: "workplaces/quarry-road", Title: "Quarry Road", Parent: "workplaces/brindle-range"}} {
		w.put(p, p.GetName(), record.KindWorkplace, record.VerbCreate)
	}
	w.tree = workplace.NewTree(w.l, w.clock)
	require.NoError(t, w.tree.CatchUp(t.Context()))
	w.teller, w.house = receipts.New(receipts.Deps{Ledger: w.l, Tree: w.tree, Slow: principals.NewThrottle(w.clock), Clock: w.clock, RandomID: uuid.NewString})
	w.report, w.code = w.file(mode)
	return w
}

func (w *world) clock() time.Time { return w.now }

// later moves the clock on by days.
func (w *world) later(days int) { w.now = w.now.AddDate(0, 0, days) }

// write writes one resource as somebody, and more in the same write.
func (w *world) write(actor string, m proto.Message, name, kind, verb string, more func(context.Context, ledger.Tx) error) {
	w.t.Helper()
	p, err := record.Put(m, name, kind, verb, ledger.Any)
	require.NoError(w.t, err)
	_, err = w.l.Write(w.t.Context(), ledger.Request{Actor: actor}, func(ctx context.Context, tx ledger.Tx) error {
		if _, err := tx.Put(ctx, p); err != nil || more == nil {
			return err
		}
		return more(ctx, tx)
	})
	require.NoError(w.t, err)
}

func (w *world) put(m proto.Message, name, kind, verb string) {
	w.t.Helper()
	w.write("principals/ada", m, name, kind, verb, nil)
}

// file stores a report, who told it, and the hash of its receipt code.
func (w *world) file(mode pb.TellerMode) (*pb.Report, string) {
	w.t.Helper()
	code, err := receiptcode.New(rand.Reader)
	require.NoError(w.t, err)
	r := &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside",
		ShortCode: "K7-Q2", TellerMode: mode, ReceiveTime: timestamppb.New(w.now)}
	w.write(access.Confidential, r, r.GetName(), record.KindReport, record.VerbFile, func(ctx context.Context, tx ledger.Tx) error {
		return tx.Claim(ctx, record.SpaceReceipt, receiptcode.Hash(code), r.GetName())
	})
	if mode != pb.TellerMode_TELLER_MODE_ANONYMOUS {
		t := &pb.Teller{Name: r.GetName() + "/teller", DisplayName: "Moss Fableton", EraseDate: "2026-06-02"}
		w.put(t, t.GetName(), record.KindTeller, record.VerbFile)
	}
	return r, code
}

// forget destroys who told the report, as the house does when somebody asks.
func (w *world) forget() {
	w.t.Helper()
	s, err := retention.New(retention.Deps{Ledger: w.l, Tree: w.tree, Clock: w.clock, NewID: uuid.NewString})
	require.NoError(w.t, err)
	_, err = s.EraseTeller(w.as("ada", pb.Role_ROLE_ADVISER), &pb.EraseTellerRequest{Name: w.report.GetName() + "/teller", Reason: "the teller asked"})
	require.NoError(w.t, err)
}

// as is a call by somebody of a role, bounded to workplaces if any.
func (w *world) as(id string, role pb.Role, workplaces ...string) context.Context {
	return access.With(w.t.Context(), access.Principal{Name: "principals/" + id, Roles: []pb.Role{role}, Workplaces: workplaces})
}

func (w *world) ada() context.Context { return w.as("ada", pb.Role_ROLE_ADVISER) }

func (w *world) ask(text string) *pb.ReportMessage {
	w.t.Helper()
	m, err := w.house.AskTeller(w.ada(), &pb.AskTellerRequest{Report: w.report.GetName(), Text: text})
	require.NoError(w.t, err)
	return m
}

func (w *world) tell(stage pb.ProgressStage, text string) *pb.ReportMessage {
	w.t.Helper()
	m, err := w.house.TellProgress(w.ada(), &pb.TellProgressRequest{Report: w.report.GetName(), Stage: stage, Text: text})
	require.NoError(w.t, err)
	return m
}

func (w *world) answer(req *pb.AddMessageRequest) *pb.ReportMessage {
	w.t.Helper()
	m, err := w.add(req)
	require.NoError(w.t, err)
	return m
}

func (w *world) add(req *pb.AddMessageRequest) (*pb.ReportMessage, error) {
	req.Code = w.code
	return w.teller.AddMessage(w.t.Context(), req)
}

func (w *world) acknowledge(name string) (*pb.ReportMessage, error) {
	return w.teller.Acknowledge(w.t.Context(), &pb.AcknowledgeRequest{Code: w.code, Message: name})
}

// progress is what whoever holds the code hears.
func (w *world) progress() *pb.Progress {
	w.t.Helper()
	p, err := w.teller.GetProgress(w.t.Context(), &pb.GetProgressRequest{Code: w.code})
	require.NoError(w.t, err)
	return p
}

// messages are those that whoever holds the code reads.
func (w *world) messages() []*pb.ReportMessage {
	w.t.Helper()
	l, err := w.teller.ListMessages(w.t.Context(), &pb.ListMessagesRequest{Code: w.code})
	require.NoError(w.t, err)
	return l.GetMessages()
}

func (w *world) head() int64 {
	w.t.Helper()
	h, err := w.l.Head(w.t.Context())
	require.NoError(w.t, err)
	return h.Seq
}

// field returns the field that an error is about.
func field(t *testing.T, err error) string {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			return bad.GetFieldViolations()[0].GetField()
		}
	}
	return ""
}
