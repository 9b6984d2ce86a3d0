package server_test

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestTornBytes sends good requests cut short, with bits turned over and with
// rubbish put in. Whatever comes of it, the answer is the house's own, and what
// is refused is not written.
func TestTornBytes(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	r := rand.New(rand.NewPCG(1, 2))
	refusals := 0
	for _, m := range contract(t) {
		for range 2 {
			whole := wire(t, good[m.short](w))
			for range 30 {
				body := spoil(r, whole)
				before := w.Head()
				out, err := send(w.As(m.role), w.Conn(), m, body)
				if _, ok := w.outcome(t, m, out, err); !ok {
					break // it was still a request, and is spent
				}
				refusals++
				require.Equal(t, before, w.Head(), "%s wrote what it refused: %x", m.short, body)
			}
		}
		// A tag of no kind can be no message.
		_, err := send(w.As(m.role), w.Conn(), m, []byte{0xff, 0xff, 0xff})
		require.Equal(t, codes.InvalidArgument, refused(t, err).code, m.short)
	}
	require.Greater(t, refusals, 300)
}

// spoil returns a copy of an encoding with something broken.
func spoil(r *rand.Rand, whole []byte) []byte {
	if len(whole) == 0 {
		return []byte{byte(r.IntN(256)), byte(r.IntN(256))}
	}
	b := append([]byte(nil), whole...)
	switch r.IntN(4) {
	case 0:
		return b[:r.IntN(len(b))]
	case 1:
		b[r.IntN(len(b))] ^= 1 << r.IntN(8)
	case 2:
		for range 4 {
			b[r.IntN(len(b))] = byte(r.IntN(256))
		}
	case 3:
		at := r.IntN(len(b))
		b = append(b[:at:at], append([]byte{byte(r.IntN(256)), byte(r.IntN(256))}, b[at:]...)...)
	}
	return b
}

// TestLongTexts holds the house to what it promises to take: ten thousand
// characters of story, to the letter, and no more than a message may hold.
func TestLongTexts(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	client := pb.NewReportServiceClient(w.Conn())
	long := string([]rune(strings.Repeat("Ünd dann fiel der Ast. ", 450))[:10_000])
	for _, text := range []string{long, strings.Repeat("å", 20_000), "\u202e\u0000\u0007 a bell and a turned word"} {
		req := filing(w)
		req.Report.Narrative = text
		resp, err := client.FileReport(w.As("worker"), req)
		require.NoError(t, err, reasons(err))
		r, err := client.GetReport(w.As("adviser"), &pb.GetReportRequest{Name: resp.GetReport().GetName()})
		require.NoError(t, err)
		require.Equal(t, text, r.GetNarrative(), "what was told is kept as it was told")
	}

	// 500 records of 20,000 characters are within a message; what is longer
	// is refused in words.
	before := w.Head()
	for _, m := range contract(t) {
		if m.short != "ReportService.ImportReports" && m.short != "ReportService.FileReport" && m.short != "ChangeService.WatchChanges" {
			continue
		}
		_, err := send(w.As(m.role), w.Conn(), m, make([]byte, 13<<20))
		r := refused(t, err)
		require.Equal(t, codes.ResourceExhausted, r.code, m.short)
		require.Equal(t, "TOO_LONG", r.reason)
	}
	require.Equal(t, before, w.Head())
}

// TestUnknownFields takes what a newer client says beyond this contract, and
// keeps what it knows.
func TestUnknownFields(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	for _, m := range contract(t) {
		if m.short != "ReportService.FileReport" {
			continue
		}
		// Field 1000 of type text.
		body := append(wire(t, filing(w)), 0xc2, 0x3e, 0x03, 'n', 'e', 'w')
		out, err := send(w.As(m.role), w.Conn(), m, body)
		require.NoError(t, err, reasons(err))
		require.NoError(t, proto.Unmarshal(out, &pb.FileReportResponse{}))
	}
}

// TestBeyondTheTransport holds what [Server.buildGRPC] says of a message that
// is longer than is read at all: it is refused by grpc-go in its own words, the
// connection lives on, and nothing is written. Fails when grpc-go begins to let
// somebody else say it.
func TestBeyondTheTransport(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	before := w.Head()
	for _, m := range contract(t) {
		if m.short != "ReportService.FileReport" && m.short != "ChangeService.WatchChanges" {
			continue
		}
		_, err := send(w.As(m.role), w.Conn(), m, make([]byte, 25<<20))
		require.Equal(t, codes.ResourceExhausted, status.Code(err), m.short)
		require.Equal(t, "grpc: received message larger than max (26214400 vs. 25165824)", status.Convert(err).Message(), m.short)
		require.Empty(t, status.Convert(err).Details(), m.short)
	}
	require.Equal(t, before, w.Head())
	_, err := pb.NewReportServiceClient(w.Conn()).FileReport(w.As("worker"), filing(w))
	require.NoError(t, err, "and the connection lives on")
}
