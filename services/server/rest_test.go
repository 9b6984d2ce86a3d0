package server_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/api/annotations"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"fairlead/services/server/servertest"
)

// web is a plain HTTP client: what curl is. It keeps no connection, so that
// none is left when a test ends.
var web = &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// curl sends a request as curl would and returns status, headers and body.
func (w *world) curl(t testing.TB, role, verb, target, body string, headers ...string) (int, http.Header, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), verb, "http://"+w.Web+target, strings.NewReader(body))
	require.NoError(t, err)
	if body == "" {
		req.Body = http.NoBody
	}
	if role != "" {
		req.Header.Set("Authorization", "Bearer "+w.Tokens[role])
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := web.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, resp.Header, string(out)
}

// restRefused reads an error body of REST.
func restRefused(t testing.TB, code int, h http.Header, body string) refusal {
	t.Helper()
	require.GreaterOrEqual(t, code, 400, body)
	require.Equal(t, "application/json", h.Get("Content-Type"), body)
	st := &spb.Status{}
	require.NoError(t, protojson.Unmarshal([]byte(body), st), body)
	if code == http.StatusMethodNotAllowed {
		require.Equal(t, codes.Unimplemented, codes.Code(st.GetCode()))
		return refusal{code: codes.Unimplemented}
	}
	return refused(t, status.FromProto(st).Err())
}

// rest turns a request into what the google.api.http rule of its method makes
// of it: verb, address and body.
func rest(t testing.TB, m rpc, req proto.Message) (verb, target, body string, ok bool) {
	t.Helper()
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	if rule == nil {
		return "", "", "", false
	}
	pattern, inPath := "", ""
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		verb, pattern = http.MethodGet, p.Get
	case *annotations.HttpRule_Post:
		verb, pattern = http.MethodPost, p.Post
	case *annotations.HttpRule_Patch:
		verb, pattern = http.MethodPatch, p.Patch
	default:
		require.Fail(t, "a verb that no test knows", "%s", m.short)
	}
	if before, rest, found := strings.Cut(pattern, "{"); found {
		inside, after, _ := strings.Cut(rest, "}")
		inPath, _, _ = strings.Cut(inside, "=")
		pattern = before + text(req, inPath) + after
	}
	from := req
	if f := rule.GetBody(); f != "" && f != "*" {
		from = req.ProtoReflect().Get(m.Input().Fields().ByName(protoreflect.Name(f))).Message().Interface()
	}
	raw, err := protojson.Marshal(from)
	require.NoError(t, err)
	query := url.Values{}
	if rule.GetBody() == "" {
		raw = nil
		req.ProtoReflect().Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			if fd.Kind() == protoreflect.EnumKind {
				query.Set(fd.JSONName(), string(fd.Enum().Values().ByNumber(v.Enum()).Name()))
			} else if string(fd.Name()) != inPath {
				query.Set(fd.JSONName(), v.String())
			}
			return true
		})
	} else if rule.GetBody() != "*" {
		query.Set("requestId", text(req, "request_id"))
	}
	if len(query) > 0 {
		pattern += "?" + query.Encode()
	}
	return verb, pattern, string(raw), true
}

// text returns the text at a dotted path of a message.
func text(m proto.Message, path string) string {
	at := m.ProtoReflect()
	parts := strings.Split(path, ".")
	for _, p := range parts[:len(parts)-1] {
		at = at.Get(at.Descriptor().Fields().ByName(protoreflect.Name(p))).Message()
	}
	return at.Get(at.Descriptor().Fields().ByName(protoreflect.Name(parts[len(parts)-1]))).String()
}

