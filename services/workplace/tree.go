package workplace

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// followBatch is how many changes are taken from the log at once.
const followBatch = 500

// Reader is the part of a ledger that the tree follows.
type Reader interface {
	ledger.Source
	Head(ctx context.Context) (ledger.Head, error)
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// Tree is the tree of workplaces in memory. It follows the log; readers never
// wait for it and always see one whole state. All methods may be called
// concurrently, but only one CatchUp or Run at a time does work.
type Tree struct {
	log   Reader
	clock func() time.Time

	cursor ledger.Cursor
	// now is the state that readers see; it is replaced, never changed.
	now atomic.Pointer[forest]

	// mu guards stored, which only the follower touches.
	mu     sync.Mutex
	stored map[string]*entry
}

// entry is a workplace as stored, with the revision that it is from.
type entry struct {
	own      *pb.Workplace
	revision int64
}

// NewTree returns an empty tree that follows log. CatchUp fills it.
func NewTree(log Reader, clock func() time.Time) *Tree {
	t := &Tree{log: log, clock: clock, stored: make(map[string]*entry)}
	t.now.Store(&forest{nodes: map[string]*node{}})
	return t
}

// CatchUp brings the tree to the head of the log. The first time it reads the
// workplaces as they are rather than the whole log, so that a long log costs
// nothing at start.
func (t *Tree) CatchUp(ctx context.Context) error {
	head, err := t.log.Head(ctx)
	if err != nil {
		return fmt.Errorf("workplace: catch up: %w", err)
	}
	if t.cursor.Seq() >= head.Seq {
		return nil
	}
	// What is listed may be newer than head, never older: changes after head
	// are then seen again by Run, and their revision says so.
	t.mu.Lock()
	defer t.mu.Unlock()
	after := ""
	for {
		page, err := t.log.List(ctx, record.KindWorkplace, "workplaces/", after, 1000)
		if err != nil {
			return fmt.Errorf("workplace: catch up: %w", err)
		}
		for _, r := range page {
			if err := t.take(r.Name, r.Body, r.Revision); err != nil {
				return err
			}
			after = r.Name
		}
		if len(page) < 1000 {
			break
		}
	}
	return t.publish(head.Seq)
}

// Run follows the log until ctx ends, and returns its error.
func (t *Tree) Run(ctx context.Context) error {
	return ledger.Follow(ctx, t.log, t.cursor.Seq(), followBatch, t.apply)
}

func (t *Tree) apply(_ context.Context, changes []ledger.Change) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	moved := false
	for _, c := range changes {
		if c.Kind != record.KindWorkplace || c.Erased {
			continue
		}
		if err := t.take(c.Name, c.Body, c.Revision); err != nil {
			return err
		}
		moved = true
	}
	last := changes[len(changes)-1].Seq
	if !moved {
		t.cursor.Advance(last)
		return nil
	}
	return t.publish(last)
}

// take stores a workplace unless a newer revision is there already.
func (t *Tree) take(name string, body []byte, revision int64) error {
	if e, ok := t.stored[name]; ok && e.revision >= revision {
		return nil
	}
	w := &pb.Workplace{}
	if err := record.Read(body, revision, w); err != nil {
		return fmt.Errorf("workplace: tree: %w", err)
	}
	t.stored[name] = &entry{own: w, revision: revision}
	return nil
}

// publish shows readers the state as stored, then moves the cursor: whoever
// waited for a number finds what it wrote.
func (t *Tree) publish(seq int64) error {
	f, err := grow(t.stored)
	if err != nil {
		return err
	}
	t.now.Store(f)
	t.cursor.Advance(seq)
	return nil
}

// Wait returns when the tree reflects seq, or with ctx's error.
func (t *Tree) Wait(ctx context.Context, seq int64) error { return t.cursor.Wait(ctx, seq) }

// Seq returns the sequence number that the tree reflects.
func (t *Tree) Seq() int64 { return t.cursor.Seq() }

// Get returns a workplace with its time zone and jurisdiction filled in from
// above where it has none of its own. The message is a copy.
func (t *Tree) Get(name string) (*pb.Workplace, bool) {
	n, ok := t.now.Load().nodes[name]
	if !ok {
		return nil, false
	}
	return proto.Clone(n.effective).(*pb.Workplace), true
}

// Has reports whether a workplace is in the tree.
func (t *Tree) Has(name string) bool {
	_, ok := t.now.Load().nodes[name]
	return ok
}

// Root returns the name of the root, or "" while there is none.
func (t *Tree) Root() string { return t.now.Load().root }

// Within reports whether workplace is ancestor or stands below it. A name that
// is not in the tree is within nothing.
func (t *Tree) Within(workplace, ancestor string) bool {
	f := t.now.Load()
	w, a := f.nodes[workplace], f.nodes[ancestor]
	return w != nil && a != nil && a.enter <= w.enter && w.enter < a.leave
}

// Below returns the workplace itself and all below it, sorted; nothing for a
// name that is not in the tree.
func (t *Tree) Below(name string) []string {
	f := t.now.Load()
	n, ok := f.nodes[name]
	if !ok {
		return nil
	}
	out := slices.Clone(f.order[n.enter:n.leave])
	slices.Sort(out)
	return out
}

// Path returns the way from the root to the workplace, both included; nothing
// for a name that is not in the tree.
func (t *Tree) Path(name string) []string {
	n, ok := t.now.Load().nodes[name]
	if !ok {
		return nil
	}
	return slices.Clone(n.path)
}

// Location returns the time zone in which the days of a workplace run. A name
// that is not in the tree gets that of the root, and UTC while there is none.
func (t *Tree) Location(name string) *time.Location {
	f := t.now.Load()
	if n, ok := f.nodes[name]; ok {
		return n.zone
	}
	if n, ok := f.nodes[f.root]; ok {
		return n.zone
	}
	return time.UTC
}

// Closed reports whether the workplace, or one above it, is closed now.
func (t *Tree) Closed(name string) bool { return t.ClosedAt(name, t.clock()) }

// ClosedAt reports whether the workplace, or one above it, was closed at a
// given time.
func (t *Tree) ClosedAt(name string, at time.Time) bool {
	n, ok := t.now.Load().nodes[name]
	return ok && !n.close.IsZero() && !at.Before(n.close)
}

// Nearest returns up to limit names in the tree that look most like name, best
// first, for messages about a name that is not there.
func (t *Tree) Nearest(name string, limit int) []string {
	f := t.now.Load()
	type scored struct {
		name string
		far  int
	}
	want := strings.TrimPrefix(name, prefix)
	all := make([]scored, 0, len(f.order))
	for _, n := range f.order {
		id := strings.TrimPrefix(n, prefix)
		far := distance(want, id)
		// A part of the name counts as close, however much is missing.
		if want != "" && (strings.Contains(id, want) || strings.Contains(want, id)) {
			far = min(far, 2)
		}
		if far <= max(2, len(want)/2) {
			all = append(all, scored{n, far})
		}
	}
	slices.SortFunc(all, func(a, b scored) int {
		if a.far != b.far {
			return a.far - b.far
		}
		return strings.Compare(a.name, b.name)
	})
	var out []string
	for _, s := range all[:min(limit, len(all))] {
		out = append(out, s.name)
	}
	return out
}
