package facts

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
)

// Source is the part of the ledger that the projection reads.
type Source interface {
	ledger.Source
	Head(ctx context.Context) (ledger.Head, error)
}

// Tree is what is asked of the tree of workplaces. It follows the same log: a
// change of a workplace is waited for before anything after it is applied.
type Tree interface {
	// Get returns a workplace, for its title.
	Get(name string) (*pb.Workplace, bool)
	// Below returns the workplace and all below it.
	Below(name string) []string
	// Path returns the workplaces from the root down to name.
	Path(name string) []string
	// Location returns the time zone in force at a workplace.
	Location(name string) *time.Location
	// Wait returns when the tree has applied change seq.
	Wait(ctx context.Context, seq int64) error
}

// CodeTree is what is asked of the code tables.
type CodeTree interface {
	// AtLevel returns the code above (or the code itself) at a level of the
	// facet's list, 1 at the top, with its title. A code that is not so deep,
	// or not in the table, comes back as it is.
	AtLevel(facet pb.Facet, code string, level int32) (above, title string)
	// Title returns the title of a code; empty when it is not in the table.
	Title(facet pb.Facet, code string) string
}

// batch is how many changes are applied under one lock: a reader then waits a
// few milliseconds at most.
const batch = 5_000

// Facts is the projection. All methods may be called concurrently.
type Facts struct {
	source Source
	tree   Tree
	codes  CodeTree
	cursor ledger.Cursor

	// Along, if set before CatchUp, is handed every change that was applied, in
	// order and before Seq says so: reading the log is what a start takes its
	// time for, and a small projection that needs all of it needs no second
	// reading.
	Along func(ctx context.Context, changes []ledger.Change)

	// mu guards columns and is held for writing while a batch is applied.
	mu      sync.RWMutex
	columns *columns
}

// New returns an empty projection of the log in source.
func New(source Source, tree Tree, codes CodeTree) *Facts {
	return &Facts{source: source, tree: tree, codes: codes, columns: newColumns()}
}

// Seq returns the last change applied.
func (f *Facts) Seq() int64 { return f.cursor.Seq() }

// Wait returns when change seq has been applied, or with ctx's error.
func (f *Facts) Wait(ctx context.Context, seq int64) error { return f.cursor.Wait(ctx, seq) }

// CatchUp brings the projection to the head that the log has now. The tree of
// workplaces must have caught up before, or be following.
func (f *Facts) CatchUp(ctx context.Context) error {
	head, err := f.source.Head(ctx)
	if err != nil {
		return fmt.Errorf("facts: catch up: %w", err)
	}
	// Reading takes far longer than applying, and one reader has one processor:
	// the next few stretches are read at once, each by its own numbers, and
	// applied in order.
	g, ctx := errgroup.WithContext(ctx)
	parts := make(chan chan []ledger.Change, ahead)
	g.Go(func() error {
		defer close(parts)
		for from := f.Seq(); from < head.Seq; from += batch {
			part, to := make(chan []ledger.Change, 1), min(from+batch, head.Seq)
			select {
			case parts <- part:
			case <-ctx.Done():
				return ctx.Err()
			}
			g.Go(func() error {
				defer close(part)
				changes, err := f.stretch(ctx, from, to)
				part <- changes
				return err
			})
		}
		return nil
	})
	g.Go(func() error {
		for part := range parts {
			changes := <-part
			if len(changes) == 0 {
				// It could not be read; whoever read it says why.
				<-ctx.Done()
				return ctx.Err()
			}
			if err := f.apply(ctx, changes); err != nil {
				return err
			}
		}
		return ctx.Err()
	})
	return g.Wait()
}

// ahead is how many stretches of the log are read before they are applied.
const ahead = 3

// stretch reads the changes after from up to to, all of them.
func (f *Facts) stretch(ctx context.Context, from, to int64) ([]ledger.Change, error) {
	var out []ledger.Change
	for from < to {
		changes, err := f.source.Changes(ctx, from, int(to-from))
		if err != nil {
			return nil, fmt.Errorf("facts: catch up after %d: %w", from, err)
		}
		if len(changes) == 0 || changes[0].Seq != from+1 {
			return nil, fmt.Errorf("facts: catch up after %d: the log has a gap: run the check", from)
		}
		from = changes[len(changes)-1].Seq
		if out == nil {
			out = changes
			continue
		}
		out = append(out, changes...)
	}
	return out, nil
}

// Run follows the log until ctx ends.
func (f *Facts) Run(ctx context.Context) error {
	return ledger.Follow(ctx, f.source, f.Seq(), batch, f.apply)
}

// apply brings changes into the columns, in order. Changes seen before are
// skipped, so that they may be handed over twice.
func (f *Facts) apply(ctx context.Context, changes []ledger.Change) error {
	seen := f.Seq()
	for len(changes) > 0 && changes[0].Seq <= seen {
		changes = changes[1:]
	}
	if len(changes) == 0 {
		return nil
	}
	decoded, err := decodeAll(changes)
	if err != nil {
		return err
	}
	moved := false
	for i, d := range slices.Backward(decoded) {
		if d.workplace {
			// Outside the lock: readers must not wait for the tree.
			if err := f.tree.Wait(ctx, changes[i].Seq); err != nil {
				return fmt.Errorf("facts: wait for the workplaces at %d: %w", changes[i].Seq, err)
			}
			moved = true
			break
		}
	}
	last := changes[len(changes)-1].Seq
	if err := f.put(decoded, moved, last); err != nil {
		return err
	}
	if f.Along != nil {
		f.Along(ctx, changes)
	}
	f.cursor.Advance(last)
	return nil
}

func (f *Facts) put(decoded []decodedChange, moved bool, last int64) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	c := f.columns
	if moved {
		c.moveZones(f.tree.Location)
	}
	for _, d := range decoded {
		if err := c.put(d, f.tree.Location); err != nil {
			return err
		}
	}
	c.settle()
	c.seq = last
	return nil
}

// decodeAll decodes a batch on all processors, in order.
func decodeAll(changes []ledger.Change) ([]decodedChange, error) {
	out := make([]decodedChange, len(changes))
	var g errgroup.Group
	chunk := max(256, (len(changes)+runtime.GOMAXPROCS(0)-1)/runtime.GOMAXPROCS(0))
	for start := 0; start < len(changes); start += chunk {
		end := min(start+chunk, len(changes))
		g.Go(func() error {
			for i := start; i < end; i++ {
				d, err := decode(changes[i])
				if err != nil {
					return err
				}
				out[i] = d
			}
			return nil
		})
	}
	return out, g.Wait()
}
