package server

import (
	"context"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"fairlead/services/access"
	"fairlead/services/fault"
)

// Rate bounds how often something may happen: so often a second over time, and
// so often at once after a quiet while. The zero value bounds nothing.
type Rate struct {
	PerSecond float64
	Burst     int
}

// Limits bound what one caller may ask for, so that none takes what the others
// need. The zero value bounds nothing.
type Limits struct {
	// Principal bounds the calls of one principal, Device those of one shared
	// tablet, Address those from one network address, pages included.
	Principal, Device, Address Rate
	// Uploads bounds how many files one principal or tablet may send at once.
	Uploads int
}

// DefaultLimits are generous: a tablet that comes back after weeks sends two
// hundred reports at once, and a depot of sixty people is one address.
func DefaultLimits() Limits {
	return Limits{Principal: Rate{50, 500}, Device: Rate{20, 300}, Address: Rate{200, 2000}, Uploads: 6}
}

// callerHeader is the header in which the pages, which call from within, say
// from what address they were asked. It is believed from within only.
const callerHeader = "fairlead-caller"

// formPrincipal files what comes in by the open form, from everybody.
const formPrincipal = "principals/report-form"

// caller returns the network address that a call came from, and whether it came
// from within the process. What the house does for itself has no address.
func caller(ctx context.Context) (address string, within bool) {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return "", false
	}
	if p.Addr.Network() == "bufconn" {
		md, _ := metadata.FromIncomingContext(ctx)
		if v := md.Get(callerHeader); len(v) == 1 {
			return v[0], true
		}
		return "", true
	}
	host, _, err := net.SplitHostPort(p.Addr.String())
	if err != nil {
		host = p.Addr.String()
	}
	return host, false
}

// limits counts what callers ask for.
type limits struct {
	Limits
	clock                      func() time.Time
	principal, device, address buckets

	mu      sync.Mutex
	uploads map[string]int
}

func newLimits(l Limits, clock func() time.Time) *limits {
	if clock == nil {
		clock = time.Now
	}
	return &limits{Limits: l, clock: clock, principal: newBuckets(l.Principal), device: newBuckets(l.Device), address: newBuckets(l.Address),
		uploads: map[string]int{}}
}

// from refuses a call that comes too soon after others from its address. This
// machine is not bounded: a proxy on it speaks for everybody.
func (l *limits) from(address string) error {
	if ip := net.ParseIP(address); address == "" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return l.address.take(prefixOf(address), l.clock())
}

// prefixOf is what one household or depot has: an address of IPv4, or the first
// 64 bits of one of IPv6, of which everybody has as many as they like.
func prefixOf(address string) string {
	ip := net.ParseIP(address)
	if ip == nil || ip.To4() != nil {
		return address
	}
	return ip.Mask(net.CIDRMask(64, 128)).String()
}

// of refuses a call that comes too soon after others of the same caller.
func (l *limits) of(who access.Principal) error {
	switch {
	case who.Device != "":
		return l.device.take(who.Device, l.clock())
	case who.Name == "" || who.Name == formPrincipal:
		return nil
	}
	return l.principal.take(who.Name, l.clock())
}

// upload lets a caller send one more file; done says that it is over.
func (l *limits) upload(who access.Principal) (done func(), err error) {
	key := who.Name
	if who.Device != "" {
		key = who.Device
	}
	if l.Uploads <= 0 || key == formPrincipal {
		return func() {}, nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.uploads[key] >= l.Uploads {
		return nil, fault.Busy(5 * time.Second)
	}
	l.uploads[key]++
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.uploads[key]--; l.uploads[key] <= 0 {
			delete(l.uploads, key)
		}
	}, nil
}

// buckets are token buckets, one for each key.
type buckets struct {
	rate Rate
	mu   *sync.Mutex
	all  map[string]*bucket
}

type bucket struct {
	*rate.Limiter
	last time.Time
}

// mostBuckets bounds the memory.
const mostBuckets = 50_000

func newBuckets(r Rate) buckets {
	return buckets{rate: r, mu: new(sync.Mutex), all: map[string]*bucket{}}
}

func (b buckets) take(key string, now time.Time) error {
	if b.rate.PerSecond <= 0 {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	e := b.all[key]
	if e == nil {
		if len(b.all) >= mostBuckets {
			b.sweep(now)
		}
		e = &bucket{Limiter: rate.NewLimiter(rate.Limit(b.rate.PerSecond), max(b.rate.Burst, 1))}
		b.all[key] = e
	}
	e.last = now
	if e.AllowN(now, 1) {
		return nil
	}
	return fault.Slowed(time.Duration(float64(time.Second) / b.rate.PerSecond))
}

// sweep drops the buckets that are full again: a new one is as full. If all are
// in use, it drops them all, which lets everybody begin anew.
func (b buckets) sweep(now time.Time) {
	full := time.Duration(float64(time.Second) * float64(b.rate.Burst) / b.rate.PerSecond)
	for k, e := range b.all {
		if now.Sub(e.last) > full {
			delete(b.all, k)
		}
	}
	if len(b.all) >= mostBuckets {
		clear(b.all)
	}
}

// remoteOf is the address that a request came from. From a proxy on this machine
// it is the one that the proxy saw; what anybody else claims is not believed.
func remoteOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return host
	}
	said := strings.Join(r.Header.Values("X-Forwarded-For"), ",")
	if ip := net.ParseIP(strings.TrimSpace(said[strings.LastIndexByte(said, ',')+1:])); ip != nil {
		return ip.String()
	}
	return host
}

// known makes what follows know the address that a request really came from,
// and bounds how many there are of pages; calls are counted at the gate.
func (l *limits) known(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from := remoteOf(r)
		r.RemoteAddr = net.JoinHostPort(from, "0")
		if !strings.HasPrefix(r.URL.Path, "/v1/") && !strings.HasPrefix(r.URL.Path, "/fairlead.v1.") {
			if err := l.from(from); err != nil {
				w.Header().Set("Retry-After", strconv.Itoa(1))
				w.Header().Set("Cache-Control", "no-store")
				http.Error(w, "too many requests from your address in a short time; wait a moment and try again", http.StatusTooManyRequests)
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}
