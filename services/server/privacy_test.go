package server_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// locked is a buffer that many may write to.
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

// whisper is a word that is in every text of TestPrivacy and must come out
// nowhere; no rule or code has anything like it.
const whisper = "quokkafall"

// named are fields whose value is a name, a code or a date, which an error may
// say: without it nobody could mend it.
func named(s spot) bool {
	r := s.one().GetString()
	return r.GetPattern() != "" || r.GetUuid()
}

// TestPrivacy puts a word into every text of every request, alone and
// together, well and badly formed, by gRPC, REST and Connect, and looks for it
// in the log at its most talkative, in the metrics and in every error.
func TestPrivacy(t *testing.T) {
	t.Parallel()
	var log locked
	w := newWorld(t, servertest.Options{Metrics: true, Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug, AddSource: true}))})
	said := 0
	hear := func(m rpc, what string, err error) {
		if err == nil {
			return
		}
		said++
		st := status.Convert(err)
		if text := strings.ToLower(fmt.Sprint(st.Message(), st.Details())); strings.Contains(text, whisper) {
			t.Errorf("%s: %s comes back in an error: %s", m.short, what, text)
		}
	}
	for _, m := range contract(t) {
		base := good[m.short](w)
		everywhere := proto.Clone(base)
		for _, s := range spots(m.Input()) {
			if s.field.Kind() != protoreflect.StringKind || s.field.IsMap() {
				continue
			}
			words := "the " + whisper + " happened"
			_, err := send(w.As(m.role), w.Conn(), m, wire(t, s.with(base, protoreflect.ValueOfString(words))))
			hear(m, "a word in "+s.path, err)
			_, err = send(w.As(m.role), w.Conn(), m, wire(t, s.with(base, protoreflect.ValueOfString(strings.Repeat(whisper+" ", 3000)))))
			hear(m, "many words in "+s.path, err)
			_, err = send(w.As(m.role), w.Conn(), m, append(wire(t, s.with(base, protoreflect.ValueOfString(words))), 0xff))
			hear(m, "a torn message with a word in "+s.path, err)
			if !named(s) && !s.output && s.field.Name() != "etag" && s.field.Name() != "page_token" && !coded(s) {
				everywhere = s.with(everywhere, protoreflect.ValueOfString(words))
			}
			base = good[m.short](w)
		}
		_, err := send(w.As(m.role), w.Conn(), m, wire(t, everywhere))
		hear(m, "words everywhere", err)
		_, err = send(w.As("worker"), w.Conn(), m, wire(t, everywhere))
		hear(m, "words of the wrong role", err)
		_, err = send(t.Context(), w.Conn(), m, wire(t, everywhere))
		hear(m, "words of a stranger", err)
		w.whisperByWeb(t, m, everywhere)
	}
	require.Greater(t, said, 500)

	// What was told well is there, and findable: the words did go in.
	require.NotEmpty(t, w.search(t, whisper))
	log.mu.Lock()
	lines := strings.ToLower(log.b.String())
	log.mu.Unlock()
	require.Greater(t, strings.Count(lines, "msg=call"), 500)
	for line := range strings.SplitSeq(lines, "\n") {
		if strings.Contains(line, whisper) || strings.Contains(line, "exampleton") || strings.Contains(line, "fableton") || strings.Contains(line, "hung-up") {
			t.Errorf("the log says: %s", line)
		}
		require.NotContains(t, line, "test-adviser", "a token is in the log")
	}
	resp, err := web.Get("http://" + w.Metrics + "/metrics")
	require.NoError(t, err)
	defer resp.Body.Close()
	var metrics bytes.Buffer
	_, err = metrics.ReadFrom(resp.Body)
	require.NoError(t, err)
	require.Contains(t, metrics.String(), `fairlead_calls_total{code="OK",method="ReportService.FileReport"}`)
	require.Contains(t, metrics.String(), `fairlead_projection_behind{projection="search"} 0`)
	for _, word := range []string{whisper, "exampleton", "northside", "people/", "reports/", "principals/"} {
		require.NotContains(t, strings.ToLower(metrics.String()), word)
	}
}

// coded reports whether a text is a code, a zone or an identifier, so that the
// word in it would only be refused.
func coded(s spot) bool {
	for _, end := range []string{"time_zone", "jurisdiction", "language_code", "edition", "nature", "bodily_location", "mechanism", "agency", "parent", "quantity_unit", "key", "short_code"} {
		if strings.HasSuffix(s.path, end) {
			return true
		}
	}
	return false
}

// whisperByWeb sends the words by REST and by Connect, also as no JSON and in
// the address.
func (w *world) whisperByWeb(t *testing.T, m rpc, req proto.Message) {
	t.Helper()
	raw, err := protojson.Marshal(req)
	require.NoError(t, err)
	words := "the " + whisper + " happened"
	nameless := `{"` + words + `": "` + words + `", "report": {"kind": "` + words + `"}}`
	for _, body := range []string{string(raw), string(raw)[:len(raw)-1], nameless, `{"report": "` + words + `"}`} {
		code, _, out := w.curl(t, m.role, http.MethodPost, m.path, body, "Content-Type", "application/json", "Connect-Protocol-Version", "1")
		if code >= 400 {
			require.NotContains(t, strings.ToLower(out), whisper, m.short)
		}
	}
	verb, target, _, ok := rest(t, m, good[m.short](w))
	if !ok {
		return
	}
	query := url.QueryEscape(words)
	for _, at := range []string{target, addQuery(target, query+"="+query), addQuery(target, "pageSize="+query), addQuery(target, "pageToken="+query)} {
		code, _, out := w.curl(t, m.role, verb, at, nameless)
		if code >= 400 {
			require.NotContains(t, strings.ToLower(out), whisper, m.short)
		}
	}
}

// TestTellerStaysAway files a confidential and an anonymous report and looks
// for who told in everything that others may read.
func TestTellerStaysAway(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	client := pb.NewReportServiceClient(w.Conn())
	for _, mode := range []pb.TellerMode{pb.TellerMode_TELLER_MODE_CONFIDENTIAL, pb.TellerMode_TELLER_MODE_ANONYMOUS} {
		req := filing(w)
		req.Report.TellerMode, req.Report.Harms = mode, nil
		req.Teller = &pb.Teller{DisplayName: "Ember Quokkafall", Contact: "0400 000 000"}
		if mode == pb.TellerMode_TELLER_MODE_ANONYMOUS {
			req.Teller = nil
		}
		_, err := client.FileReport(w.As("worker"), req)
		require.NoError(t, err, reasons(err))
	}
	w.Ready(w.Head())
	for _, m := range contract(t) {
		if m.writes() || m.IsStreamingServer() || m.IsStreamingClient() {
			continue
		}
		for _, role := range []string{"supervisor", "representative", "committee", "auditor", "administrator", "integration", "worker"} {
			out, err := send(w.As(role), w.Conn(), m, wire(t, good[m.short](w)))
			text := strings.ToLower(string(out) + fmt.Sprint(err))
			require.NotContains(t, text, whisper, "%s as %s", m.short, role)
			require.NotContains(t, text, "0400 000 000")
		}
	}
}
