package masking

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/mask"
	"fairlead/services/record"
)

// followBatch is how many changes are taken from the log at once.
const followBatch = 500

// Log is the part of a ledger that names are followed and reports covered by.
type Log interface {
	ledger.Source
	Head(ctx context.Context) (ledger.Head, error)
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
	Get(ctx context.Context, name string) (ledger.Resource, error)
	GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error)
}

// Names are the people and the places of the house, in memory. They follow the
// log; readers never wait for them. All methods may be called concurrently, but
// only one CatchUp or Run at a time does work.
type Names struct {
	log    Log
	cursor ledger.Cursor
	// now is what readers see; it is replaced, never changed.
	now atomic.Pointer[mask.House]

	mu             sync.Mutex
	people, places map[string]named
	// gone are the words of people that were erased, by the change that did it,
	// until somebody has asked: nobody else remembers them.
	gone map[int64][]string
}

// named is somebody's or some place's name, of a revision.
type named struct {
	text     string
	revision int64
}

// NewNames returns names that follow log. CatchUp fills them.
func NewNames(log Log) *Names {
	n := &Names{log: log, people: map[string]named{}, places: map[string]named{}, gone: map[int64][]string{}}
	n.now.Store(mask.NewHouse(mask.Known{}))
	return n
}

// House is what is known now.
func (n *Names) House() *mask.House { return n.now.Load() }

// Wait returns when the names reflect seq, or with ctx's error.
func (n *Names) Wait(ctx context.Context, seq int64) error { return n.cursor.Wait(ctx, seq) }

// Seq returns the sequence number that the names reflect.
func (n *Names) Seq() int64 { return n.cursor.Seq() }

// CatchUp brings the names to the head of the log: they are read as they are, so
// that a long log costs nothing at start.
func (n *Names) CatchUp(ctx context.Context) error {
	head, err := n.log.Head(ctx)
	if err != nil {
		return fmt.Errorf("masking: catch up: %w", err)
	}
	if n.Seq() >= head.Seq {
		return nil
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	// What is listed may be newer than head, never older: Run sees those changes
	// again, and their revision says so.
	for kind, prefix := range map[string]string{record.KindPerson: "people/", record.KindWorkplace: "workplaces/"} {
		err := each(ctx, n.log, kind, prefix, func(r ledger.Resource) error {
			return n.take(r.Kind, r.Name, r.Body, r.Revision, 0)
		})
		if err != nil {
			return fmt.Errorf("masking: catch up: %w", err)
		}
	}
	n.publish(head.Seq)
	return nil
}

// Run follows the log until ctx ends, and returns its error.
func (n *Names) Run(ctx context.Context) error {
	return ledger.Follow(ctx, n.log, n.Seq(), followBatch, n.apply)
}

func (n *Names) apply(_ context.Context, changes []ledger.Change) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	moved := false
	for _, c := range changes {
		if c.Kind != record.KindPerson && c.Kind != record.KindWorkplace || len(c.Body) == 0 {
			continue
		}
		moved = true
		if err := n.take(c.Kind, c.Name, c.Body, c.Revision, c.Seq); err != nil {
			return err
		}
	}
	last := changes[len(changes)-1].Seq
	if !moved {
		n.cursor.Advance(last)
		return nil
	}
	n.publish(last)
	return nil
}

// take notes a name unless a newer revision of it is there.
func (n *Names) take(kind, name string, body []byte, revision, seq int64) error {
	into := n.people
	if kind == record.KindWorkplace {
		into = n.places
	}
	if into[name].revision >= revision {
		return nil
	}
	text, err := nameIn(kind, body, revision)
	if err != nil {
		return err
	}
	if was := into[name].text; kind == record.KindPerson && text == "" && was != "" && seq > 0 {
		n.gone[seq] = mask.PersonWords(was)
	}
	into[name] = named{text, revision}
	return nil
}

// nameIn reads a name; that of somebody who was erased is empty.
func nameIn(kind string, body []byte, revision int64) (string, error) {
	if kind == record.KindWorkplace {
		w := &pb.Workplace{}
		err := record.Read(body, revision, w)
		return w.GetTitle(), err
	}
	p := &pb.Person{}
	if err := record.Read(body, revision, p); err != nil || record.ErasedPerson(p) {
		return "", err
	}
	return p.GetDisplayName(), nil
}

// publish shows readers the names as they are, then moves the cursor.
func (n *Names) publish(seq int64) {
	var k mask.Known
	for _, p := range n.people {
		k.People = append(k.People, p.text)
	}
	for _, p := range n.places {
		k.Places = append(k.Places, p.text)
	}
	n.now.Store(mask.NewHouse(k))
	n.cursor.Advance(seq)
}

// Moved returns the words that are covered otherwise since a change of the log:
// reports without them read as before. all says that the words are not known any
// more, so that any report may read otherwise.
func (n *Names) Moved(ctx context.Context, c ledger.Change) (words []string, all bool, err error) {
	parts := mask.PersonWords
	switch c.Kind {
	case record.KindPerson:
	case record.KindWorkplace:
		parts = mask.PlaceWords
	default:
		return nil, false, nil
	}
	if len(c.Body) == 0 {
		return nil, true, nil
	}
	now, err := nameIn(c.Kind, c.Body, c.Revision)
	if err != nil {
		return nil, false, err
	}
	var before []string
	if c.Revision > 1 {
		was, err := n.log.GetAt(ctx, c.Name, c.Seq-1)
		if err != nil {
			return nil, false, fmt.Errorf("masking: name before its change: %w", err)
		}
		if len(was.Body) == 0 {
			n.mu.Lock()
			gone, known := n.gone[c.Seq]
			delete(n.gone, c.Seq)
			n.mu.Unlock()
			return gone, !known, nil
		}
		text, err := nameIn(c.Kind, was.Body, was.Revision)
		if err != nil {
			return nil, false, err
		}
		before = parts(text)
	}
	after := parts(now)
	for _, w := range slices.Concat(before, after) {
		if slices.Contains(before, w) != slices.Contains(after, w) {
			words = append(words, w)
		}
	}
	return words, false, nil
}

// each visits the resources of a kind that are not empty.
func each(ctx context.Context, l interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}, kind, prefix string, visit func(ledger.Resource) error) error {
	const chunk = 1000
	for after := ""; ; {
		page, err := l.List(ctx, kind, prefix, after, chunk)
		if err != nil {
			return err
		}
		for _, res := range page {
			after = res.Name
			if len(res.Body) == 0 {
				continue
			}
			if err := visit(res); err != nil {
				return err
			}
		}
		if len(page) < chunk {
			return nil
		}
	}
}
