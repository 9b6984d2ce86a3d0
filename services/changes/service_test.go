package changes_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/changes"
	"fairlead/services/checkpoint"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

var now = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)

// log is a real ledger that a test writes to as rooms do.
type log struct {
	*sqlite.Store
	t *testing.T
}

func newLog(t *testing.T) *log {
	t.Helper()
	s, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{Clock: func() time.Time { return now }})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return &log{s, t}
}

// put writes one report as an actor.
func (l *log) put(actor, id string, mode pb.TellerMode) []byte {
	l.t.Helper()
	r := &pb.Report{Name: "reports/" + id, TellerMode: mode, Narrative: "a branch came down on the quokka " + id}
	p, err := record.Put(r, r.Name, record.KindReport, record.VerbFile, ledger.Absent)
	require.NoError(l.t, err)
	_, err = l.Write(context.Background(), ledger.Request{Actor: actor}, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, p)
		return err
	})
	require.NoError(l.t, err)
	return p.Body
}

// digest is SHA-256 over fields, each with its length before it, as an outsider
// computes it.
func digest(fields ...any) string {
	h := sha256.New()
	for _, field := range fields {
		var b []byte
		switch f := field.(type) {
		case string:
			b = []byte(f)
		case []byte:
			b = f
		case int64:
			b = binary.BigEndian.AppendUint64(nil, uint64(f))
		}
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(b))))
		h.Write(b)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	require.NoError(t, err)
	return b
}

func as(ctx context.Context, role pb.Role) context.Context {
	return access.With(ctx, access.Principal{Name: "principals/reader", Roles: []pb.Role{role}})
}

const (
	adviser       = pb.Role_ROLE_ADVISER
	administrator = pb.Role_ROLE_ADMINISTRATOR
	auditor       = pb.Role_ROLE_AUDITOR
	integration   = pb.Role_ROLE_INTEGRATION
)

func signer(t *testing.T) *checkpoint.Key {
	t.Helper()
	key, err := checkpoint.NewKey()
	require.NoError(t, err)
	return key
}

// TestCheckpoint signs the end of the log: nothing while there is none, and
// what is signed is what the log says.
func TestCheckpoint(t *testing.T) {
	t.Parallel()
	l, key := newLog(t), signer(t)
	s := changes.New(l, key, func() time.Time { return now.Add(40 * time.Minute) })
	_, err := s.GetCheckpoint(as(t.Context(), auditor), &pb.GetCheckpointRequest{})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	for i := range 3 {
		l.put("principals/ada", fmt.Sprint(i), pb.TellerMode_TELLER_MODE_NAMED)
	}
	got, err := s.GetCheckpoint(as(t.Context(), auditor), &pb.GetCheckpointRequest{})
	require.NoError(t, err)
	pub, err := checkpoint.ParsePublic([]byte(got.GetPublicKey()))
	require.NoError(t, err)
	signed, err := checkpoint.Parse([]byte(got.GetText()))
	require.NoError(t, err)
	require.NoError(t, signed.Verify(pub))
	list, err := l.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Equal(t, checkpoint.Checkpoint{Origin: list[0].Hash, Seq: 3, Hash: list[2].Hash, Time: now.Truncate(time.Hour)}, signed.Checkpoint)
	require.Equal(t, int64(3), got.GetSequenceNumber())
	require.Equal(t, hex.EncodeToString(list[2].Hash[:]), got.GetHeadHash())
	require.NotContains(t, got.String(), "quokka")
}

// TestChain reads the whole log page by page and follows the hashes, as
// somebody does who must prove that nothing was rewritten.
func TestChain(t *testing.T) {
	t.Parallel()
	l := newLog(t)
	s := changes.New(l, signer(t), func() time.Time { return now })
	empty, err := s.ListChanges(as(t.Context(), auditor), &pb.ListChangesRequest{})
	require.NoError(t, err)
	require.Empty(t, empty.GetChanges())
	require.True(t, proto.Equal(&pb.Head{Hash: strings.Repeat("0", 64)}, empty.GetHead()), "%v", empty.GetHead())

	var bodies [][]byte
	for i := range 250 {
		bodies = append(bodies, l.put("principals/ada", fmt.Sprintf("r%03d", i), pb.TellerMode_TELLER_MODE_NAMED))
	}
	previous, after, pages := strings.Repeat("0", 64), int64(0), 0
	for {
		page, err := s.ListChanges(as(t.Context(), auditor), &pb.ListChangesRequest{AfterSequenceNumber: after})
		require.NoError(t, err)
		require.Equal(t, int64(250), page.GetHead().GetSequenceNumber())
		require.Equal(t, now.Truncate(time.Hour), page.GetHead().GetChangeTime().AsTime(), "the hour is enough")
		if len(page.GetChanges()) == 0 {
			require.Equal(t, previous, page.GetHead().GetHash())
			break
		}
		pages++
		for _, c := range page.GetChanges() {
			after++
			require.Equal(t, after, c.GetSequenceNumber())
			require.Equal(t, previous, c.GetPreviousHash())
			require.Equal(t, int32(2), c.GetFormat())
			require.Equal(t, c.GetHash(), digest("fairlead change 2", unhex(t, previous), after, c.GetVerb(), c.GetResource(), c.GetResourceKind(),
				c.GetRevision(), unhex(t, c.GetWhoHash()), unhex(t, c.GetBodyHash())), "an auditor can compute it from what is shown")
			sum := sha256.Sum256(bodies[after-1])
			require.NotEqual(t, hex.EncodeToString(sum[:]), c.GetBodyHash(), "what was told cannot be guessed from its hash")
			require.Empty(t, c.GetWhoSalt()+c.GetRequestId()+c.GetBodySha256())
			require.Equal(t, fmt.Sprintf("reports/r%03d", after-1), c.GetResource())
			require.Equal(t, "Report", c.GetResourceKind())
			require.Equal(t, "file", c.GetVerb())
			require.Equal(t, int64(1), c.GetRevision())
			require.NotContains(t, c.String(), "quokka")
			require.Empty(t, c.GetActor(), "an auditor sees no actors")
			previous = c.GetHash()
		}
	}
	require.Equal(t, 3, pages, "a hundred on a page")
	few, err := s.ListChanges(as(t.Context(), adviser), &pb.ListChangesRequest{AfterSequenceNumber: 248, PageSize: 1000})
	require.NoError(t, err)
	require.Len(t, few.GetChanges(), 2)
	require.Equal(t, "principals/ada", few.GetChanges()[0].GetActor())
	beyond, err := s.ListChanges(as(t.Context(), adviser), &pb.ListChangesRequest{AfterSequenceNumber: 1 << 60})
	require.NoError(t, err)
	require.Empty(t, beyond.GetChanges())
	require.Equal(t, int64(250), beyond.GetHead().GetSequenceNumber(), "whoever is ahead sees that")
	head, err := s.GetHead(as(t.Context(), integration), &pb.GetHeadRequest{})
	require.NoError(t, err)
	require.True(t, proto.Equal(beyond.GetHead(), head))
}

