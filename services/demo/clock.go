package demo

import (
	"sync"
	"time"
)

// Clock is a clock that can be turned back while the world is made, and shows
// the real time afterwards.
type Clock struct {
	mu    sync.Mutex
	fixed time.Time
}

// Now returns the time the clock is set to, or the real time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fixed.IsZero() {
		return time.Now()
	}
	return c.fixed
}

// Set stops the clock at t.
func (c *Clock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.fixed = t
}

// Release lets the clock run on in real time.
func (c *Clock) Release() { c.Set(time.Time{}) }
