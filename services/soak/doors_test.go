package soak

import (
	"context"
	"sync"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
)

// doors are the servers that clients may use at the moment: one, or several
// over one store. A server that was killed has no door until it is back.
type doors struct {
	mu    sync.Mutex
	up    map[int]door
	lives int
	moved chan struct{} // closed and made anew at each change
}

// door leads to one life of one server.
type door struct {
	conn *grpc.ClientConn
	// life is another after each start; head was the end of the log then.
	life int
	head int64
}

func newDoors() *doors { return &doors{up: map[int]door{}, moved: make(chan struct{})} }

// dial reaches a server.
func dial(address string) (*grpc.ClientConn, error) {
	return grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDisableServiceConfig(), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
}

// open lets clients use server n.
func (d *doors) open(n int, conn *grpc.ClientConn, head int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lives++
	d.up[n] = door{conn, d.lives, head}
	d.wake()
}

// shut takes server n away from clients; calls that are under way go on until
// the server ends them.
func (d *doors) shut(n int) func() {
	d.mu.Lock()
	defer d.mu.Unlock()
	old, ok := d.up[n]
	delete(d.up, n)
	d.wake()
	return func() {
		if ok {
			_ = old.conn.Close()
		}
	}
}

func (d *doors) wake() {
	close(d.moved)
	d.moved = make(chan struct{})
}

// get returns a door of a server that is up, the pick-th of them, and waits for
// one.
func (d *doors) get(ctx context.Context, pick int) (door, error) {
	for {
		d.mu.Lock()
		moved := d.moved
		for n := range 8 {
			if at, ok := d.up[(pick+n)%8]; ok {
				d.mu.Unlock()
				return at, nil
			}
		}
		d.mu.Unlock()
		select {
		case <-moved:
		case <-ctx.Done():
			return door{}, ctx.Err()
		}
	}
}

// with adds an access token to what is sent.
func with(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}
