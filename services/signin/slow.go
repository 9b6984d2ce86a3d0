package signin

import (
	"sync"
	"time"
)

// slow slows down who guesses: so many tries are free, then each further one
// waits twice as long as the one before. It lives in the memory of one server:
// with several servers somebody who reaches all of them has as many times the
// tries, which passwords of twelve characters bear.
type slow struct {
	clock   func() time.Time
	free    int
	longest time.Duration

	mu    sync.Mutex
	tries map[string]*tries
}

type tries struct {
	n           int
	until, last time.Time
}

const (
	firstWait  = 2 * time.Second
	forgetting = time.Hour
	// mostKeys bounds the memory. Whoever fills it with names of their own
	// invention makes it forget none that is waiting.
	mostKeys = 100_000
)

func newSlow(clock func() time.Time, free int, longest time.Duration) *slow {
	return &slow{clock: clock, free: free, longest: longest, tries: map[string]*tries{}}
}

// try counts a try at what key names and returns how long to wait before it;
// 0 means now. An empty key is never slowed.
func (t *slow) try(key string) time.Duration {
	if key == "" {
		return 0
	}
	now := t.clock()
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.tries) >= mostKeys {
		t.sweep(now)
	}
	e := t.tries[key]
	if e == nil || now.Sub(e.last) > forgetting {
		if e == nil && len(t.tries) >= mostKeys {
			return firstWait // full of what waits: nobody new is tried just now
		}
		e = &tries{}
		t.tries[key] = e
	}
	if wait := e.until.Sub(now); wait > 0 {
		return wait
	}
	e.n++
	e.last = now
	if over := e.n - t.free; over >= 0 {
		e.until = now.Add(min(t.longest, firstWait<<min(over, 20)))
	}
	return 0
}

// forget holds nothing against key any more.
func (t *slow) forget(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.tries, key)
}

// forgive takes back one try.
func (t *slow) forgive(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if e := t.tries[key]; e != nil && e.n > 0 {
		e.n--
		if e.n < t.free {
			e.until = time.Time{}
		}
	}
}

// sweep drops what waits for nothing: first what is old, then what was tried
// only now and then.
func (t *slow) sweep(now time.Time) {
	for k, e := range t.tries {
		if now.Sub(e.last) > forgetting {
			delete(t.tries, k)
		}
	}
	if len(t.tries) < mostKeys {
		return
	}
	for k, e := range t.tries {
		if e.n < t.free {
			delete(t.tries, k)
		}
	}
}
