package server

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"connectrpc.com/connect"
	"connectrpc.com/vanguard"
	"connectrpc.com/vanguard/vanguardgrpc"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc"
)

// webDoor serves pages, REST/JSON, Connect and gRPC-Web on one port. /healthz
// says that the process serves, /readyz whether calls should be sent to it.
func webDoor(log *slog.Logger, g *grpc.Server, desk http.Handler, ready func() bool) (http.Handler, error) {
	api, err := vanguardgrpc.NewTranscoder(g,
		vanguard.WithCodec(newJSONCodec),
		vanguard.WithCompression(vanguard.CompressionGzip, func() connect.Compressor { return gzip.NewWriter(io.Discard) }, newBoundedGzip),
		vanguard.WithDefaultServiceOptions(vanguard.WithMaxMessageBufferBytes(maxMessage), vanguard.WithNoTargetCompression()))
	if err != nil {
		return nil, fmt.Errorf("server: web door: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/", apiOnly(asJSON(plainErrors(log, api))))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		fmt.Fprintln(w, "serving")
	})
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		if !ready() {
			w.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprintln(w, "the database does not answer")
			return
		}
		fmt.Fprintln(w, "ready")
	})
	root := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// A service's path has dots, which the mux cannot match by prefix.
		if strings.HasPrefix(r.URL.Path, "/fairlead.v1.") {
			apiOnly(api).ServeHTTP(w, r)
			return
		}
		mux.ServeHTTP(w, r)
	})
	if desk != nil {
		mux.Handle("/", desk)
	}
	return secured(root), nil
}

// apiOnly bounds the body of an API call; the transcoder says so in words
// before this cuts it off.
func apiOnly(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, 2*maxMessage)
		w.Header().Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// asJSON takes any body for JSON that does not say what it is, since curl calls
// whatever it sends a form, and no body for an empty request.
func asJSON(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if ct := r.Header.Get("Content-Type"); ct == "" || strings.HasPrefix(ct, "application/x-www-form-urlencoded") {
			r.Header.Set("Content-Type", "application/json")
		}
		if r.ContentLength == 0 && r.Method != http.MethodGet {
			r.Body, r.ContentLength = io.NopCloser(strings.NewReader("{}")), 2
			r.Header.Del("Content-Encoding")
		}
		next.ServeHTTP(w, r)
	})
}

// secured sets the headers that hold for every answer of the web door. No page
// may run inline script, be framed, or send a referrer.
func secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'; worker-src 'self'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=63072000")
		}
		h.Set("Permissions-Policy", "camera=(self), microphone=(self), geolocation=(self)")
		next.ServeHTTP(w, r)
	})
}

const (
	// maxHeader bounds the headers of a call, headerTime how long they may take.
	maxHeader  = 32 << 10
	headerTime = 10 * time.Second
)

// newHTTP returns an HTTP server that gives up on slow and silent clients. With
// a certificate it speaks TLS only.
func newHTTP(h http.Handler, cert *certificate) *http.Server {
	p := new(http.Protocols)
	p.SetHTTP1(true)
	srv := &http.Server{
		Handler:           h,
		Protocols:         p,
		ReadHeaderTimeout: headerTime,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    maxHeader,
		HTTP2:             &http.HTTP2Config{MaxConcurrentStreams: 250},
	}
	if cert != nil {
		p.SetHTTP2(true)
		srv.TLSConfig = cert.config("h2", "http/1.1")
		// Whoever knocks in clear, or has gone before the greeting, is no news.
		srv.ErrorLog = slog.NewLogLogger(cert.log.Handler(), slog.LevelDebug)
	} else {
		p.SetUnencryptedHTTP2(true)
	}
	return srv
}

// serveHTTP serves until ctx ends, then lets running requests finish.
func serveHTTP(ctx context.Context, l net.Listener, srv *http.Server, grace time.Duration) error {
	failed := make(chan error, 1)
	go func() {
		if srv.TLSConfig != nil {
			failed <- srv.ServeTLS(l, "", "")
			return
		}
		failed <- srv.Serve(l)
	}()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	err := srv.Shutdown(stop)
	if errors.Is(err, context.DeadlineExceeded) {
		// Somebody is still sending, or not listening: enough waited.
		err = srv.Close()
	}
	if serveErr := <-failed; !errors.Is(serveErr, http.ErrServerClosed) {
		err = errors.Join(err, serveErr)
	}
	return err
}

// metricsDoor serves the counts of the server.
func metricsDoor(m *metrics) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
	return mux
}
