package postgres_test

import (
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
)

// proxy stands between a store and its database and cuts connections.
type proxy struct {
	to string
	l  net.Listener
	wg sync.WaitGroup
	// deaf drops requests to cancel a statement.
	deaf atomic.Bool
	// closed turns every new connection away.
	closed atomic.Bool

	mu    sync.Mutex
	conns map[net.Conn]bool
	// cut, once armed, decides over the next message to the database.
	cut *cut
}

// cut is where a connection breaks: before the next message reaches the
// database, after it did, or after the answer has left the database.
type cut struct{ forward, answered bool }

// newProxy returns a proxy and the address of the database behind it.
func newProxy(t *testing.T, address string) (*proxy, string) {
	t.Helper()
	u, err := url.Parse(address)
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{to: u.Host, l: l, conns: map[net.Conn]bool{}}
	p.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			if p.closed.Load() {
				_ = c.Close()
				continue
			}
			p.wg.Go(func() { p.serve(c) })
		}
	})
	t.Cleanup(func() {
		require.NoError(t, l.Close())
		p.cutAll()
		p.wg.Wait()
	})
	u.Host = l.Addr().String()
	return p, u.String()
}

// arm cuts at the next message that a connection which writes sends. Such a one
// is told by the lock it takes.
func (p *proxy) arm(c cut) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = &c
}

// cutAll ends every connection.
func (p *proxy) cutAll() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		_ = c.Close()
	}
}

func (p *proxy) taken() *cut {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := p.cut
	p.cut = nil
	return c
}

func (p *proxy) keep(c net.Conn, in bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if in {
		p.conns[c] = true
	} else {
		delete(p.conns, c)
	}
}

// cancelRequest is how a connection begins that asks to cancel what another
// does (PostgreSQL's manual, 55.7: message formats).
const cancelRequest = 80877102

func (p *proxy) serve(client net.Conn) {
	defer client.Close()
	server, err := net.Dial("tcp", p.to)
	if err != nil {
		return
	}
	defer server.Close()
	for _, c := range []net.Conn{client, server} {
		p.keep(c, true)
		defer p.keep(c, false)
	}
	// Once mute, the answer is swallowed and the client cut off.
	mute := make(chan struct{})
	var back sync.WaitGroup
	back.Go(func() {
		defer client.Close()
		b := make([]byte, 64<<10)
		for {
			n, err := server.Read(b)
			if err != nil {
				return
			}
			select {
			case <-mute:
				return
			default:
			}
			if _, err := client.Write(b[:n]); err != nil {
				return
			}
		}
	})
	defer back.Wait()
	defer server.Close()
	b := make([]byte, 64<<10)
	writes := false
	for {
		n, err := client.Read(b)
		if err != nil {
			return
		}
		if p.deaf.Load() && n == 16 && binary.BigEndian.Uint32(b[4:]) == cancelRequest {
			return
		}
		writes = writes || bytes.Contains(b[:n], []byte("pg_advisory_xact_lock"))
		var c *cut
		if writes {
			c = p.taken()
		}
		if c == nil {
			if _, err := server.Write(b[:n]); err != nil {
				return
			}
			continue
		}
		close(mute)
		if !c.forward {
			return
		}
		if _, err := server.Write(b[:n]); err != nil {
			return
		}
		if c.answered {
			back.Wait()
		}
		_ = client.Close()
		// The database finds the end of the stream only after what was sent.
		_ = server.(*net.TCPConn).CloseWrite()
		_, _ = io.Copy(io.Discard, server)
		return
	}
}
