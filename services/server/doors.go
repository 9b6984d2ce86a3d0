package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"connectrpc.com/vanguard"
	"connectrpc.com/vanguard/vanguardgrpc"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
)

// webDoor serves pages, REST/JSON, Connect and gRPC-Web on one port.
func webDoor(g *grpc.Server, desk http.Handler) (http.Handler, error) {
	api, err := vanguardgrpc.NewTranscoder(g,
		vanguard.WithCodec(func(res vanguard.TypeResolver) vanguard.Codec {
			codec := vanguard.NewJSONCodec(res)
			// Zero counts are answers here, not blanks: say them.
			codec.MarshalOptions = protojson.MarshalOptions{EmitDefaultValues: true, Resolver: res}
			codec.UnmarshalOptions = protojson.UnmarshalOptions{Resolver: res}
			return codec
		}),
		vanguard.WithDefaultServiceOptions(vanguard.WithMaxMessageBufferBytes(maxMessage)))
	if err != nil {
		return nil, fmt.Errorf("server: web door: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/", apiOnly(api))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		fmt.Fprintln(w, "serving")
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

// apiOnly bounds the body of an API call.
func apiOnly(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, maxMessage)
		// curl calls any body it sends a form; everything under /v1 is JSON.
		if ct := r.Header.Get("Content-Type"); ct == "" || strings.HasPrefix(ct, "application/x-www-form-urlencoded") {
			r.Header.Set("Content-Type", "application/json")
		}
		w.Header().Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// secured sets the headers that hold for every answer of the web door. No page
// may run inline script, be framed, or send a referrer.
func secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'; worker-src 'self'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(self), microphone=(self), geolocation=(self)")
		next.ServeHTTP(w, r)
	})
}

// newHTTP returns an HTTP server that gives up on slow and silent clients.
func newHTTP(h http.Handler) *http.Server {
	p := new(http.Protocols)
	p.SetHTTP1(true)
	p.SetUnencryptedHTTP2(true)
	return &http.Server{
		Handler:           h,
		Protocols:         p,
		ReadHeaderTimeout: 10 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
	}
}

// serveHTTP serves until ctx ends, then lets running requests finish.
func serveHTTP(ctx context.Context, l net.Listener, srv *http.Server, grace time.Duration) error {
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	err := srv.Shutdown(stop)
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
