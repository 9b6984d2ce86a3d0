package desk

import (
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// limiter allows so many tries per source and span; enough for a crew behind
// one address, too few for a program that guesses.
type limiter struct {
	clock func() time.Time
	most  int
	span  time.Duration
	mu    sync.Mutex
	seen  map[string]window
}

type window struct {
	begun time.Time
	n     int
}

func newLimiter(clock func() time.Time, most int, span time.Duration) *limiter {
	return &limiter{clock: clock, most: most, span: span, seen: map[string]window{}}
}

func (l *limiter) allow(source string) bool {
	now := l.clock()
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.seen) > 10_000 {
		for k, w := range l.seen {
			if now.Sub(w.begun) > l.span {
				delete(l.seen, k)
			}
		}
	}
	w := l.seen[source]
	if now.Sub(w.begun) > l.span {
		w = window{begun: now}
	}
	w.n++
	l.seen[source] = w
	return w.n <= l.most
}

// remote is the address that a request came from. Behind a proxy on the same
// machine it is the one that the proxy saw; what anybody else claims is not
// believed.
func remote(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return host
	}
	said := r.Header.Get("X-Forwarded-For")
	if last := strings.TrimSpace(said[strings.LastIndexByte(said, ',')+1:]); last != "" {
		return last
	}
	return host
}
