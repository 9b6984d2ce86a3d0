package server

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// control notes the deadlines that are set.
type control struct {
	http.ResponseWriter
	reads, writes []time.Time
}

func (c *control) SetReadDeadline(t time.Time) error  { c.reads = append(c.reads, t); return nil }
func (c *control) SetWriteDeadline(t time.Time) error { c.writes = append(c.writes, t); return nil }

// TestPrompt: a body has a minute and a file a quarter of an hour; once it is
// whole, the work on it may take as long as it takes.
func TestPrompt(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		path, kind, body string
		reads            time.Duration
		endless          bool
	}{
		{"/v1/reports", "application/json", "{}", bodyTime, false},
		{"/v1/reports/x/attachments", "image/jpeg", "x", fileTime, false},
		{"/report", "multipart/form-data; boundary=x", "x", fileTime, false},
		{"/fairlead.v1.ChangeService/WatchChanges", "application/connect+json", "x", fileTime, true},
		{"/v1/reports", "", "", 0, false},
	} {
		w := &control{ResponseWriter: httptest.NewRecorder()}
		var body io.Reader
		if c.body != "" {
			body = strings.NewReader(c.body)
		}
		r := httptest.NewRequest(http.MethodPost, c.path, body)
		r.Header.Set("Content-Type", c.kind)
		prompt(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, _ = io.ReadAll(r.Body) })).ServeHTTP(w, r)
		require.Equal(t, c.endless, w.writes[0].IsZero(), c.path)
		if c.reads == 0 {
			require.Empty(t, w.reads)
			continue
		}
		require.WithinDuration(t, time.Now().Add(c.reads), w.reads[0], 10*time.Second, c.path)
		require.True(t, w.reads[len(w.reads)-1].IsZero(), "lifted")
	}
}
