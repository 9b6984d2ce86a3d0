package moment

import (
	"context"
	"errors"
	"sync"
	"time"

	"fairlead/services/fault"
)

// Limits bound what a Keeper holds and does.
type Limits struct {
	// Worlds is how many past worlds are kept at most.
	Worlds int
	// Changes is how many changes the kept worlds were built from at most,
	// together: memory goes by them. The newest built is kept all the same.
	Changes int64
	// Waiting is how many worlds may be asked for and not built yet.
	Waiting int
}

// Usual are the limits of a server: memory of about two more projections of a
// million changes.
var Usual = Limits{Worlds: 4, Changes: 2_000_000, Waiting: 16}

// Keeper builds past worlds and keeps the few that were asked for last. A world
// is whatever build makes of the log as it stood; it must not change any more.
// All methods may be called concurrently.
type Keeper[W any] struct {
	build  func(ctx context.Context, log *Log) (W, error)
	from   Ledger
	limits Limits

	// turn lets one build run at a time: the present needs the machine, too.
	turn chan struct{}
	stop context.Context
	end  context.CancelFunc
	wait sync.WaitGroup

	mu     sync.Mutex
	held   map[int64]*held[W]
	tick   int64
	builds int64
}

// held is a world, or one that is being built.
type held[W any] struct {
	seq     int64
	done    chan struct{}
	cancel  context.CancelFunc
	waiting int
	used    int64
	built   bool
	world   W
	err     error
}

// NewKeeper returns a keeper of worlds of a ledger.
func NewKeeper[W any](from Ledger, limits Limits, build func(ctx context.Context, log *Log) (W, error)) *Keeper[W] {
	k := &Keeper[W]{build: build, from: from, limits: limits, turn: make(chan struct{}, 1), held: map[int64]*held[W]{}}
	k.stop, k.end = context.WithCancel(context.Background())
	return k
}

// At returns the world as it stood at a point, building it when it is not at
// hand. However many ask for the same one, it is built once. A build that nobody
// waits for any more is stopped, unless time ran out for the last who did: who
// asks again then finds it further on.
func (k *Keeper[W]) At(ctx context.Context, p Point) (W, error) {
	k.mu.Lock()
	h, ok := k.held[p.Seq]
	if !ok {
		if k.stop.Err() != nil || k.unbuilt() >= k.limits.Waiting {
			k.mu.Unlock()
			var none W
			return none, fault.Busy(time.Second)
		}
		h = &held[W]{seq: p.Seq, done: make(chan struct{})}
		var ctx context.Context
		ctx, h.cancel = context.WithCancel(k.stop)
		k.held[p.Seq] = h
		k.wait.Go(func() { k.run(ctx, h, p) })
	}
	h.waiting++
	k.tick++
	h.used = k.tick
	k.mu.Unlock()

	var err error
	select {
	case <-h.done:
	case <-ctx.Done():
		err = ctx.Err()
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	h.waiting--
	if err == nil {
		return h.world, h.err
	}
	if h.waiting == 0 && !h.built && errors.Is(err, context.Canceled) {
		h.cancel()
		k.forget(h)
	}
	var none W
	if errors.Is(err, context.DeadlineExceeded) {
		err = fault.Busy(time.Second)
	}
	return none, err
}

// run builds one world when its turn comes.
func (k *Keeper[W]) run(ctx context.Context, h *held[W], p Point) {
	defer close(h.done)
	defer h.cancel()
	select {
	case k.turn <- struct{}{}:
		defer func() { <-k.turn }()
	case <-ctx.Done():
	}
	var world W
	err := ctx.Err()
	if err == nil {
		k.mu.Lock()
		k.builds++
		k.mu.Unlock()
		world, err = k.build(ctx, NewLog(k.from, p))
	}
	if err != nil && ctx.Err() != nil {
		// Who joined between the last leaving and the end of the build asks
		// again; so does whoever is still there when the server stops.
		err = fault.Busy(time.Second)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if h.world, h.err, h.built = world, err, true; err != nil {
		k.forget(h)
		return
	}
	k.trim(h)
}

// trim forgets the worlds that nobody has asked for longest, until what is left
// is within the limits. The newest is never forgotten.
func (k *Keeper[W]) trim(newest *held[W]) {
	for {
		var oldest *held[W]
		n, changes := 0, int64(0)
		for _, h := range k.held {
			if !h.built {
				continue
			}
			n, changes = n+1, changes+h.seq
			if h != newest && (oldest == nil || h.used < oldest.used) {
				oldest = h
			}
		}
		if oldest == nil || n <= k.limits.Worlds && changes <= k.limits.Changes {
			return
		}
		k.forget(oldest)
	}
}

func (k *Keeper[W]) forget(h *held[W]) {
	if k.held[h.seq] == h {
		delete(k.held, h.seq)
	}
}

// Forget forgets every world, also those that are being built: whoever waits for
// one gets it, and nobody after.
func (k *Keeper[W]) Forget() {
	k.mu.Lock()
	defer k.mu.Unlock()
	clear(k.held)
}

func (k *Keeper[W]) unbuilt() (n int) {
	for _, h := range k.held {
		if !h.built {
			n++
		}
	}
	return n
}

// Counts returns how many worlds were begun to be built since the start, and
// how many are kept now.
func (k *Keeper[W]) Counts() (builds int64, kept int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.builds, len(k.held) - k.unbuilt()
}

// Close stops what is being built and waits until it has stopped.
func (k *Keeper[W]) Close() {
	k.mu.Lock()
	k.end() // within the lock: nothing is begun after it
	k.mu.Unlock()
	k.wait.Wait()
	k.mu.Lock()
	defer k.mu.Unlock()
	clear(k.held)
}