// TestREST calls every method that has an HTTP rule by that rule and compares
// the answer with that of gRPC, then spoils the call.
func TestREST(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	routes := 0
	for _, m := range contract(t) {
		req := good[m.short](w)
		verb, target, body, ok := rest(t, m, req)
		if !ok {
			require.True(t, m.IsStreamingServer() || m.IsStreamingClient(), "%s has no HTTP rule", m.short)
			continue
		}
		routes++
		// What was told before is in every figure and index, so that two answers
		// speak of the same.
		w.Ready(w.Head())
		code, h, out := w.curl(t, m.role, verb, target, body)
		require.Equal(t, http.StatusOK, code, "%s %s: %s", verb, target, out)
		require.Equal(t, "application/json", h.Get("Content-Type"))
		require.Equal(t, "no-store", h.Get("Cache-Control"), "what was told is not left in a cache")
		answer := newMessage(t, m.Output())
		require.NoError(t, protojson.Unmarshal([]byte(out), answer), out)
		if !m.writes() && m.short != "ExportService.GetSummary" {
			raw, err := send(w.As(m.role), w.Conn(), m, wire(t, req))
			require.NoError(t, err)
			want := newMessage(t, m.Output())
			require.NoError(t, proto.Unmarshal(raw, want))
			require.True(t, proto.Equal(want, answer), "%s by REST is not what it is by gRPC:\n%v\n%v", m.short, answer, want)
		}

		before := w.Head()
		for what, c := range map[string]struct {
			role, verb, target, body string
			headers                  []string
			code                     codes.Code
		}{
			"no token":           {"", verb, target, body, nil, codes.Unauthenticated},
			"a wrong verb":       {m.role, http.MethodDelete, target, "", nil, codes.Unimplemented},
			"torn JSON":          {m.role, verb, target, `{"`, nil, codes.InvalidArgument},
			"a list":             {m.role, verb, target, `[]`, nil, codes.InvalidArgument},
			"an unknown field":   {m.role, verb, target, `{"weather": 1}`, nil, codes.InvalidArgument},
			"not UTF-8":          {m.role, verb, target, "{\"name\": \"\xff\"}", nil, codes.InvalidArgument},
			"a form":             {m.role, verb, target, "a=b&c=d", []string{"Content-Type", "application/x-www-form-urlencoded"}, codes.InvalidArgument},
			"XML":                {m.role, verb, target, "<a/>", []string{"Content-Type", "text/xml"}, codes.InvalidArgument},
			"an unknown packing": {m.role, verb, target, body, []string{"Content-Encoding", "zstd"}, codes.InvalidArgument},
			"an unknown query":   {m.role, verb, addQuery(target, "weather=1"), body, nil, codes.InvalidArgument},
			"a wrong query":      {m.role, verb, addQuery(target, "pageSize=many&minSequenceNumber=soon&validateOnly=perhaps"), body, nil, codes.InvalidArgument},
		} {
			code, h, out := w.curl(t, c.role, c.verb, c.target, c.body, c.headers...)
			r := restRefused(t, code, h, out)
			require.Equal(t, c.code, r.code, "%s with %s: %d %s", m.short, what, code, out)
		}
		require.Equal(t, before, w.Head(), "%s wrote what it refused", m.short)
	}
	require.Greater(t, routes, 30)
}

func addQuery(target, query string) string {
	if strings.Contains(target, "?") {
		return target + "&" + query
	}
	return target + "?" + query
}

func newMessage(t testing.TB, d protoreflect.MessageDescriptor) proto.Message {
	t.Helper()
	mt, err := registered(d.FullName())
	require.NoError(t, err)
	return mt.New().Interface()
}

// TestCurl is what somebody sees who sends a slip by hand.
func TestCurl(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	for name, c := range map[string]struct {
		target, body string
		status       int
		field, words string
	}{
		"a rule of the contract": {"/v1/reports", `{"report":{"kind":"REPORT_KIND_HAZARD","workplace":"Northside","narrative":"x"}}`, 400, "report.workplace", "lower-case letters, digits or hyphens"},
		"a rule of the room":     {"/v1/reports", `{"report":{"kind":"REPORT_KIND_HAZARD","workplace":"workplaces/northsid","narrative":"x"}}`, 400, "report.workplace", "did you mean workplaces/northside"},
		"a slip in a name":       {"/v1/reports", "{\n \"report\": {\"narative\": \"x\"}\n}", 400, "report.narative", "(line 2, column 13)"},
		"a slip in a value":      {"/v1/reports", `{"report":{"kind":"HAZARD"}}`, 400, "report.kind", "REPORT_KIND_HAZARD"},
		"a name given twice":     {"/v1/reports", `{"report":{},"report":{}}`, 400, "report", "given twice"},
		"nothing":                {"/v1/reports", ``, 400, "report", "is needed"},
		"an empty object":        {"/v1/reports", `{}`, 400, "report", "is needed"},
		"a bad search":           {"/v1/reports:search", `{"words":""}`, 400, "words", "is needed"},
		"a wrong period":         {"/v1/measures:rates", `{"period":{"startMonth":"2026-3","endMonth":"2026-04"}}`, 400, "period.start_month", "a month like 2026-03"},
	} {
		code, h, out := w.curl(t, "adviser", http.MethodPost, c.target, c.body)
		require.Equal(t, c.status, code, "%s: %s", name, out)
		r := restRefused(t, code, h, out)
		require.Equal(t, c.field, r.fields[0].GetField(), "%s: %s", name, out)
		require.Contains(t, r.fields[0].GetDescription(), c.words, name)
		if len(r.fields) == 1 {
			require.Contains(t, out, `"message":`)
			require.Contains(t, out, c.field+": ", "the message alone says it too: %s", out)
		}
	}
	// Every violation at once.
	_, h, out := w.curl(t, "adviser", http.MethodPost, "/v1/reports", `{"report":{"kind":99,"workplace":"?","harms":[{"ageBand":77}]}}`)
	require.Len(t, restRefused(t, 400, h, out).fields, 4, out)
	// A stale etag says which is current.
	r := w.report("curl")
	code, h, out := w.curl(t, "adviser", http.MethodPost, "/v1/"+r.GetName()+":void", `{"etag":"r9","reason":"told twice"}`)
	require.Equal(t, http.StatusConflict, code, out)
	require.Equal(t, "r1", restRefused(t, code, h, out).info.GetMetadata()["etag"])
	// Not found, taken, not allowed.
	code, h, out = w.curl(t, "adviser", http.MethodGet, "/v1/reports/"+nowhere, "")
	require.Equal(t, http.StatusNotFound, code)
	restRefused(t, code, h, out)
	code, h, out = w.curl(t, "administrator", http.MethodPost, "/v1/workplaces", `{"name":"workplaces/northside","title":"Other","level":2,"parent":"workplaces/brindle-range"}`)
	require.Equal(t, http.StatusConflict, code, out)
	restRefused(t, code, h, out)
	code, h, out = w.curl(t, "worker", http.MethodGet, "/v1/"+r.GetName(), "")
	require.Equal(t, http.StatusForbidden, code)
	restRefused(t, code, h, out)
}

