package attachments_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/attachments"
	"fairlead/services/blob"
	"fairlead/services/blob/files"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/receiptcode"
	"fairlead/services/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// now is the time of the house: a Wednesday, four in the afternoon in Sydney.
var now = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

const northside = "workplaces/northside"

// tree is a tree of two depots in Sydney.
type tree struct{}

func (tree) Within(w, ancestor string) bool { return w == ancestor }
func (tree) Location(string) *time.Location {
	l, err := time.LoadLocation("Australia/Sydney")
	if err != nil {
		panic(err)
	}
	return l
}

// house is the room on a real ledger and a real store.
type house struct {
	*attachments.Service
	t     *testing.T
	dir   string
	log   ledger.Ledger
	store blob.Store
	now   time.Time
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, dir: t.TempDir(), now: now}
	clock := func() time.Time { return h.now }
	l, err := sqlite.Open(t.Context(), h.dir, sqlite.Options{Clock: clock})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	h.log = l
	h.store, err = files.Open(filepath.Join(h.dir, "files"), clock)
	require.NoError(t, err)
	h.Service = attachments.New(attachments.Deps{Ledger: l, Tree: tree{}, Store: h.store, Spool: filepath.Join(h.dir, "incoming"), Clock: clock,
		NewID: func() string { return uuid.Must(uuid.NewV7()).String() }, RandomID: uuid.NewString})
	return h
}

func as(r pb.Role, name string, workplaces ...string) context.Context {
	return access.With(context.Background(), access.Principal{Name: "principals/" + name, Roles: []pb.Role{r}, Workplaces: workplaces})
}

var (
	adviser = as(pb.Role_ROLE_ADVISER, "adviser")
	worker  = as(pb.Role_ROLE_WORKER, "worker")
)

// report files a report as somebody, as the room of reports would.
func (h *house) report(mode pb.TellerMode, by string) string {
	h.t.Helper()
	r := &pb.Report{Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: northside, Narrative: "Guard off.",
		TellerMode: mode, State: pb.ReportState_REPORT_STATE_RECEIVED, ReceiveTime: timestamppb.New(h.now)}
	actor := "principals/" + by
	if mode == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		actor, r.ReceiveTime = access.Anonymous, timestamppb.New(time.Date(2026, 3, 3, 13, 0, 0, 0, time.UTC))
	}
	h.put(actor, r, r.GetName(), record.KindReport, record.VerbFile)
	return r.GetName()
}

