package proof

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"fairlead/clients/tablet"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// house is a server with the tablet's app, and a network in front of it that
// can fail.
type house struct {
	*servertest.Server
	t   *testing.T
	web string
	// options start the server; backend is where it listens.
	options servertest.Options
	backend atomic.Pointer[url.URL]
	// away makes the network dead: nothing gets through.
	away atomic.Bool
	// lost is how many answers are lost on the way back, after the server has
	// done what was asked.
	lost atomic.Int64
	// worker is added to the app's worker, which makes it another version.
	worker atomic.Value
	// cut lets so many sealed things through, and then makes the network dead.
	cut atomic.Int64
	// refuse turns every sealed thing away, as what cannot be taken is.
	refuse atomic.Bool
	// sent counts sealed things that reached the server.
	sent atomic.Int64
}

type houseOptions struct {
	idle  time.Duration
	clock func() time.Time
	card  tablet.Settings
	// closed turns away tablets that are not enrolled.
	closed bool
}

// newHouse starts an empty house with a few workplaces.
func newHouse(t *testing.T, o houseOptions) *house {
	t.Helper()
	if o.idle == 0 {
		o.idle = 10 * time.Minute
	}
	if o.card.Card.Radio == "" {
		lat, lon := -33.12345, 150.54321
		o.card = tablet.Settings{Home: "workplaces/northside", Card: tablet.Card{
			Numbers: []tablet.Number{{Who: "Depot supervisor", Number: "0491 570 006"}},
			Radio:   "Channel 12", Place: "Northside depot, 14 Works Lane", Latitude: &lat, Longitude: &lon}}
	}
	h := &house{t: t}
	h.options = servertest.Options{Data: t.TempDir(), Clock: o.clock, Desk: func(conn grpc.ClientConnInterface, form string) (http.Handler, error) {
		if o.closed {
			form = ""
		}
		return tablet.Handler(conn, tablet.Options{FormToken: form, Idle: o.idle, Settings: o.card, Clock: o.clock})
	}}
	h.start()
	h.Shire()
	h.front()
	return h
}

// start starts the server, anew on the same data after it was stopped.
func (h *house) start() {
	h.t.Helper()
	h.Server = servertest.Start(h.t, h.options)
	h.backend.Store(&url.URL{Scheme: "http", Host: h.Web})
}

// front puts the failing network in front of the server.
func (h *house) front() {
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(h.backend.Load())
			r.Out.Host = r.In.Host
			if strings.HasSuffix(r.In.URL.Path, "/sw.js") {
				r.Out.Header.Set("Accept-Encoding", "identity")
				r.Out.Header.Del("If-None-Match")
			}
		},
		ModifyResponse: func(r *http.Response) error {
			if more, ok := h.worker.Load().(string); ok && strings.HasSuffix(r.Request.URL.Path, "/sw.js") {
				body, err := io.ReadAll(r.Body)
				if err != nil {
					return err
				}
				body = append(body, more...)
				r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
				r.Header.Set("Content-Length", strconv.Itoa(len(body)))
				r.Header.Del("ETag")
			}
			return nil
		},
		ErrorHandler: func(w http.ResponseWriter, _ *http.Request, _ error) { hangUp(w) },
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if h.away.Load() {
			hangUp(w)
			return
		}
		if strings.HasSuffix(r.URL.Path, "/api/sealed") {
			h.sent.Add(1)
			if h.refuse.Load() {
				w.WriteHeader(http.StatusBadRequest)
				return
			}
			if h.cut.Load() > 0 && h.cut.Add(-1) == 0 {
				h.away.Store(true) // this one still gets through
			}
			if h.lost.Load() > 0 {
				h.lost.Add(-1)
				proxy.ServeHTTP(httptest.NewRecorder(), r)
				hangUp(w)
				return
			}
		}
		proxy.ServeHTTP(w, r)
	}))
	h.t.Cleanup(srv.Close)
	h.web = strings.Replace(srv.URL, "127.0.0.1", "localhost", 1)
}

// hangUp breaks the connection off.
func hangUp(w http.ResponseWriter) {
	h, ok := w.(http.Hijacker)
	if !ok {
		return // nobody hears it anyway
	}
	if conn, _, err := h.Hijack(); err == nil {
		_ = conn.Close()
	}
}

// stored returns all reports, as the adviser sees them.
func (h *house) stored() []*pb.Report {
	h.t.Helper()
	h.Ready(h.Head())
	var out []*pb.Report
	token := ""
	for {
		resp, err := pb.NewReportServiceClient(h.Conn()).ListReports(h.As("adviser"), &pb.ListReportsRequest{PageSize: 500, PageToken: token})
		require.NoError(h.t, err)
		out = append(out, resp.GetReports()...)
		if token = resp.GetNextPageToken(); token == "" {
			return out
		}
	}
}

// attached returns what is attached to a report.
func (h *house) attached(report string) []*pb.Attachment {
	h.t.Helper()
	resp, err := pb.NewAttachmentServiceClient(h.Conn()).ListAttachments(h.As("adviser"), &pb.ListAttachmentsRequest{Parent: report})
	require.NoError(h.t, err)
	return resp.GetAttachments()
}
