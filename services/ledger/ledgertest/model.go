package ledgertest

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fairlead/services/ledger"
)

// model runs random writes, good and bad, with reopening in between, against
// the ledger and against plain maps, and compares all that can be read.
func model(t *testing.T, factory Factory) {
	rapid.Check(t, func(rt *rapid.T) {
		one := &scope{TB: t}
		defer one.end()
		m := &machine{t: t, clock: new(Clock), backend: factory(one), world: newWorld()}
		m.l = m.backend.Open(t, m.clock.Now)
		defer func() {
			sound(rt, m.l)
			require.NoError(rt, m.l.Close())
		}()
		rt.Repeat(map[string]func(*rapid.T){
			"write":  m.write,
			"clock":  m.moveClock,
			"reopen": m.reopen,
			"as at":  m.asAt,
			"":       m.compare,
		})
	})
}

// scope ends before its test does: what a backend keeps for one sequence of
// steps goes with it.
type scope struct {
	testing.TB
	cleanups []func()
}

// Cleanup implements testing.TB.
func (s *scope) Cleanup(f func()) { s.cleanups = append(s.cleanups, f) }

func (s *scope) end() {
	for _, f := range slices.Backward(s.cleanups) {
		f()
	}
}

// world is what the ledger should hold.
type world struct {
	log      []ledger.Change
	current  map[string]ledger.Resource
	claims   map[string]string
	requests map[string]answered
	// started is the first change of the write under way, 0 before it.
	started int64
}

type answered struct {
	// forgotten says that something it made was erased, and with it what it asked.
	forgotten bool
	content   string
	receipt   ledger.Receipt
}

func newWorld() *world {
	return &world{current: map[string]ledger.Resource{}, claims: map[string]string{}, requests: map[string]answered{}}
}

func (w *world) clone() *world {
	return &world{
		log: slices.Clone(w.log), current: maps.Clone(w.current),
		claims: maps.Clone(w.claims), requests: maps.Clone(w.requests),
	}
}

type machine struct {
	t       *testing.T
	clock   *Clock
	backend Backend
	l       ledger.Ledger
	world   *world
}

var modelNames = []string{"hours/1", "reports/1", "reports/2", "reports/20"}

// op is one thing a callback does.
type op struct {
	What       string
	Name, Kind string
	Body       string
	IfRevision int64
	Key        string
	Seal       bool
}

func drawOp(t *rapid.T) op {
	return op{
		What:       rapid.SampledFrom([]string{"put", "put", "put", "put", "claim", "release", "erase"}).Draw(t, "op"),
		Name:       rapid.SampledFrom(modelNames).Draw(t, "name"),
		Kind:       rapid.SampledFrom([]string{"Report", "Report", "Report", "Hours"}).Draw(t, "kind"),
		Body:       rapid.StringN(0, 8, -1).Draw(t, "body"),
		IfRevision: rapid.SampledFrom([]int64{ledger.Any, ledger.Any, ledger.Absent, 1, 2, 3}).Draw(t, "if"),
		Key:        rapid.SampledFrom([]string{"k1", "k2"}).Draw(t, "key"),
		Seal:       rapid.Bool().Draw(t, "seal"),
	}
}