func (h *house) put(actor string, m proto.Message, name, kind, verb string) {
	h.t.Helper()
	_, err := h.log.Write(context.Background(), ledger.Request{Actor: actor}, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(m, name, kind, verb, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	require.NoError(h.t, err)
}

// upload is a stream of an upload: its messages, and what ends it.
type upload struct {
	grpc.ServerStream
	ctx  context.Context
	msgs []*pb.AddAttachmentRequest
	end  error
	out  *pb.AddAttachmentResponse
}

func (u *upload) Context() context.Context { return u.ctx }
func (u *upload) Recv() (*pb.AddAttachmentRequest, error) {
	if len(u.msgs) == 0 {
		return nil, u.end
	}
	m := u.msgs[0]
	u.msgs = u.msgs[1:]
	return m, nil
}
func (u *upload) SendAndClose(r *pb.AddAttachmentResponse) error { u.out = r; return nil }

// messages cuts a file into messages.
func messages(h *pb.AttachmentHeader, file []byte) []*pb.AddAttachmentRequest {
	out := []*pb.AddAttachmentRequest{{Header: h}}
	for len(file) > 0 {
		n := min(len(file), 64<<10)
		out = append(out, &pb.AddAttachmentRequest{Chunk: file[:n]})
		file = file[n:]
	}
	return out
}

func (h *house) add(ctx context.Context, header *pb.AttachmentHeader, file []byte) (*pb.AddAttachmentResponse, error) {
	u := &upload{ctx: ctx, msgs: messages(header, file), end: io.EOF}
	err := h.AddAttachment(u)
	return u.out, err
}

// download collects what is read.
type download struct {
	grpc.ServerStream
	ctx     context.Context
	content *pb.AttachmentContent
	bytes   []byte
}

func (d *download) Context() context.Context { return d.ctx }
func (d *download) Send(m *pb.ReadAttachmentResponse) error {
	if m.GetContent() != nil {
		d.content = m.GetContent()
	}
	d.bytes = append(d.bytes, m.GetChunk()...)
	return nil
}

func (h *house) read(ctx context.Context, name string, v pb.AttachmentVariant) (*download, error) {
	d := &download{ctx: ctx}
	return d, h.ReadAttachment(&pb.ReadAttachmentRequest{Name: name, Variant: v}, d)
}

// place is a latitude as EXIF has it: 33, 51, 88.88.
var place = []byte{0, 0, 0, 33, 0, 0, 0, 1, 0, 0, 0, 51, 0, 0, 0, 1, 0, 0, 0x22, 0xb8, 0, 0, 0, 100}

const takenAt = "2026:03:04 15:00:00"

// photo is a JPEG with a place and a time in it; shade makes it another.
func photo(t testing.TB, shade uint8) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 400, 300))
	for i := range img.Pix {
		img.Pix[i] = shade
	}
	img.SetGray(1, 1, color.Gray{Y: 255 - shade})
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, nil))
	be := binary.BigEndian
	x := []byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x02")
	entry := func(tag, typ uint16, count, value uint32) {
		x = be.AppendUint32(be.AppendUint32(be.AppendUint16(be.AppendUint16(x, tag), typ), count), value)
	}
	entry(0x8769, 4, 1, 38)
	entry(0x8825, 4, 1, 76)
	x = append(x, 0, 0, 0, 0, 0, 1) // the end, and one entry at 38
	entry(0x9003, 2, 20, 56)
	x = append(x, 0, 0, 0, 0)
	x = append(append(x, takenAt...), 0)
	x = append(x, 0, 1) // 76
	entry(2, 5, 3, 94)
	x = append(append(x, 0, 0, 0, 0), place...)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, be.AppendUint16(nil, uint16(len(x)+2))...)
	return append(append(out, x...), b.Bytes()[2:]...)
}

func sound() []byte {
	le := binary.LittleEndian
	b := append([]byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00"), le.AppendUint32(le.AppendUint32(nil, 8000), 16000)...)
	b = append(b, "\x02\x00\x10\x00LIST\x08\x00\x00\x00INFOwhomdata\x00\x00\x00\x00"...)
	return append(b, make([]byte, 40000)...)
}

// stored returns all bytes of the store, one after the other.
func (h *house) stored() string {
	h.t.Helper()
	var b strings.Builder
	require.NoError(h.t, h.store.Walk(h.t.Context(), func(e blob.Entry) error {
		r, _, err := h.store.Open(h.t.Context(), e.SHA256)
		require.NoError(h.t, err)
		defer r.Close()
		_, err = io.Copy(&b, r)
		return err
	}))
	return b.String()
}

func (h *house) blobs() (n int) {
	h.t.Helper()
	require.NoError(h.t, h.store.Walk(h.t.Context(), func(blob.Entry) error { n++; return nil }))
	return n
}

func fields(err error) (out []string) {
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, v.GetField())
			}
		}
	}
	return out
}