// TestWhoAndWhen shows who did what to those who may know, and of an anonymous
// filing nobody and the day.
func TestWhoAndWhen(t *testing.T) {
	t.Parallel()
	l := newLog(t)
	s := changes.New(l, signer(t), func() time.Time { return now })
	l.put("principals/ada", "open", pb.TellerMode_TELLER_MODE_NAMED)
	l.put("principals/ada", "quiet", pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	l.put(access.Anonymous, "nobody", pb.TellerMode_TELLER_MODE_ANONYMOUS)
	for role, want := range map[pb.Role][3]string{
		adviser: {"principals/ada", "", ""}, auditor: {}, administrator: {}, integration: {},
	} {
		page, err := s.ListChanges(as(t.Context(), role), &pb.ListChangesRequest{})
		require.NoError(t, err)
		for i, c := range page.GetChanges() {
			require.Equal(t, want[i], c.GetActor(), "%v, change %d", role, i+1)
			require.Equal(t, want[i] == "", c.GetWhoSalt() == "", "%v, change %d", role, i+1)
			if salt := c.GetWhoSalt(); salt != "" {
				require.Equal(t, c.GetWhoHash(), digest("fairlead who 2", unhex(t, salt), c.GetChangeTime().AsTime().UnixMicro(), c.GetActor(), c.GetRequestId()))
			}
		}
		require.Equal(t, now, page.GetChanges()[0].GetChangeTime().AsTime())
		require.Equal(t, now.Truncate(24*time.Hour), page.GetChanges()[2].GetChangeTime().AsTime())
	}
}

// watching is a stream that hands what is sent to a test.
type watching struct {
	grpc.ServerStream
	ctx  context.Context
	sent chan *pb.Change
	err  error
}

func (w *watching) Context() context.Context { return w.ctx }

func (w *watching) Send(c *pb.Change) error {
	if w.err != nil {
		return w.err
	}
	w.sent <- c
	return nil
}

// TestWatch gets what is there, then what comes, in order, until it goes away.
func TestWatch(t *testing.T) {
	t.Parallel()
	l := newLog(t)
	s := changes.New(l, signer(t), func() time.Time { return now })
	for i := range 300 {
		l.put("principals/ada", fmt.Sprint("old", i), pb.TellerMode_TELLER_MODE_NAMED)
	}
	ctx, stop := context.WithCancel(as(t.Context(), adviser))
	w := &watching{ctx: ctx, sent: make(chan *pb.Change)}
	done := make(chan error, 1)
	go func() { done <- s.WatchChanges(&pb.WatchChangesRequest{AfterSequenceNumber: 10}, w) }()
	for seq := int64(11); seq <= 300; seq++ {
		require.Equal(t, seq, (<-w.sent).GetSequenceNumber())
	}
	l.put("principals/ada", "new", pb.TellerMode_TELLER_MODE_NAMED)
	got := <-w.sent
	require.Equal(t, "reports/new", got.GetResource())
	require.NotContains(t, got.String(), "quokka")
	stop()
	require.ErrorIs(t, <-done, context.Canceled)

	// The caller has gone: the error of sending ends it.
	gone := status.Error(codes.Unavailable, "the caller has gone")
	w = &watching{ctx: as(t.Context(), adviser), err: gone}
	require.ErrorIs(t, s.WatchChanges(&pb.WatchChangesRequest{}, w), gone)

	// Nobody waits for changes that will never come.
	err := s.WatchChanges(&pb.WatchChangesRequest{AfterSequenceNumber: 302}, &watching{ctx: as(t.Context(), adviser)})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	require.ErrorContains(t, err, "the last change, which is 301")
}
