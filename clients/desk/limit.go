package desk

import (
	"net"
	"net/http"
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

// remote is the address that a request came from.
func remote(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}