// TestAdd adds a photo and a sound and reads them back in every form.
func TestAdd(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	resp, err := h.add(worker, &pb.AttachmentHeader{Report: report, Caption: "  the bolt\n"}, photo(t, 40))
	require.NoError(t, err)
	a := resp.GetAttachment()
	require.Equal(t, "the bolt", a.GetCaption())
	require.Equal(t, "image/jpeg", a.GetMediaType())
	require.Equal(t, pb.AttachmentKind_ATTACHMENT_KIND_PHOTO, a.GetKind())
	require.EqualValues(t, 400, a.GetWidth())
	require.False(t, a.GetLocationKept())
	require.Equal(t, "r1", a.GetEtag())
	require.Contains(t, string(photo(t, 40)), string(place))
	require.NotContains(t, h.stored(), string(place), "no byte of the place is anywhere")
	require.NotContains(t, h.stored(), string(place[:16]))
	require.Contains(t, h.stored(), takenAt)

	for v, want := range map[pb.AttachmentVariant]struct {
		size int64
		long int
	}{0: {a.GetSizeBytes(), 400}, 1: {a.GetSizeBytes(), 400}, 2: {a.GetDisplay().GetSizeBytes(), 400}, 3: {a.GetSmall().GetSizeBytes(), 320}} {
		d, err := h.read(adviser, a.GetName(), v)
		require.NoError(t, err)
		require.Equal(t, want.size, d.content.GetSizeBytes())
		require.EqualValues(t, want.size, len(d.bytes))
		img, err := jpeg.Decode(bytes.NewReader(d.bytes))
		require.NoError(t, err)
		require.Equal(t, want.long, img.Bounds().Dx())
	}

	resp, err = h.add(adviser, &pb.AttachmentHeader{Report: report}, sound())
	require.NoError(t, err)
	s := resp.GetAttachment()
	require.Equal(t, 2500*time.Millisecond, s.GetLength().AsDuration())
	require.Nil(t, s.GetSmall())
	d, err := h.read(adviser, s.GetName(), 0)
	require.NoError(t, err)
	require.Equal(t, "audio/wav", d.content.GetMediaType())
	require.NotContains(t, string(d.bytes), "INFOwhom")
	_, err = h.read(adviser, s.GetName(), pb.AttachmentVariant_ATTACHMENT_VARIANT_SMALL)
	require.Equal(t, []string{"variant"}, fields(err))

	list, err := h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report})
	require.NoError(t, err)
	require.Len(t, list.GetAttachments(), 2)
	checked, err := attachments.Check(t.Context(), h.log, h.store)
	require.NoError(t, err)
	require.Equal(t, 2, checked.Attachments)
	left, err := os.ReadDir(filepath.Join(h.dir, "incoming"))
	require.NoError(t, err)
	require.Empty(t, left, "nothing of an upload stays behind")
}

// TestAnonymous keeps nothing that could tell who told: not when the photo was
// taken, not when and by whom it was added.
func TestAnonymous(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_ANONYMOUS, "")
	day := time.Date(2026, 3, 3, 13, 0, 0, 0, time.UTC) // midnight in Sydney
	resp, err := h.add(worker, &pb.AttachmentHeader{Report: report, RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"}, photo(t, 40))
	require.NoError(t, err)
	a := resp.GetAttachment()
	require.Equal(t, day, a.GetCreateTime().AsTime())
	require.EqualValues(t, 4, uuid.MustParse(a.GetName()[len(report)+13:]).Version(), "an id that tells no time")
	require.NotContains(t, h.stored(), takenAt)
	require.NotContains(t, h.stored(), string(place))
	changes, err := h.log.History(t.Context(), a.GetName())
	require.NoError(t, err)
	require.Equal(t, access.Anonymous, changes[0].Actor)
	require.NotContains(t, changes[0].RequestID, "0190d3a0")
	require.Less(t, changes[0].Time.Sub(changes[0].Time.Truncate(time.Hour)), time.Hour)
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report, KeepLocation: true}, photo(t, 40))
	require.Equal(t, []string{"header.keep_location"}, fields(err))

	// The adviser, on the same day, might be who told.
	resp, err = h.add(adviser, &pb.AttachmentHeader{Report: report}, photo(t, 41))
	require.NoError(t, err)
	changes, err = h.log.History(t.Context(), resp.GetAttachment().GetName())
	require.NoError(t, err)
	require.Equal(t, access.Anonymous, changes[0].Actor)
	// Later it is whoever looks into it.
	h.now = now.Add(72 * time.Hour)
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report}, photo(t, 42))
	require.Equal(t, codes.NotFound, status.Code(err))
	resp, err = h.add(adviser, &pb.AttachmentHeader{Report: report}, photo(t, 42))
	require.NoError(t, err)
	changes, err = h.log.History(t.Context(), resp.GetAttachment().GetName())
	require.NoError(t, err)
	require.Equal(t, "principals/adviser", changes[0].Actor)
	require.Equal(t, day.AddDate(0, 0, 3), resp.GetAttachment().GetCreateTime().AsTime())
}

