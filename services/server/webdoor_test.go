package server_test

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"fairlead/services/server/servertest"
)

// frame puts a message into the envelope of gRPC-Web and of Connect streams.
func frame(body []byte) string {
	b := make([]byte, 5, 5+len(body))
	binary.BigEndian.PutUint32(b[1:], uint32(len(body)))
	return string(append(b, body...))
}

// frames takes envelopes apart.
func frames(t testing.TB, body string) (flags []byte, messages [][]byte) {
	t.Helper()
	for b := []byte(body); len(b) > 0; {
		require.GreaterOrEqual(t, len(b), 5)
		n := int(binary.BigEndian.Uint32(b[1:5]))
		require.GreaterOrEqual(t, len(b), 5+n)
		flags, messages = append(flags, b[0]), append(messages, b[5:5+n])
		b = b[5+n:]
	}
	return flags, messages
}

// grpcWebError reads the trailers of gRPC-Web, in the headers or in the body.
func grpcWebError(t testing.TB, h http.Header, body string) error {
	t.Helper()
	trailer := h
	if h.Get("Grpc-Status") == "" {
		flags, messages := frames(t, body)
		last := len(flags) - 1
		require.Equal(t, byte(0x80), flags[last], "the last frame is the trailer")
		trailer = http.Header{}
		for line := range strings.SplitSeq(string(messages[last]), "\r\n") {
			if name, value, ok := strings.Cut(line, ":"); ok {
				trailer.Set(name, strings.TrimSpace(value))
			}
		}
	}
	code, err := strconv.Atoi(trailer.Get("Grpc-Status"))
	require.NoError(t, err)
	st := &spb.Status{Code: int32(code), Message: trailer.Get("Grpc-Message")}
	if bin := trailer.Get("Grpc-Status-Details-Bin"); bin != "" {
		raw, err := base64.RawStdEncoding.DecodeString(strings.TrimRight(bin, "="))
		require.NoError(t, err)
		require.NoError(t, proto.Unmarshal(raw, st))
	}
	return status.FromProto(st).Err()
}

// connectError reads an error of Connect.
func connectError(t testing.TB, body string) error {
	t.Helper()
	var e struct {
		Code    string
		Message string
		Details []struct{ Type, Value string }
	}
	require.NoError(t, json.Unmarshal([]byte(body), &e), body)
	var code codes.Code
	require.NoError(t, code.UnmarshalJSON([]byte(strconv.Quote(strings.ToUpper(e.Code)))), body)
	st := &spb.Status{Code: int32(code), Message: e.Message}
	with := status.FromProto(st)
	for _, d := range e.Details {
		raw, err := base64.RawStdEncoding.DecodeString(d.Value)
		require.NoError(t, err)
		switch d.Type {
		case "google.rpc.ErrorInfo":
			m := &errdetails.ErrorInfo{}
			require.NoError(t, proto.Unmarshal(raw, m))
			with, err = with.WithDetails(m)
		case "google.rpc.BadRequest":
			m := &errdetails.BadRequest{}
			require.NoError(t, proto.Unmarshal(raw, m))
			with, err = with.WithDetails(m)
		}
		require.NoError(t, err)
	}
	return with.Err()
}

