package server_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/envelope"
	"fairlead/services/server"
	"fairlead/services/server/servertest"
)

// seal seals as a tablet does, to the key in force.
func (w *world) seal(content *pb.SealedContent, file []byte) *pb.FileSealedRequest {
	w.t.Helper()
	key, err := pb.NewSealedServiceClient(w.Conn()).GetSealingKey(w.As("worker"), &pb.GetSealingKeyRequest{})
	require.NoError(w.t, err)
	open, err := envelope.Pack(content, file)
	require.NoError(w.t, err)
	enc, sealed, err := envelope.Seal(key.GetPublicKey(), open)
	require.NoError(w.t, err)
	return &pb.FileSealedRequest{KeyId: key.GetKeyId(), EncapsulatedKey: enc, Ciphertext: sealed}
}

// TestSealed files what a tablet sealed: once, as the caller, and with nothing
// of what it says in the answer.
func TestSealed(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	client := pb.NewSealedServiceClient(w.Conn())
	req := w.seal(&pb.SealedContent{File: filing(w)}, nil)
	first, err := client.FileSealed(w.As("worker"), req)
	require.NoError(t, err)
	require.NotEmpty(t, first.GetShortCode())
	head := w.Head()
	again, err := client.FileSealed(w.As("worker"), req)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again), "%v\n%v", first, again)
	require.Equal(t, head, w.Head(), "a replay writes nothing")
	stored := w.stored(first.GetName())
	require.Equal(t, story("").GetNarrative(), stored.GetNarrative())
	require.NotContains(t, first.String(), "branch")

	_, err = client.FileSealed(w.As("auditor"), req)
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = client.FileSealed(context.Background(), req)
	require.Equal(t, codes.Unauthenticated, status.Code(err))
}

// stored reads a report as the adviser sees it.
func (w *world) stored(name string) *pb.Report {
	w.t.Helper()
	r, err := pb.NewReportServiceClient(w.Conn()).GetReport(w.As("adviser"), &pb.GetReportRequest{Name: name})
	require.NoError(w.t, err)
	return r
}

// TestSealed_mends files reports that a tablet could no longer mend.
func TestSealed_mends(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	day := int64(24 * 60 * 60)
	clock := []pb.Mending{pb.Mending_MENDING_CLOCK}
	for _, c := range []struct {
		what   string
		change func(*pb.SealedContent)
		ahead  int64
		check  func(*testing.T, *pb.Report)
		says   []pb.Mending
	}{
		{"a clock a day ahead, counted back", func(c *pb.SealedContent) {
			c.File.Report.OccurTime, c.CountedBack = timestamppb.New(now.Add(23*time.Hour)), true
			c.File.Report.MadeTime = timestamppb.New(now.Add(24 * time.Hour))
		}, day, func(t *testing.T, r *pb.Report) {
			require.Equal(t, now.Add(-time.Hour), r.GetOccurTime().AsTime())
			require.Equal(t, now, r.GetMadeTime().AsTime())
		}, clock},
		{"a clock a day behind", func(c *pb.SealedContent) {
			c.File.Report.OccurTime, c.CountedBack = timestamppb.New(now.Add(-25*time.Hour)), true
		}, -day, func(t *testing.T, r *pb.Report) {
			require.Equal(t, now.Add(-time.Hour), r.GetOccurTime().AsTime())
		}, clock},
		{"a day that was chosen stays", func(c *pb.SealedContent) {
			c.File.Report.OccurTime = timestamppb.New(now.Add(-50 * time.Hour))
		}, day, func(t *testing.T, r *pb.Report) {
			require.Equal(t, now.Add(-50*time.Hour), r.GetOccurTime().AsTime())
		}, clock},
		{"a time that cannot be", func(c *pb.SealedContent) { c.File.Report.OccurTime = timestamppb.New(now.Add(50 * time.Hour)) }, 0,
			func(t *testing.T, r *pb.Report) {
				require.Nil(t, r.GetOccurTime())
				require.Equal(t, pb.AnswerState_ANSWER_STATE_NOT_KNOWN, r.GetAnswers()["occur_time"])
			}, []pb.Mending{pb.Mending_MENDING_TIME}},
		{"a place that is gone", func(c *pb.SealedContent) { c.File.Report.Workplace = "workplaces/gone-yard" }, 0,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, "workplaces/brindle-range", r.GetWorkplace())
				require.Equal(t, "Chosen on the tablet: gone-yard. old mill lane", r.GetSpot())
			}, []pb.Mending{pb.Mending_MENDING_PLACE}},
	} {
		t.Run(c.what, func(t *testing.T) {
			content := &pb.SealedContent{File: filing(w)}
			content.File.Report.MadeTime, content.File.Report.Harms = nil, nil
			c.change(content)
			req := w.seal(content, nil)
			req.ClockAheadSeconds = c.ahead
			client := pb.NewSealedServiceClient(w.Conn())
			first, err := client.FileSealed(w.As("worker"), req)
			require.NoError(t, err, reasons(err))
			c.check(t, w.stored(first.GetName()))
			require.Equal(t, c.says, first.GetMendings(), "what was stored otherwise is said")
			head := w.Head()
			// A tablet may hear the answer a week later only.
			w.clock.Set(now.AddDate(0, 0, 7))
			defer w.clock.Set(now)
			again, err := client.FileSealed(w.As("worker"), req)
			require.NoError(t, err)
			require.Equal(t, first.GetShortCode(), again.GetShortCode())
			require.Equal(t, c.says, again.GetMendings(), "and said again when the answer was lost")
			require.Equal(t, head, w.Head(), "a replay is mended into the same request")
		})
	}
}

// TestSealed_rotation opens what was sealed to a key that is no longer in
// force, and says what to do about one that is lost.
func TestSealed_rotation(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	w := newWorld(t, servertest.Options{Data: data})
	old := w.seal(&pb.SealedContent{File: filing(w)}, nil)
	w.Stop()
	keys, err := envelope.OpenKeys(filepath.Join(data, server.SealingFolder))
	require.NoError(t, err)
	require.NoError(t, keys.Rotate())

	again := &world{t: t, Server: servertest.Start(t, servertest.Options{Data: data, Clock: w.clock.Now}), clock: w.clock, kept: w.kept, count: w.count}
	client := pb.NewSealedServiceClient(again.Conn())
	key, err := client.GetSealingKey(again.As("worker"), &pb.GetSealingKeyRequest{})
	require.NoError(t, err)
	require.NotEqual(t, old.GetKeyId(), key.GetKeyId())
	_, err = client.FileSealed(again.As("worker"), old)
	require.NoError(t, err)
	again.Stop()

	files, err := filepath.Glob(filepath.Join(data, server.SealingFolder, "*"+old.GetKeyId()+".pem"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	info, err := os.Stat(files[0])
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

// TestSealed_sameRoles holds the door to the doors behind it.
func TestSealed_sameRoles(t *testing.T) {
	t.Parallel()
	policy := access.NewPolicy()
	for _, word := range access.RoleWords() {
		role, _ := access.ParseRole(word)
		who := access.Principal{Name: "principals/x", Roles: []pb.Role{role}}
		require.Equal(t, policy.Allow(who, "ReportService.FileReport") == nil, policy.Allow(who, "SealedService.FileSealed") == nil, word)
	}
}