// TestKeepLocation keeps the place of a report that is told openly when asked.
func TestKeepLocation(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	resp, err := h.add(adviser, &pb.AttachmentHeader{Report: h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker"), KeepLocation: true}, photo(t, 40))
	require.NoError(t, err)
	require.True(t, resp.GetAttachment().GetLocationKept())
	d, err := h.read(adviser, resp.GetAttachment().GetName(), 0)
	require.NoError(t, err)
	require.Contains(t, string(d.bytes), string(place))
	for _, v := range []pb.AttachmentVariant{2, 3} {
		d, err := h.read(adviser, resp.GetAttachment().GetName(), v)
		require.NoError(t, err)
		require.NotContains(t, string(d.bytes), "Exif", "drawings say nothing")
	}
}

// TestWho lets those add who work on reports, where they reach, and whoever
// filed, for a day; everybody else hears that it is not there.
func TestWho(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	mine := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	nowhere := "reports/" + uuid.NewString()
	for name, c := range map[string]struct {
		who  context.Context
		code codes.Code
	}{
		"adviser":                  {adviser, codes.OK},
		"supervisor of the place":  {as(pb.Role_ROLE_SUPERVISOR, "s", northside), codes.OK},
		"representative":           {as(pb.Role_ROLE_REPRESENTATIVE, "r"), codes.OK},
		"supervisor of another":    {as(pb.Role_ROLE_SUPERVISOR, "s", "workplaces/quarry-road"), codes.NotFound},
		"who filed it":             {worker, codes.OK},
		"another worker":           {as(pb.Role_ROLE_WORKER, "other"), codes.NotFound},
		"an integration":           {as(pb.Role_ROLE_INTEGRATION, "other"), codes.NotFound},
		"a member of the committe": {as(pb.Role_ROLE_COMMITTEE, "other"), codes.NotFound},
	} {
		_, err := h.add(c.who, &pb.AttachmentHeader{Report: mine}, photo(t, 7))
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		_, err = h.add(c.who, &pb.AttachmentHeader{Report: nowhere}, photo(t, 7))
		require.Equal(t, codes.NotFound, status.Code(err), name)
	}
	// What was added in time is answered again when the day is over.
	header := &pb.AttachmentHeader{Report: mine, AttachmentId: uuid.NewString(), RequestId: uuid.NewString()}
	first, err := h.add(worker, header, photo(t, 8))
	require.NoError(t, err)
	h.now = now.Add(25 * time.Hour)
	again, err := h.add(worker, header, photo(t, 8))
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))
	_, err = h.add(worker, &pb.AttachmentHeader{Report: mine}, photo(t, 9))
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.Contains(t, status.Convert(err).Message(), "hand the file to your supervisor")
	// Reading is for those who see the report.
	_, err = h.read(as(pb.Role_ROLE_SUPERVISOR, "s", "workplaces/quarry-road"), first.GetAttachment().GetName(), 0)
	require.Equal(t, codes.NotFound, status.Code(err))
}

// TestWho_confidential: of a report told in confidence the log knows nobody, so
// that whoever may file and knows its name may add for a day, and everybody who
// does is nobody in the log as well.
func TestWho_confidential(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	mine := h.report(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, "worker")
	header := &pb.AttachmentHeader{Report: mine, AttachmentId: uuid.NewString(), RequestId: uuid.NewString()}
	first, err := h.add(worker, header, photo(t, 8))
	require.NoError(t, err)
	_, err = h.add(adviser, &pb.AttachmentHeader{Report: mine}, photo(t, 7))
	require.NoError(t, err)
	changes, err := h.log.Changes(t.Context(), 0, 100)
	require.NoError(t, err)
	for _, c := range changes {
		if strings.HasPrefix(c.Name, mine+"/") {
			require.Equal(t, access.Confidential, c.Actor)
		}
	}
	h.now = now.Add(25 * time.Hour)
	again, err := h.add(worker, header, photo(t, 8))
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))
	_, err = h.add(worker, &pb.AttachmentHeader{Report: mine}, photo(t, 9))
	require.Equal(t, codes.NotFound, status.Code(err))
}

