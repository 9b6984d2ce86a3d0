package principals

import (
	"sync"
	"time"
)

// Throttle slows down who guesses: after a few wrong tries at one thing each
// further one must wait, twice as long as the one before. It lives in the memory
// of one server; what it guards has enough digits for that.
type Throttle struct {
	clock func() time.Time
	mu    sync.Mutex
	tries map[string]*tries
}

type tries struct {
	wrong int
	until time.Time
	last  time.Time
}

// Limits of a throttle: so many tries are free, then the wait begins and
// doubles up to the longest; after so long without a wrong one all is
// forgotten.
const (
	freeTries  = 5
	firstWait  = 2 * time.Second
	longWait   = 15 * time.Minute
	forgetting = time.Hour
	most       = 100_000
)

// NewThrottle returns a throttle that goes by a clock.
func NewThrottle(clock func() time.Time) *Throttle {
	return &Throttle{clock: clock, tries: map[string]*tries{}}
}

// Wait returns how long to wait before the next try at what key names; 0 means
// now. The try counts as wrong until Right says otherwise.
func (t *Throttle) Wait(key string) time.Duration {
	now := t.clock()
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.tries) >= most {
		t.forget(now)
	}
	e := t.tries[key]
	if e == nil || now.Sub(e.last) > forgetting {
		e = &tries{}
		t.tries[key] = e
	}
	if wait := e.until.Sub(now); wait > 0 {
		return wait
	}
	e.wrong++
	e.last = now
	if over := e.wrong - freeTries; over >= 0 {
		e.until = now.Add(min(longWait, firstWait<<min(over, 20)))
	}
	return 0
}

// Right says that the last try was right: nothing is held against key.
func (t *Throttle) Right(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.tries, key)
}

// forget drops what is old, and all of it if nothing is: memory is bounded.
func (t *Throttle) forget(now time.Time) {
	for k, e := range t.tries {
		if now.Sub(e.last) > forgetting {
			delete(t.tries, k)
		}
	}
	if len(t.tries) >= most {
		clear(t.tries)
	}
}