func (m *machine) write(rt *rapid.T) {
	r := ask(rapid.SampledFrom([]string{"ann", "bob"}).Draw(rt, "actor"), "", "")
	content := rapid.SampledFrom([]string{"x", "x", "y"}).Draw(rt, "content")
	if n := rapid.IntRange(-3, 3).Draw(rt, "request"); n >= 0 {
		r = ask(r.Actor, fmt.Sprintf("r%d", n), content)
	}
	ops := rapid.SliceOfN(rapid.Custom(drawOp), 0, 5).Draw(rt, "ops")
	refuse := rapid.IntRange(0, 3).Draw(rt, "refuse") == 0
	refused := errors.New("refused")

	var next *world
	ran := false
	receipt, err := m.l.Write(context.Background(), r, func(ctx context.Context, tx ledger.Tx) error {
		// May run twice: start from the committed world each time.
		next, ran = m.world.clone(), true
		for _, o := range ops {
			if differs := next.do(ctx, tx, o, r, m.clock.Now()); differs != "" {
				return fmt.Errorf("op %+v: %s", o, differs)
			}
		}
		tx.SetAnswer([]byte(fmt.Sprint(len(ops))))
		if refuse {
			return refused
		}
		return nil
	})

	if before, known := m.world.requests[r.Actor+" "+r.ID]; known && r.ID != "" {
		require.False(rt, ran, "a known request id must not run")
		if before.content != content && !before.forgotten {
			require.ErrorIs(rt, err, ledger.ErrRequestReused)
			return
		}
		require.NoError(rt, err)
		before.receipt.Replayed = true
		require.Equal(rt, before.receipt, receipt)
		return
	}
	require.True(rt, ran)
	if refuse {
		require.ErrorIs(rt, err, refused)
		return
	}
	require.NoError(rt, err)
	want := ledger.Receipt{Seq: int64(len(next.log)), Answer: []byte(fmt.Sprint(len(ops)))}
	if len(next.log) > len(m.world.log) {
		want.FirstSeq = int64(len(m.world.log)) + 1
	}
	require.Equal(rt, want, receipt)
	if r.ID != "" {
		next.requests[r.Actor+" "+r.ID] = answered{content: content, receipt: want}
	}
	m.world = next
}

// expectPut says what a put should return.
func (w *world) expectPut(o op) error {
	have, ok := w.current[o.Name]
	switch {
	case o.IfRevision == ledger.Absent && ok:
		return ledger.ErrExists
	case o.IfRevision > 0 && !ok:
		return ledger.ErrNotFound
	case o.IfRevision > 0 && have.Revision != o.IfRevision:
		return ledger.ErrStale
	case ok && have.Kind != o.Kind:
		return ledger.ErrInvalid
	}
	return nil
}

// do does one op on the ledger and on the world, and says what differs.
func (w *world) do(ctx context.Context, tx ledger.Tx, o op, r ledger.Request, now time.Time) string {
	differs := func(got, want error) string {
		if want == nil && got == nil || want != nil && errors.Is(got, want) {
			return ""
		}
		return fmt.Sprintf("= %v, want %v", got, want)
	}
	switch o.What {
	case "put":
		want := w.expectPut(o)
		c, err := tx.Put(ctx, ledger.Put{Name: o.Name, Kind: o.Kind, Verb: "v", Body: []byte(o.Body), IfRevision: o.IfRevision, Seal: o.Seal})
		if d := differs(err, want); d != "" || want != nil {
			return d
		}
		if d := cmp.Diff(w.put(o, r, now, c), c); d != "" {
			return d
		}
	case "claim":
		holder, held := w.claims[o.Key]
		var want error
		if held && holder != o.Name {
			want = ledger.ErrClaimed
		}
		if d := differs(tx.Claim(ctx, "space", o.Key, o.Name), want); d != "" || want != nil {
			return d
		}
		w.claims[o.Key] = o.Name
	case "release":
		if d := differs(tx.Release(ctx, "space", o.Key), nil); d != "" {
			return d
		}
		delete(w.claims, o.Key)
	case "erase":
		var want error
		if _, ok := w.current[o.Name]; !ok {
			want = ledger.ErrNotFound
		}
		if d := differs(tx.Erase(ctx, o.Name), want); d != "" || want != nil {
			return d
		}
		w.erase(o.Name)
	}
	got, err := tx.Get(ctx, o.Name)
	want, ok := w.current[o.Name]
	if !ok {
		return differs(err, ledger.ErrNotFound)
	}
	return cmp.Diff(want, got)
}

// erase forgets every body of a name and keeps the rest.
func (w *world) erase(name string) {
	for i := range w.log {
		c := &w.log[i]
		if c.Name != name {
			continue
		}
		if asked, ok := w.requests[c.Actor+" "+c.RequestID]; ok {
			asked.forgotten = true
			w.requests[c.Actor+" "+c.RequestID] = asked
		}
		if !c.Erased && c.BodyHash == ledger.BodyHash(c.Salt, c.Body) { // in the open
			copy(c.Salt[:], c.Salt.Forgotten())
		}
		c.Body, c.Erased = nil, true
	}
	r := w.current[name]
	r.Body, r.Erased = nil, true
	w.current[name] = r
}