// TestByReceipt lets whoever holds the receipt code bring photos late, for 30
// days after the day in which the caller could without it; whatever the report
// keeps from others stays kept.
func TestByReceipt(t *testing.T) {
	t.Parallel()
	tablet := as(pb.Role_ROLE_DEVICE, "tablet")
	for name, mode := range map[string]pb.TellerMode{"named": pb.TellerMode_TELLER_MODE_NAMED, "anonymous": pb.TellerMode_TELLER_MODE_ANONYMOUS} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			mine, other := h.report(mode, "worker"), h.report(mode, "worker")
			code, another := h.receipt(mine), h.receipt(other)
			late := func(d time.Duration) { h.now = now.Add(d) }
			refused := func(header *pb.AttachmentHeader) {
				t.Helper()
				header.Report = mine
				_, err := h.add(tablet, header, photo(t, 3))
				require.Equal(t, codes.NotFound, status.Code(err), "%v", err)
			}
			late(5 * 24 * time.Hour)
			refused(&pb.AttachmentHeader{})
			refused(&pb.AttachmentHeader{ReceiptCode: another})
			refused(&pb.AttachmentHeader{ReceiptCode: code[:19] + "?"})

			header := &pb.AttachmentHeader{Report: mine, AttachmentId: uuid.NewString(), RequestId: uuid.NewString(), ReceiptCode: strings.ToLower(code)}
			first, err := h.add(tablet, header, photo(t, 4))
			require.NoError(t, err)
			late(6 * 24 * time.Hour)
			again, err := h.add(tablet, header, photo(t, 4))
			require.NoError(t, err)
			require.True(t, proto.Equal(first, again), "a replay answers the same")
			bare, err := h.add(as(pb.Role_ROLE_ADVISER, "adviser"), &pb.AttachmentHeader{Report: mine}, photo(t, 5))
			require.NoError(t, err, "and nothing is changed for those who work on it")
			require.NotEqual(t, first.GetAttachment().GetName(), bare.GetAttachment().GetName())

			history, err := h.log.History(t.Context(), first.GetAttachment().GetName())
			require.NoError(t, err)
			stored, err := h.read(adviser, first.GetAttachment().GetName(), 0)
			require.NoError(t, err)
			if mode == pb.TellerMode_TELLER_MODE_ANONYMOUS {
				require.NotContains(t, string(stored.bytes), takenAt[:10])
				require.Equal(t, access.Anonymous, history[0].Actor)
				day := time.Date(2026, 3, 8, 13, 0, 0, 0, time.UTC) // midnight of 9 March in Sydney
				require.Equal(t, day, first.GetAttachment().GetCreateTime().AsTime(), "the day, and no closer")
				require.Equal(t, day, history[0].Time.UTC())
				_, err = h.add(tablet, &pb.AttachmentHeader{Report: mine, ReceiptCode: code, KeepLocation: true}, photo(t, 6))
				require.Equal(t, codes.InvalidArgument, status.Code(err))
			} else {
				require.Equal(t, "principals/tablet", history[0].Actor)
			}

			late(30 * 24 * time.Hour)
			_, err = h.add(tablet, &pb.AttachmentHeader{Report: mine, ReceiptCode: code}, photo(t, 7))
			require.NoError(t, err)
			late(33 * 24 * time.Hour)
			refused(&pb.AttachmentHeader{ReceiptCode: code})
		})
	}
}

// receipt gives a report a receipt code, as the room of reports would.
func (h *house) receipt(report string) string {
	h.t.Helper()
	code, err := receiptcode.New(rand.Reader)
	require.NoError(h.t, err)
	_, err = h.log.Write(context.Background(), ledger.Request{Actor: access.Anonymous}, func(ctx context.Context, tx ledger.Tx) error {
		return tx.Claim(ctx, record.SpaceReceipt, receiptcode.Hash(code), report)
	})
	require.NoError(h.t, err)
	return receiptcode.Spoken(code)
}