// TestAddresses tries addresses that are none, and ways out of the house.
func TestAddresses(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	for _, target := range []string{"/v1/", "/v1/nothing", "/v1/reports:explode", "/v1/reports/a/b/c/d", "/v1/%2e%2e/access.yaml", "/v1/reports/..%2f..%2fledger.db",
		"/v1/reports/%00", "/v1/reports/" + strings.Repeat("x", 5000), "/v1/workplaces/northside%0aSet-Cookie:%20a=b", "/v1/reports//history"} {
		code, h, out := w.curl(t, "adviser", http.MethodGet, target, "")
		r := restRefused(t, code, h, out)
		require.Contains(t, []codes.Code{codes.NotFound, codes.InvalidArgument, codes.Unimplemented}, r.code, "%s: %s", target, out)
		require.Empty(t, h.Get("Set-Cookie"))
	}
	for _, target := range []string{"/../access.yaml", "/access.yaml", "/v1/../../etc/passwd", "/ledger.db", "/%2e%2e/%2e%2e/etc/passwd", "/metrics", "/debug/pprof/"} {
		code, _, out := w.curl(t, "adviser", http.MethodGet, target, "")
		require.Contains(t, []int{http.StatusNotFound, http.StatusMovedPermanently, http.StatusTemporaryRedirect, http.StatusBadRequest}, code, "%s: %s", target, out)
		require.NotContains(t, out, "token_sha256")
		require.NotContains(t, out, "root:")
	}
	code, h, out := w.curl(t, "", http.MethodGet, "/healthz", "")
	require.Equal(t, http.StatusOK, code)
	require.Equal(t, "serving\n", out)
	require.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'")
	require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
	require.Equal(t, "no-referrer", h.Get("Referrer-Policy"))
}

// TestHugeBodies sends more than is read: plainly, in pieces without a length,
// and packed small.
func TestHugeBodies(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	huge := func(n int) io.Reader {
		return io.MultiReader(strings.NewReader(`{"report":{"narrative":"`), io.LimitReader(letters{}, int64(n)), strings.NewReader(`"}}`))
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := io.Copy(z, huge(200<<20))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	require.Less(t, packed.Len(), 1<<20)

	whole, err := io.ReadAll(huge(13 << 20))
	require.NoError(t, err)
	before := w.Head()
	for what, c := range map[string]struct {
		body io.Reader
		gzip bool
		code codes.Code
	}{
		"with a length":    {bytes.NewReader(whole), false, codes.ResourceExhausted},
		"without a length": {struct{ io.Reader }{huge(13 << 20)}, false, codes.ResourceExhausted},
		"packed":           {&packed, true, codes.ResourceExhausted},
		"a megabyte":       {struct{ io.Reader }{huge(1 << 20)}, false, codes.InvalidArgument},
	} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+w.Web+"/v1/reports", c.body)
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+w.Tokens["worker"])
		if c.gzip {
			req.Header.Set("Content-Encoding", "gzip")
		}
		resp, err := web.Do(req)
		require.NoError(t, err, what)
		out, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, c.code, restRefused(t, resp.StatusCode, resp.Header, string(out)).code, "%s: %d %s", what, resp.StatusCode, out)
	}
	require.Equal(t, before, w.Head())

	// A packed report that is no trick is taken.
	packed.Reset()
	z = gzip.NewWriter(&packed)
	_, err = fmt.Fprint(z, `{"report":{"kind":"REPORT_KIND_HAZARD","workplace":"workplaces/northside","narrative":"loose gravel"}}`)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	code, _, out := w.curl(t, "worker", http.MethodPost, "/v1/reports", packed.String(), "Content-Encoding", "gzip")
	require.Equal(t, http.StatusOK, code, out)
	var resp struct{ Report struct{ ShortCode string } }
	require.NoError(t, json.Unmarshal([]byte(out), &resp))
	require.Len(t, resp.Report.ShortCode, 9)
}

// letters is text without end.
type letters struct{}

func (letters) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'a'
	}
	return len(p), nil
}