// put is the change that a put should make. What is random in it comes from the
// one that it made.
func (w *world) put(o op, r ledger.Request, now time.Time, made ledger.Change) ledger.Change {
	c := ledger.Change{
		Seq: int64(len(w.log)) + 1, Time: now.Truncate(time.Microsecond), Actor: r.Actor, Verb: "v", Name: o.Name, Kind: o.Kind,
		Revision: w.current[o.Name].Revision + 1, RequestID: r.ID,
	}
	if o.Body != "" {
		c.Body = []byte(o.Body)
	}
	if n := len(w.log); n > 0 {
		last := w.log[n-1]
		c.PrevHash = last.Hash
		switch {
		case w.started > 0 && w.started < c.Seq:
			c.Time = last.Time // one write, one stamp
		case c.Time.Before(last.Time):
			c.Time = last.Time.Add(time.Microsecond)
		}
	}
	if w.started == 0 {
		w.started = c.Seq
	}
	c.Salt, c.BodyHash = made.Salt, ledger.BodyHash(made.Salt, c.Body)
	if o.Seal {
		if made.BodyHash == c.BodyHash {
			panic("a sealed body was hashed in the open")
		}
		c.BodyHash = made.BodyHash
	}
	c.Hash = ledger.HashChange(c)
	w.log = append(w.log, c)
	w.current[o.Name] = ledger.Resource{Name: o.Name, Kind: o.Kind, Body: c.Body, Revision: c.Revision, Seq: c.Seq}
	return c
}

func (m *machine) moveClock(rt *rapid.T) {
	m.clock.Add(time.Duration(rapid.Int64Range(-int64(time.Hour), int64(time.Hour)).Draw(rt, "by")))
}

func (m *machine) reopen(rt *rapid.T) {
	// Opening and closing sync a dozen times; now and then is enough.
	if rapid.IntRange(0, 3).Draw(rt, "really") > 0 {
		rt.Skip("not this time")
	}
	require.NoError(rt, m.l.Close())
	m.l = m.backend.Open(m.t, m.clock.Now)
}

func (m *machine) asAt(rt *rapid.T) {
	seq := rapid.Int64Range(0, int64(len(m.world.log))).Draw(rt, "seq")
	name := rapid.SampledFrom(modelNames).Draw(rt, "name")
	want := ledger.Resource{}
	for _, c := range m.world.log[:seq] {
		if c.Name == name {
			want = ledger.Resource{Name: c.Name, Kind: c.Kind, Body: c.Body, Revision: c.Revision, Seq: c.Seq, Erased: c.Erased}
		}
	}
	got, err := m.l.GetAt(context.Background(), name, seq)
	if want.Name == "" {
		require.ErrorIs(rt, err, ledger.ErrNotFound)
		return
	}
	require.NoError(rt, err)
	require.Equal(rt, want, got)
}

// compare reads everything.
func (m *machine) compare(rt *rapid.T) {
	ctx := context.Background()
	log, err := m.l.Changes(ctx, 0, ledger.MaxList)
	require.NoError(rt, err)
	require.Empty(rt, cmp.Diff(m.world.log, log))
	if n := len(log); n > 0 {
		require.Equal(rt, ledger.Head{Seq: log[n-1].Seq, Hash: log[n-1].Hash, Time: log[n-1].Time}, head(rt, m.l))
	}
	list, err := m.l.List(ctx, "", "", "", ledger.MaxList)
	require.NoError(rt, err)
	var want []ledger.Resource
	for _, name := range slices.Sorted(maps.Keys(m.world.current)) {
		want = append(want, m.world.current[name])
	}
	require.Empty(rt, cmp.Diff(want, list))
	for _, key := range []string{"k1", "k2"} {
		name, err := m.l.Claimed(ctx, "space", key)
		if holder, held := m.world.claims[key]; held {
			require.NoError(rt, err)
			require.Equal(rt, holder, name)
		} else {
			require.ErrorIs(rt, err, ledger.ErrNotFound)
		}
	}
}