// TestReplays never store a file twice, and never another under the same id.
func TestReplays(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	id, rid := uuid.NewString(), uuid.NewString()
	first, err := h.add(worker, &pb.AttachmentHeader{Report: report, AttachmentId: id, RequestId: rid, Caption: "bolt"}, photo(t, 40))
	require.NoError(t, err)
	for name, header := range map[string]*pb.AttachmentHeader{
		"the same":        {Report: report, AttachmentId: id, RequestId: rid, Caption: "bolt"},
		"the same id":     {Report: report, AttachmentId: id, Caption: "bolt"},
		"another request": {Report: report, AttachmentId: id, RequestId: uuid.NewString(), Caption: "bolt"},
	} {
		again, err := h.add(worker, header, photo(t, 40))
		require.NoError(t, err, name)
		require.True(t, proto.Equal(first, again), name)
	}
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report, AttachmentId: id, Caption: "bolt"}, photo(t, 41))
	require.Equal(t, []string{"header.attachment_id"}, fields(err))
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report, RequestId: rid, Caption: "bolt"}, photo(t, 40))
	require.Equal(t, []string{"request_id"}, fields(err), "another request")
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report, AttachmentId: id, RequestId: rid, Caption: "bolt"}, photo(t, 41))
	require.Equal(t, []string{"request_id"}, fields(err))
	// Without ids a file is added once more, and its bytes are kept once.
	before := h.blobs()
	anew := uuid.NewString()
	one, err := h.add(worker, &pb.AttachmentHeader{Report: report, RequestId: anew}, photo(t, 40))
	require.NoError(t, err)
	two, err := h.add(worker, &pb.AttachmentHeader{Report: report, RequestId: anew}, photo(t, 40))
	require.NoError(t, err)
	require.True(t, proto.Equal(one, two), "also when the house minted the name")
	require.NotEqual(t, first.GetAttachment().GetName(), one.GetAttachment().GetName())
	require.LessOrEqual(t, h.blobs(), before+2, "41 was put before it was refused, 40 was there")
	list, err := h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report})
	require.NoError(t, err)
	require.Len(t, list.GetAttachments(), 2)
}

// TestRemove takes an attachment out and its bytes a day later, but not those
// that another attachment has too.
func TestRemove(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	one, err := h.add(worker, &pb.AttachmentHeader{Report: report, AttachmentId: uuid.NewString()}, photo(t, 40))
	require.NoError(t, err)
	two, err := h.add(worker, &pb.AttachmentHeader{Report: report}, photo(t, 40))
	require.NoError(t, err)
	remove := func(a *pb.Attachment) *pb.Attachment {
		req := &pb.RemoveAttachmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "shows a face", RequestId: uuid.NewString()}
		resp, err := h.RemoveAttachment(adviser, req)
		require.NoError(t, err)
		again, err := h.RemoveAttachment(adviser, req)
		require.NoError(t, err)
		require.True(t, proto.Equal(resp, again))
		return resp.GetAttachment()
	}
	gone := remove(one.GetAttachment())
	require.Equal(t, "shows a face", gone.GetRemoveReason())
	require.Equal(t, now, gone.GetRemoveTime().AsTime())
	_, err = h.read(adviser, gone.GetName(), 0)
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report, AttachmentId: gone.GetName()[len(report)+13:]}, photo(t, 40))
	require.Equal(t, codes.FailedPrecondition, status.Code(err), "what was removed does not come back by a replay")
	list, err := h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report})
	require.NoError(t, err)
	require.Len(t, list.GetAttachments(), 1)
	list, err = h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report, IncludeRemoved: true})
	require.NoError(t, err)
	require.Len(t, list.GetAttachments(), 2)

	h.now = now.Add(25 * time.Hour)
	swept, err := h.Sweep(t.Context())
	require.NoError(t, err)
	require.Zero(t, swept.Removed, "the other attachment has the same bytes")
	remove(two.GetAttachment())
	swept, err = h.Sweep(t.Context())
	require.NoError(t, err)
	require.Equal(t, 3, swept.Removed)
	require.Zero(t, h.blobs())
	_, err = attachments.Check(t.Context(), h.log, h.store)
	require.NoError(t, err, "what was removed is not missed")
}

