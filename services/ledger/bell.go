package ledger

import "sync"

// Bell wakes watchers. Backends ring it after each commit. A zero Bell is ready
// for use; it must not be copied.
type Bell struct {
	mu       sync.Mutex
	watchers map[chan struct{}]struct{}
}

// Ring wakes every watcher without waiting for any: a watcher that has not yet
// taken its last wake gets no second one.
func (b *Bell) Ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for w := range b.watchers {
		select {
		case w <- struct{}{}:
		default:
		}
	}
}

// Watch returns a channel that receives after each ring, and a function that
// ends the watching. The channel is never closed.
func (b *Bell) Watch() (<-chan struct{}, func()) {
	w := make(chan struct{}, 1)
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.watchers == nil {
		b.watchers = make(map[chan struct{}]struct{})
	}
	b.watchers[w] = struct{}{}
	return w, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.watchers, w)
	}
}
