package server_test

import (
	"bytes"
	"io"
	"mime/multipart"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// filesForm makes a form with a file, as a browser or `curl -F` does.
func filesForm(t testing.TB, file []byte, fields ...string) (body, contentType string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for i := 0; i < len(fields); i += 2 {
		require.NoError(t, m.WriteField(fields[i], fields[i+1]))
	}
	part, err := m.CreateFormFile("file", "../../etc/passwd.jpg")
	require.NoError(t, err)
	_, err = part.Write(file)
	require.NoError(t, err)
	require.NoError(t, m.Close())
	return b.String(), m.FormDataContentType()
}

// TestFilesDoor adds and reads attachments as curl does.
func TestFilesDoor(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	report := w.report("by HTTP").GetName()
	at := "/v1/" + report + "/attachments"
	added := func(code int, out string) *pb.Attachment {
		t.Helper()
		require.Equal(t, http.StatusOK, code, out)
		resp := &pb.AddAttachmentResponse{}
		require.NoError(t, protojson.Unmarshal([]byte(out), resp))
		require.Positive(t, resp.GetSequenceNumber())
		return resp.GetAttachment()
	}

	// The body is the file, whatever curl calls it, and the ids make it safe
	// to repeat.
	id := w.id()
	target := at + "?requestId=" + id
	code, h, out := w.curl(t, "adviser", http.MethodPost, target, string(onePixel), "Content-Type", "application/x-www-form-urlencoded")
	a := added(code, out)
	require.Equal(t, "application/json", h.Get("Content-Type"))
	require.Equal(t, "no-store", h.Get("Cache-Control"))
	code, _, out = w.curl(t, "adviser", http.MethodPost, target, string(onePixel), "Content-Type", "image/png")
	require.Equal(t, a.GetName(), added(code, out).GetName())
	// A form brings a caption; what the file is called is not looked at.
	body, kind := filesForm(t, onePixel, "caption", "the bolt", "request_id", w.id())
	code, _, out = w.curl(t, "adviser", http.MethodPost, at, body, "Content-Type", kind)
	b := added(code, out)
	require.Equal(t, "the bolt", b.GetCaption())
	require.NotContains(t, out, "passwd")

	// Metadata still goes by the contract's own rules.
	code, _, out = w.curl(t, "auditor", http.MethodGet, at, "")
	require.Equal(t, http.StatusOK, code)
	list := &pb.ListAttachmentsResponse{}
	require.NoError(t, protojson.Unmarshal([]byte(out), list))
	require.Len(t, list.GetAttachments(), 2)
	code, _, out = w.curl(t, "auditor", http.MethodGet, "/v1/"+a.GetName(), "")
	require.Equal(t, http.StatusOK, code, out)

	for variant, want := range map[string][2]string{"": {"image/png", "attachment; "}, "?variant=original": {"image/png", "attachment; "},
		"?variant=display": {"image/jpeg", "inline; "}, "?variant=small": {"image/jpeg", "inline; "}} {
		code, h, out = w.curl(t, "adviser", http.MethodGet, "/v1/"+a.GetName()+":read"+variant, "")
		require.Equal(t, http.StatusOK, code, out)
		require.Equal(t, want[0], h.Get("Content-Type"))
		require.True(t, strings.HasPrefix(h.Get("Content-Disposition"), want[1]+"filename="), h.Get("Content-Disposition"))
		require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
		require.Equal(t, "private, no-store", h.Get("Cache-Control"))
		require.Contains(t, h.Get("Content-Security-Policy"), "sandbox")
		require.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'")
		require.Equal(t, "same-origin", h.Get("Cross-Origin-Resource-Policy"))
	}
	code, h, part := w.curl(t, "adviser", http.MethodGet, "/v1/"+a.GetName()+":read", "", "Range", "bytes=1-3")
	require.Equal(t, http.StatusPartialContent, code)
	require.Equal(t, "PNG", part)
	require.Regexp(t, `^bytes 1-3/[0-9]+$`, h.Get("Content-Range"))

	before := w.Head()
	long, longKind := filesForm(t, append(bytes.Clone(onePixel), make([]byte, 25<<20)...))
	longer, longerKind := filesForm(t, make([]byte, 30<<20))
	unknown, unknownKind := filesForm(t, onePixel, "weather", "fine")
	for what, c := range map[string]struct {
		role, verb, target, body, kind string
		code                           codes.Code
		field                          string
	}{
		"no token":          {"", http.MethodPost, at, string(onePixel), "image/png", codes.Unauthenticated, ""},
		"no token to read":  {"", http.MethodGet, "/v1/" + a.GetName() + ":read", "", "", codes.Unauthenticated, ""},
		"an auditor":        {"auditor", http.MethodGet, "/v1/" + a.GetName() + ":read?variant=small", "", "", codes.PermissionDenied, ""},
		"a worker":          {"worker", http.MethodGet, "/v1/" + a.GetName() + ":read?variant=small", "", "", codes.PermissionDenied, ""},
		"a committee":       {"committee", http.MethodPost, at, string(onePixel), "image/png", codes.NotFound, ""},
		"nothing":           {"adviser", http.MethodPost, at, "", "image/png", codes.InvalidArgument, "chunk"},
		"a page":            {"adviser", http.MethodPost, at, "<!doctype html><script>alert(1)</script>", "image/png", codes.InvalidArgument, "chunk"},
		"too long":          {"adviser", http.MethodPost, at, long, longKind, codes.InvalidArgument, "chunk"},
		"far too long":      {"adviser", http.MethodPost, at, longer, longerKind, codes.InvalidArgument, ""},
		"half a form":       {"adviser", http.MethodPost, at, body[:200], kind, codes.InvalidArgument, ""},
		"no form":           {"adviser", http.MethodPost, at, "x", "multipart/form-data", codes.InvalidArgument, "file"},
		"an unknown field":  {"adviser", http.MethodPost, at, unknown, unknownKind, codes.InvalidArgument, ""},
		"an unknown query":  {"adviser", http.MethodPost, at + "?weather=fine", string(onePixel), "image/png", codes.InvalidArgument, ""},
		"words in the line": {"adviser", http.MethodPost, at + "?caption=bolt", string(onePixel), "image/png", codes.InvalidArgument, "caption"},
		"a made-up id":      {"adviser", http.MethodPost, at + "?attachment_id=one", string(onePixel), "image/png", codes.InvalidArgument, "header.attachment_id"},
		"no report":         {"adviser", http.MethodPost, "/v1/reports/" + nowhere + "/attachments", string(onePixel), "image/png", codes.NotFound, ""},
		"a way out":         {"adviser", http.MethodGet, "/v1/" + report + "/attachments/..%2f..%2f..%2fetc%2fpasswd:read", "", "", codes.InvalidArgument, "name"},
		"no such variant":   {"adviser", http.MethodGet, "/v1/" + a.GetName() + ":read?variant=huge", "", "", codes.InvalidArgument, "variant"},
		"not there":         {"adviser", http.MethodGet, "/v1/" + report + "/attachments/" + nowhere + ":read", "", "", codes.NotFound, ""},
	} {
		code, h, out := w.curl(t, c.role, c.verb, c.target, c.body, "Content-Type", c.kind)
		r := restRefused(t, code, h, out)
		require.Equal(t, c.code, r.code, "%s: %d %s", what, code, out)
		require.True(t, c.field == "" || r.names(c.field), "%s: %v", what, r)
		require.Equal(t, before, w.Head(), what)
	}
}

// TestFilesDoor_brokenOff breaks off uploads in the middle: they are not taken
// for whole ones.
func TestFilesDoor_brokenOff(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	before := w.report("by HTTP").GetName()
	head := w.Head()
	for range 3 {
		r, body := io.Pipe()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+w.Web+"/v1/"+before+"/attachments", r)
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+w.Tokens["adviser"])
		go func() {
			_, _ = body.Write(onePixel)
			_ = body.CloseWithError(io.ErrUnexpectedEOF)
		}()
		_, err = web.Do(req)
		require.Error(t, err)
	}
	w.Stop()
	w2 := servertest.Start(t, servertest.Options{Data: w.Data, Clock: w.clock.Now})
	require.Equal(t, head, w2.Head())
}
