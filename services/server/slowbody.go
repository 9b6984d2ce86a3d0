package server

import (
	"io"
	"net/http"
	"strings"
	"time"
)

const (
	// bodyTime is how long the body of an ordinary request may take, answerTime
	// how long its answer.
	bodyTime   = time.Minute
	answerTime = 5 * time.Minute
)

// prompt gives up on requests that trickle in and on callers who do not take
// their answer. Files and streams have more time.
func prompt(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := http.NewResponseController(w)
		kind := r.Header.Get("Content-Type")
		streams := strings.HasPrefix(kind, "application/connect+") || strings.HasPrefix(kind, "application/grpc")
		reads, writes := bodyTime, time.Now().Add(answerTime)
		if streams || strings.HasPrefix(kind, "multipart/") || strings.HasSuffix(r.URL.Path, "/attachments") {
			reads, writes = fileTime, time.Now().Add(fileTime+answerTime)
		}
		if streams {
			writes = time.Time{} // a watch goes on; it is bounded at the gate
		}
		// Not every connection has deadlines: those within a test have none.
		_ = c.SetWriteDeadline(writes)
		if r.Body != nil && r.Body != http.NoBody {
			_ = c.SetReadDeadline(time.Now().Add(reads))
			r.Body = &timed{ReadCloser: r.Body, control: c}
		}
		next.ServeHTTP(w, r)
	})
}

// timed lifts the deadline once a body is whole: work that takes longer than
// the reading did would else be taken for a caller who went away.
type timed struct {
	io.ReadCloser
	control *http.ResponseController
}

// Read implements io.Reader.
func (t *timed) Read(p []byte) (int, error) {
	n, err := t.ReadCloser.Read(p)
	if err == io.EOF {
		_ = t.control.SetReadDeadline(time.Time{})
	}
	return n, err
}
