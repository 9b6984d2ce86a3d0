package tablet

import (
	"sync"
	"time"
)

// limiter counts what comes from an address in a stretch of time.
type limiter struct {
	clock func() time.Time
	most  int
	per   time.Duration

	mu    sync.Mutex
	began time.Time
	seen  map[string]int
}

func newLimiter(clock func() time.Time, most int, per time.Duration) *limiter {
	return &limiter{clock: clock, most: most, per: per, seen: map[string]int{}}
}

// allow counts one from an address and reports whether it may be.
func (l *limiter) allow(address string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.clock()
	if now.Sub(l.began) >= l.per || now.Before(l.began) {
		l.began = now
		clear(l.seen)
	}
	l.seen[address]++
	return l.seen[address] <= l.most
}