// TestConnectAndGRPCWeb calls every method as a browser does, by Connect with
// JSON and by gRPC-Web, well and badly.
func TestConnectAndGRPCWeb(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	for _, m := range contract(t) {
		if m.IsStreamingServer() || m.IsStreamingClient() {
			continue
		}
		req := good[m.short](w)
		raw, err := protojson.Marshal(req)
		require.NoError(t, err)
		code, h, out := w.curl(t, m.role, http.MethodPost, m.path, string(raw), "Content-Type", "application/json", "Connect-Protocol-Version", "1")
		require.Equal(t, http.StatusOK, code, "%s by Connect: %s", m.short, out)
		require.Equal(t, "application/json", h.Get("Content-Type"))
		require.NoError(t, protojson.Unmarshal([]byte(out), newMessage(t, m.Output())))

		code, h, out = w.curl(t, m.role, http.MethodPost, m.path, frame(wire(t, good[m.short](w))), "Content-Type", "application/grpc-web+proto")
		require.Equal(t, http.StatusOK, code)
		require.NoError(t, grpcWebError(t, h, out), m.short)
		_, messages := frames(t, out)
		require.NoError(t, proto.Unmarshal(messages[0], newMessage(t, m.Output())))

		before := w.Head()
		for what, body := range map[string]string{"torn": `{"`, "an unknown field": `{"weather": 1}`, "a list": "[]"} {
			code, h, out = w.curl(t, m.role, http.MethodPost, m.path, body, "Content-Type", "application/json", "Connect-Protocol-Version", "1")
			require.Equal(t, http.StatusBadRequest, code, "%s: %s", m.short, out)
			require.Equal(t, "application/json", h.Get("Content-Type"), "%s with %s", m.short, what)
			require.Equal(t, codes.InvalidArgument, refused(t, connectError(t, out)).code, "%s with %s: %s", m.short, what, out)
		}
		for what, body := range map[string][]byte{"torn": {0x0a, 0xff}, "no tag": {0xff, 0xff}} {
			_, h, out = w.curl(t, m.role, http.MethodPost, m.path, frame(body), "Content-Type", "application/grpc-web+proto")
			require.Equal(t, codes.InvalidArgument, refused(t, grpcWebError(t, h, out)).code, "%s with %s", m.short, what)
		}
		code, _, out = w.curl(t, "", http.MethodPost, m.path, string(raw), "Content-Type", "application/json", "Connect-Protocol-Version", "1")
		require.Equal(t, http.StatusUnauthorized, code)
		require.Equal(t, codes.Unauthenticated, refused(t, connectError(t, out)).code)
		_, h, out = w.curl(t, "", http.MethodPost, m.path, frame(nil), "Content-Type", "application/grpc-web+proto")
		require.Equal(t, codes.Unauthenticated, refused(t, grpcWebError(t, h, out)).code)
		require.Equal(t, before, w.Head())
	}
}

// TestWebDoorTakesGRPC calls a method by native gRPC through the web door: one
// address is enough where only one port is open.
func TestWebDoorTakesGRPC(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	conn, err := grpc.NewClient("passthrough:///"+w.Web, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer conn.Close()
	for _, m := range contract(t) {
		_, err := send(w.As(m.role), conn, m, wire(t, good[m.short](w)))
		require.NoError(t, err, "%s: %v", m.short, reasons(err))
		_, err = send(t.Context(), conn, m, nil)
		require.Equal(t, codes.Unauthenticated, refused(t, err).code, m.short)
		_, err = send(w.As(m.role), conn, m, []byte{0xff, 0xff})
		require.Equal(t, codes.InvalidArgument, refused(t, err).code, m.short)
	}
}

// TestConnectStream follows the log as a page does.
func TestConnectStream(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	head := w.Head()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+w.Web+"/fairlead.v1.ChangeService/WatchChanges",
		strings.NewReader(frame([]byte(`{"afterSequenceNumber":"`+strconv.FormatInt(head-1, 10)+`"}`))))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+w.Tokens["adviser"])
	req.Header.Set("Content-Type", "application/connect+json")
	req.Header.Set("Connect-Protocol-Version", "1")
	resp, err := web.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	next := func() string {
		var env [5]byte
		_, err := io.ReadFull(resp.Body, env[:])
		require.NoError(t, err)
		body := make([]byte, binary.BigEndian.Uint32(env[1:]))
		_, err = io.ReadFull(resp.Body, body)
		require.NoError(t, err)
		return string(body)
	}
	require.Contains(t, next(), `"sequenceNumber":"`+strconv.FormatInt(head, 10)+`"`)
	w.report("watched")
	require.Contains(t, next(), `"verb":"file"`)

	// By REST a stream has no form, and that is said.
	code, h, out := w.curl(t, "adviser", http.MethodGet, "/v1/changes:watch", "")
	require.Equal(t, codes.NotFound, restRefused(t, code, h, out).code)
}