// TestLimits holds a report to 20 attachments and a file to 25 MB.
func TestLimits(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	var last *pb.AddAttachmentResponse
	for range attachments.MostLive {
		var err error
		last, err = h.add(worker, &pb.AttachmentHeader{Report: report}, sound())
		require.NoError(t, err)
	}
	_, err := h.add(worker, &pb.AttachmentHeader{Report: report}, sound())
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.Contains(t, status.Convert(err).Message(), "20 attachments")
	_, err = h.RemoveAttachment(adviser, &pb.RemoveAttachmentRequest{Name: last.GetAttachment().GetName(), Etag: "r1", Reason: "twice"})
	require.NoError(t, err)
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report}, sound())
	require.NoError(t, err)

	other := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	_, err = h.add(worker, &pb.AttachmentHeader{Report: other}, append(sound(), make([]byte, attachments.MostBytes)...))
	require.Equal(t, []string{"chunk"}, fields(err))
	require.Contains(t, status.Convert(err).Message(), "25 MB")
	whole := append(sound(), make([]byte, attachments.MostBytes-len(sound()))...)
	resp, err := h.add(worker, &pb.AttachmentHeader{Report: other}, whole)
	require.NoError(t, err)
	require.EqualValues(t, len(whole)-16, resp.GetAttachment().GetSizeBytes())
}

// TestBroken ends uploads in every way and wants nothing left: no bytes, no
// attachment, no file on its way.
func TestBroken(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	header := &pb.AttachmentHeader{Report: report}
	lost := errors.New("the line broke")
	ended, stop := context.WithCancel(worker)
	stop()
	for name, c := range map[string]*upload{
		"the line breaks":  {ctx: worker, msgs: messages(header, photo(t, 1))[:2], end: lost},
		"a second header":  {ctx: worker, msgs: append(messages(header, photo(t, 1)), messages(header, nil)...), end: io.EOF},
		"no header":        {ctx: worker, msgs: messages(nil, photo(t, 1)), end: io.EOF},
		"nothing":          {ctx: worker, end: io.EOF},
		"no bytes":         {ctx: worker, msgs: messages(header, nil), end: io.EOF},
		"it is given up":   {ctx: ended, msgs: messages(header, photo(t, 1)), end: io.EOF},
		"a made-up id":     {ctx: worker, msgs: messages(&pb.AttachmentHeader{Report: report, AttachmentId: "../../../../../../../etc/cron.d/own-it"}, photo(t, 1)), end: io.EOF},
		"a name in braces": {ctx: worker, msgs: messages(&pb.AttachmentHeader{Report: report, AttachmentId: "{" + uuid.NewString() + "}"}, photo(t, 1)), end: io.EOF},
	} {
		require.Error(t, h.AddAttachment(c), name)
		require.Zero(t, h.blobs(), name)
		list, err := h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report, IncludeRemoved: true})
		require.NoError(t, err)
		require.Empty(t, list.GetAttachments(), name)
		left, err := os.ReadDir(filepath.Join(h.dir, "incoming"))
		if err == nil {
			require.Empty(t, left, name)
		}
	}
}

// crashing is a ledger that fails at a write, as a crash between the bytes and
// the entry would.
type crashing struct{ ledger.Ledger }

func (crashing) Write(context.Context, ledger.Request, func(context.Context, ledger.Tx) error) (ledger.Receipt, error) {
	return ledger.Receipt{}, errors.New("the power went")
}

