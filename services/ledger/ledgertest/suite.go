package ledgertest

import (
	"context"
	"crypto/sha256"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// Factory makes a backend with new, empty data.
type Factory func(tb testing.TB) Backend

// Backend is one set of data that can be opened again and again.
type Backend interface {
	// Open opens the data, which nobody else has open, with a clock.
	Open(tb testing.TB, clock func() time.Time) ledger.Ledger
	// Damage alters the stored data behind the ledger's back while it is
	// closed.
	Damage(tb testing.TB, d Damage)
}

// Damage is one way to tamper with stored data.
type Damage struct {
	// How it is done.
	How How
	// Seq is the change it is done to.
	Seq int64
	// Name is the resource it is done to.
	Name string
}

// How is a kind of tampering.
type How string

// The kinds of tampering a verification must find.
const (
	// AlterBody changes one byte of the body of change Seq.
	AlterBody How = "alter body"
	// AlterActor, AlterVerb, AlterTime and AlterRequestID change that field
	// of change Seq.
	AlterActor     How = "alter actor"
	AlterVerb      How = "alter verb"
	AlterTime      How = "alter time"
	AlterRequestID How = "alter request id"
	// AlterHash changes one byte of the stored hash of change Seq.
	AlterHash How = "alter hash"
	// RemoveChange removes change Seq from the log.
	RemoveChange How = "remove change"
	// CutLog removes all changes from Seq on.
	CutLog How = "cut log"
	// AlterRevision changes the revision of resource Name.
	AlterRevision How = "alter revision"
	// RemoveResource removes resource Name, and leaves its changes.
	RemoveResource How = "remove resource"
	// AddResource adds a resource Name that no change made.
	AddResource How = "add resource"
	// PointBack makes resource Name show its first change as current.
	PointBack How = "point back"
	// AlterSalt changes one byte of the salt of change Seq.
	AlterSalt How = "alter salt"
	// AlterKey changes one byte of the sealing key of Name, RemoveKey removes
	// its entry, MoveKey gives it to another name.
	AlterKey  How = "alter key"
	RemoveKey How = "remove key"
	MoveKey   How = "move key"
	// AlterAnswer changes what is remembered of the request of change Seq,
	// MoveClaim gives a key of Name to another name.
	AlterAnswer How = "alter answer"
	MoveClaim   How = "move claim"
	// ForgetRequest removes the remembered request id of change Seq.
	ForgetRequest How = "forget request"
)

// Run runs the whole suite.
func Run(t *testing.T, factory Factory) {
	for _, c := range []struct {
		name string
		run  func(*testing.T, Factory)
	}{
		{"round trip", roundTrip},
		{"revisions", revisions},
		{"limits", limits},
		{"lists", lists},
		{"claims", claims},
		{"replay", replay},
		{"replay of what was erased", replayErased},
		{"request ids belong to actors", requestActors},
		{"abort", abort},
		{"own puts", ownPuts},
		{"panic and exit", panicAndExit},
		{"misuse", misuse},
		{"context", contexts},
		{"neighbours", neighbours},
		{"many writers", manyWriters},
		{"times", times},
		{"log", logOrder},
		{"history and as at", historyAndAsAt},
		{"wait and watch", waitAndWatch},
		{"follow", follow},
		{"close", closing},
		{"verify", verify},
		{"chain", chain},
		{"seals and erasure", seals},
		{"model", model},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.run(t, factory)
		})
	}
}

// Clock is a clock that tests set. The zero Clock stands at its Start.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// Start is where a new Clock stands.
var Start = time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)

// Now reads the clock.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now.IsZero() {
		c.now = Start
	}
	return c.now
}

// Add moves the clock, backwards too.
func (c *Clock) Add(d time.Duration) {
	now := c.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = now.Add(d)
}

// open opens new data with a clock that stands still.
func open(t *testing.T, factory Factory) (ledger.Ledger, *Clock) {
	t.Helper()
	clock := new(Clock)
	l := factory(t).Open(t, clock.Now)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	return l, clock
}

// as is a request without an id.
func as(actor string) ledger.Request { return ledger.Request{Actor: actor} }

// ask is a request with an id, whose fingerprint stands for its content.
func ask(actor, id, content string) ledger.Request {
	return ledger.Request{Actor: actor, ID: id, Fingerprint: sha256.Sum256([]byte(content))}
}

// report is a put of a made-up report.
func report(id, body string, ifRevision int64) ledger.Put {
	verb := "amend"
	if ifRevision == ledger.Absent {
		verb = "file"
	}
	return ledger.Put{Name: "reports/" + id, Kind: "Report", Verb: verb, Body: []byte(body), IfRevision: ifRevision}
}

// person is a put of a made-up person, sealed.
func person(id, body string) ledger.Put {
	return ledger.Put{Name: "people/" + id, Kind: "Person", Verb: "set", Body: []byte(body), IfRevision: ledger.Any, Seal: true}
}

// puts is a callback that makes the given puts.
func puts(list ...ledger.Put) func(context.Context, ledger.Tx) error {
	return func(ctx context.Context, tx ledger.Tx) error {
		for _, p := range list {
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
		}
		return nil
	}
}

func mustWrite(t *testing.T, l ledger.Ledger, r ledger.Request, list ...ledger.Put) ledger.Receipt {
	t.Helper()
	receipt, err := l.Write(t.Context(), r, puts(list...))
	require.NoError(t, err)
	return receipt
}

// sound requires that a verification finds nothing.
func sound(t require.TestingT, l ledger.Ledger) ledger.Report {
	report, err := l.Verify(context.Background())
	require.NoError(t, err)
	require.Empty(t, report.Problems, "verify must find no problems")
	return report
}

func head(t require.TestingT, l ledger.Ledger) ledger.Head {
	h, err := l.Head(context.Background())
	require.NoError(t, err)
	return h
}

func names(list []ledger.Resource) []string {
	var out []string
	for _, r := range list {
		out = append(out, r.Name)
	}
	return out
}

// numbered makes a name that sorts by its number.
func numbered(i int) string { return fmt.Sprintf("%06d", i) }
