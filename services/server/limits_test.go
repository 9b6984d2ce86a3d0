package server

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"fairlead/services/access"
)

type spot struct{ network, at string }

func (a spot) Network() string { return a.network }
func (a spot) String() string  { return a.at }

// TestCaller: only the pages, from within, may say where a call came from.
func TestCaller(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from   net.Addr
		says   string
		want   string
		within bool
	}{
		{spot{"tcp", "192.0.2.7:4000"}, "", "192.0.2.7", false},
		{spot{"tcp", "192.0.2.7:4000"}, "203.0.113.9", "192.0.2.7", false},
		{spot{"tcp", "[2001:db8::1]:4000"}, "", "2001:db8::1", false},
		{spot{"bufconn", "bufconn"}, "203.0.113.9", "203.0.113.9", true},
		{spot{"bufconn", "bufconn"}, "", "", true},
	} {
		ctx := peer.NewContext(t.Context(), &peer.Peer{Addr: c.from})
		if c.says != "" {
			ctx = metadata.NewIncomingContext(ctx, metadata.Pairs(callerHeader, c.says))
		}
		got, within := caller(ctx)
		require.Equal(t, c.want, got)
		require.Equal(t, c.within, within)
	}
	_, within := caller(context.Background())
	require.False(t, within)
}

func TestRemoteOf(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from string
		said []string
		want string
	}{
		{"192.0.2.7:5000", []string{"203.0.113.9"}, "192.0.2.7"},
		{"127.0.0.1:5000", nil, "127.0.0.1"},
		{"127.0.0.1:5000", []string{"198.51.100.1, 203.0.113.9"}, "203.0.113.9"},
		{"127.0.0.1:5000", []string{"198.51.100.1", "203.0.113.9"}, "203.0.113.9"},
		{"127.0.0.1:5000", []string{"<script>"}, "127.0.0.1"},
		{"[::1]:5000", []string{"2001:db8::1"}, "2001:db8::1"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.RemoteAddr = c.from
		r.Header["X-Forwarded-For"] = c.said
		require.Equal(t, c.want, remoteOf(r), "%v", c)
	}
}

func TestLimits(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	l := newLimits(Limits{Principal: Rate{1, 3}, Device: Rate{1, 2}, Address: Rate{10, 5}, Uploads: 2}, func() time.Time { return now })
	many := func(n int, do func() error) (ok int) {
		for range n {
			if err := do(); err == nil {
				ok++
			} else {
				require.Equal(t, codes.ResourceExhausted, status.Code(err))
				require.Len(t, status.Convert(err).Details(), 2, "with the time to wait")
			}
		}
		return ok
	}
	who := func(name, device string) func() error {
		return func() error { return l.of(access.Principal{Name: name, Device: device}) }
	}
	require.Equal(t, 3, many(10, who("principals/a", "")))
	require.Equal(t, 3, many(10, who("principals/b", "")), "one does not use up another's")
	require.Equal(t, 2, many(10, who("principals/c", "devices/1")))
	require.Equal(t, 0, many(10, who("principals/d", "devices/1")), "a tablet has one measure, whoever stands before it")
	require.Equal(t, 10, many(10, who(formPrincipal, "")), "the open form is everybody's; its addresses are counted")
	now = now.Add(2 * time.Second)
	require.Equal(t, 2, many(10, who("principals/a", "")))
	require.Equal(t, 5, many(10, func() error { return l.from("192.0.2.1") }))
	require.Equal(t, 10, many(10, func() error { return l.from("127.0.0.1") }))
	n := 0
	require.Equal(t, 5, many(10, func() error { n++; return l.from(fmt.Sprintf("2001:db8::%d", n)) }), "one network of IPv6 is one")
	zero := newLimits(Limits{}, time.Now)
	require.Equal(t, 50, many(50, func() error { return zero.of(access.Principal{Name: "principals/a"}) }))

	a := access.Principal{Name: "principals/a"}
	first, err := l.upload(a)
	require.NoError(t, err)
	_, err = l.upload(a)
	require.NoError(t, err)
	_, err = l.upload(a)
	require.Equal(t, codes.Unavailable, status.Code(err))
	_, err = l.upload(access.Principal{Name: "principals/b"})
	require.NoError(t, err)
	first()
	_, err = l.upload(a)
	require.NoError(t, err)

	for i := range mostBuckets + 10 {
		_ = l.from(fmt.Sprintf("198.18.%d.%d", i/250, i%250))
	}
	require.LessOrEqual(t, len(l.address.all), mostBuckets)
}

// TestPagesAreBounded: pages are counted by address, with a plain word.
func TestPagesAreBounded(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	l := newLimits(Limits{Address: Rate{1, 2}}, func() time.Time { return now })
	h := l.known(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	get := func(path string) int {
		w := httptest.NewRecorder()
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.RemoteAddr = "192.0.2.1:999"
		h.ServeHTTP(w, r)
		if w.Code == http.StatusTooManyRequests {
			require.NotEmpty(t, w.Header().Get("Retry-After"))
		}
		return w.Code
	}
	require.Equal(t, []int{200, 200, 429}, []int{get("/"), get("/report"), get("/")})
	require.Equal(t, 200, get("/v1/myself"), "calls are counted at the gate")
}