// TestCrashBetween stores the bytes and not the entry: nothing is there for
// anybody, a replay makes it whole, and what never comes again is swept a day
// later, not before.
func TestCrashBetween(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	header := &pb.AttachmentHeader{Report: report, AttachmentId: uuid.NewString(), RequestId: uuid.NewString()}
	h.Service.Ledger = crashing{h.log}
	_, err := h.add(worker, header, photo(t, 40))
	require.Error(t, err)
	_, err = h.add(worker, &pb.AttachmentHeader{Report: report}, photo(t, 41))
	require.Error(t, err)
	h.Service.Ledger = h.log
	require.Equal(t, 6, h.blobs(), "the bytes came first")
	list, err := h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report, IncludeRemoved: true})
	require.NoError(t, err)
	require.Empty(t, list.GetAttachments())

	h.now = now.Add(23 * time.Hour)
	swept, err := h.Sweep(t.Context())
	require.NoError(t, err)
	require.Zero(t, swept.Removed)
	// A day later the tablet sends again what was cut off; that makes its
	// bytes young, and the sweep takes only the others.
	_, err = h.add(worker, header, photo(t, 40))
	require.NoError(t, err)
	h.now = now.Add(30 * time.Hour)
	swept, err = h.Sweep(t.Context())
	require.NoError(t, err)
	require.Equal(t, 3, swept.Removed)
	_, err = attachments.Check(t.Context(), h.log, h.store)
	require.NoError(t, err)
	h.now = now.AddDate(1, 0, 0)
	swept, err = h.Sweep(t.Context())
	require.NoError(t, err)
	require.Zero(t, swept.Removed, "what an attachment needs stays for ever")
}

// TestCheck names the first attachment whose bytes are not what they were, and
// readers never take spoilt bytes for good.
func TestCheck(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	resp, err := h.add(adviser, &pb.AttachmentHeader{Report: h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")}, photo(t, 40))
	require.NoError(t, err)
	a := resp.GetAttachment()
	file := func(hash string) string { return filepath.Join(h.dir, "files", hash[:2], hash[2:]) }
	for _, hash := range []string{a.GetSha256(), a.GetDisplay().GetSha256(), a.GetSmall().GetSha256()} {
		was, err := os.ReadFile(file(hash))
		require.NoError(t, err)
		spoilt := bytes.Clone(was)
		spoilt[len(spoilt)/2] ^= 1
		for what, b := range map[string][]byte{"one bit": spoilt, "cut short": was[:10], "nothing": {}} {
			require.NoError(t, os.WriteFile(file(hash), b, 0o600))
			_, err = attachments.Check(t.Context(), h.log, h.store)
			require.ErrorIs(t, err, blob.ErrSpoilt, what)
			require.ErrorContains(t, err, a.GetName())
			require.ErrorContains(t, err, hash)
		}
		require.NoError(t, os.Remove(file(hash)))
		_, err = attachments.Check(t.Context(), h.log, h.store)
		require.ErrorIs(t, err, blob.ErrNotFound)
		require.NoError(t, os.WriteFile(file(hash), was, 0o600))
	}
	require.NoError(t, os.WriteFile(file(a.GetSmall().GetSha256()), make([]byte, a.GetSmall().GetSizeBytes()), 0o600))
	_, err = h.read(adviser, a.GetName(), pb.AttachmentVariant_ATTACHMENT_VARIANT_SMALL)
	require.ErrorIs(t, err, blob.ErrSpoilt)
}

// TestErased treats an attachment whose record was erased as gone: its bytes go
// too.
func TestErased(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	report := h.report(pb.TellerMode_TELLER_MODE_NAMED, "worker")
	resp, err := h.add(adviser, &pb.AttachmentHeader{Report: report}, photo(t, 40))
	require.NoError(t, err)
	name := resp.GetAttachment().GetName()
	_, err = h.log.Write(t.Context(), ledger.Request{Actor: "principals/keeper"}, func(ctx context.Context, tx ledger.Tx) error { return tx.Erase(ctx, name) })
	require.NoError(t, err)
	_, err = h.GetAttachment(adviser, &pb.GetAttachmentRequest{Name: name})
	require.Equal(t, codes.NotFound, status.Code(err))
	list, err := h.ListAttachments(adviser, &pb.ListAttachmentsRequest{Parent: report, IncludeRemoved: true})
	require.NoError(t, err)
	require.Empty(t, list.GetAttachments())
	h.now = now.Add(25 * time.Hour)
	swept, err := h.Sweep(t.Context())
	require.NoError(t, err)
	require.Equal(t, 3, swept.Removed)
}
