package search

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/blevesearch/bleve/v2"
	index "github.com/blevesearch/bleve_index_api"

	"fairlead/services/access"
	"fairlead/services/ledger"
)

// ErrClosed says that the index is closed, or not open yet.
var ErrClosed = errors.New("search: the index is closed")

// ErrNotReady says that the index has not caught up with the log since it was
// opened, so that an answer could leave out reports.
var ErrNotReady = errors.New("search: the index has not caught up yet")

// Ledger is the part of the ledger that the index follows and passages are cut
// from.
type Ledger interface {
	ledger.Source
	Get(ctx context.Context, name string) (ledger.Resource, error)
	GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error)
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
	Head(ctx context.Context) (ledger.Head, error)
}

// Tree is the tree of workplaces.
type Tree interface {
	access.Tree
	// Below is a workplace and all below it, and nothing for a name that is
	// not in the tree.
	Below(name string) []string
	Root() string
	// Location is the time zone in which the days of a workplace run.
	Location(name string) *time.Location
	Wait(ctx context.Context, seq int64) error
	Seq() int64
}

// Options adjust a projection. The zero value is right for production.
type Options struct {
	// Log hears of rebuilds and of reports that cannot be read; nil is
	// silent. What was told never reaches it.
	Log *slog.Logger
	// Covers covers what says who somebody is; nil covers nothing.
	Covers Covers
	// Fresh throws the index away and starts from the first change.
	Fresh bool
}

// Projection is the index of reports, which follows the log. All methods may
// be called concurrently; only one CatchUp or Run at a time.
type Projection struct {
	dir  string
	log  *slog.Logger
	led  Ledger
	tree Tree
	lang *language
	// covers covers what others may not read.
	covers Covers

	cursor ledger.Cursor
	ready  atomic.Bool

	// mu keeps readers and the exchange of the index apart.
	mu  sync.RWMutex
	idx bleve.Index
	adv index.Index

	// What follows is touched only by the one goroutine that applies.

	// applied is the mark that the cursor shows; stored is the one that the
	// index itself holds, which may be behind.
	applied, stored mark
	// zonesAt is the state of the tree by which the first day in the index
	// was told: 0 when that is not known, -1 before there is any.
	zonesAt int64
	// coversAt is the same of the names by which the first report was covered.
	coversAt int64
	// cleanTo is the change up to which nothing that was erased can have come
	// into the index; unclean says that something may be in its files.
	cleanTo int64
	unclean bool
	// broken says that the index could not be written, and must be opened
	// anew before it is used again: see mend.
	broken bool
}

// Open opens the index in the folder dir, which belongs to the projection
// alone. An index that is damaged, or was made by another version, is thrown
// away; CatchUp then fills it from the first change.
func Open(dir string, l Ledger, t Tree, opts Options) (*Projection, error) {
	p := &Projection{dir: dir, log: opts.Log, led: l, tree: t, lang: newLanguage(), covers: opts.Covers}
	if p.covers == nil {
		p.covers = uncovered{}
	}
	if p.log == nil {
		p.log = slog.New(slog.DiscardHandler)
	}
	if err := p.open(opts.Fresh); err != nil {
		return nil, err
	}
	return p, nil
}

// open opens the index and reads how far it is.
func (p *Projection) open(fresh bool) error {
	idx, why, err := openIndex(p.dir, fresh)
	if err != nil {
		return err
	}
	adv, err := idx.Advanced()
	if err != nil {
		return errors.Join(fmt.Errorf("search: open index: %w", err), idx.Close())
	}
	at, err := idx.GetInternal(keyMark)
	if err != nil {
		return errors.Join(fmt.Errorf("search: open index: %w", err), idx.Close())
	}
	due, err := idx.GetInternal(keyPurge)
	if err != nil {
		return errors.Join(fmt.Errorf("search: open index: %w", err), idx.Close())
	}
	p.unclean = len(due) > 0
	p.stored = decodeMark(at)
	p.zonesAt, p.coversAt = 0, 0
	if why != "" {
		p.log.Info("search index starts empty", "why", why)
		p.zonesAt, p.coversAt = -1, -1
	}
	p.mu.Lock()
	p.idx, p.adv = idx, adv
	p.mu.Unlock()
	return nil
}

// CatchUp brings the index to the head of the log. Searching is refused until
// it has returned once.
func (p *Projection) CatchUp(ctx context.Context) error {
	head, err := p.led.Head(ctx)
	if err != nil {
		return fmt.Errorf("search: catch up: %w", err)
	}
	if err := p.settle(ctx, head); err != nil {
		return err
	}
	if p.Seq() == 0 {
		// What was erased before now was erased before it could come in.
		p.cleanTo = head.Seq
	}
	for p.Seq() < head.Seq {
		changes, err := p.led.Changes(ctx, p.Seq(), roundSize)
		if err != nil {
			return fmt.Errorf("search: catch up: %w", err)
		}
		if len(changes) == 0 {
			return fmt.Errorf("search: catch up: the log ends at %d before its head %d: run the check", p.Seq(), head.Seq)
		}
		if err := p.apply(ctx, changes); err != nil {
			return fmt.Errorf("search: catch up: %w", err)
		}
	}
	if err := p.store(); err != nil {
		return err
	}
	p.ready.Store(true)
	if err := p.purge(ctx); err != nil && ctx.Err() == nil {
		// It can be searched all the same, and is cleaned while following.
		p.log.Warn("the search index could not be cleaned of words that were erased", "error", err)
	}
	return ctx.Err()
}

// settle makes sure that the index belongs to this ledger, as far as it goes:
// a ledger that was put back from a backup does not know the changes that the
// index knows, or knows others.
func (p *Projection) settle(ctx context.Context, head ledger.Head) error {
	if p.Seq() > 0 {
		return nil
	}
	ours, err := p.belongs(ctx)
	if err != nil {
		return err
	}
	if !ours {
		p.log.Warn("search index belongs to another log; it is made anew", "index_at", p.stored.seq, "log_at", head.Seq)
		if err := p.close(); err != nil {
			return err
		}
		if err := p.open(true); err != nil {
			return err
		}
	}
	p.applied = p.stored
	p.cursor.Advance(p.stored.seq)
	return nil
}

// belongs reports whether the log holds the change that the index ends with.
func (p *Projection) belongs(ctx context.Context) (bool, error) {
	if p.stored.seq == 0 {
		return true, nil
	}
	at, err := p.led.Changes(ctx, p.stored.seq-1, 1)
	if err != nil {
		return false, fmt.Errorf("search: catch up: %w", err)
	}
	return len(at) == 1 && at[0].Seq == p.stored.seq && at[0].Hash == p.stored.hash, nil
}

// Run follows the log until ctx ends, and returns its error. It may be called
// again after another error, such as of a disk that was full.
func (p *Projection) Run(ctx context.Context) error {
	if err := p.mend(); err != nil {
		return err
	}
	err := p.follow(ctx)
	if ctx.Err() != nil {
		return err
	}
	// At once, so that what was there before can be found meanwhile.
	return errors.Join(err, p.mend())
}

// mend opens a broken index anew, as it is on disk. That holds at least what
// the cursor says, because a batch is waited for until it is on disk. The
// library itself cannot go on: it closes the segment that it could not write,
// although its view of the index still holds that segment, and the next who
// uses it panics (bleve 2.6.3, scorch.Batch).
func (p *Projection) mend() error {
	if !p.broken {
		return nil
	}
	if err := p.close(); err != nil {
		return err
	}
	idx, err := reopen(filepath.Join(p.dir, folder))
	if err != nil {
		return fmt.Errorf("search: open index anew: %w", err)
	}
	adv, err := idx.Advanced()
	if err != nil {
		return errors.Join(fmt.Errorf("search: open index anew: %w", err), idx.Close())
	}
	at, err := idx.GetInternal(keyMark)
	if err != nil {
		return errors.Join(fmt.Errorf("search: open index anew: %w", err), idx.Close())
	}
	p.mu.Lock()
	p.idx, p.adv = idx, adv
	p.mu.Unlock()
	p.stored, p.broken = decodeMark(at), false
	return nil
}

func (p *Projection) follow(ctx context.Context) error {
	return ledger.Follow(ctx, p.led, p.Seq(), roundSize, func(ctx context.Context, changes []ledger.Change) error {
		if err := p.apply(ctx, changes); err != nil {
			return err
		}
		if err := p.purge(ctx); err != nil {
			return err
		}
		return pause(ctx, len(changes))
	})
}

// A round that brought many changes is followed by a rest, so that the next one
// gathers more: under load each round makes a segment, and merging many small
// segments takes the processor away from filing. A round of few changes, the
// usual case of somebody who files and looks, has none.
const (
	busyRound = 12
	restTime  = 150 * time.Millisecond
)

func pause(ctx context.Context, changes int) error {
	if changes < busyRound {
		return nil
	}
	t := time.NewTimer(restTime)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
	return nil
}

// Wait returns when the index shows the change seq, or with ctx's error.
func (p *Projection) Wait(ctx context.Context, seq int64) error { return p.cursor.Wait(ctx, seq) }

// Seq returns the number of the last change that the index shows.
func (p *Projection) Seq() int64 { return p.cursor.Seq() }

// Close writes down how far the index is and closes it. Run must have
// returned.
func (p *Projection) Close() error {
	return errors.Join(p.store(), p.close())
}

func (p *Projection) close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.idx == nil {
		return nil
	}
	idx := p.idx
	p.idx, p.adv = nil, nil
	if err := idx.Close(); err != nil {
		return fmt.Errorf("search: close index: %w", err)
	}
	return nil
}

// reader returns a view of the index that does not change. The number of the
// last change that it is sure to show comes with it.
func (p *Projection) reader() (index.IndexReader, int64, error) {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.adv == nil {
		return nil, 0, ErrClosed
	}
	seq := p.Seq() // before the view is taken, so that it is never too high
	r, err := p.adv.Reader()
	if err != nil {
		return nil, 0, fmt.Errorf("search: read index: %w", err)
	}
	return r, seq, nil
}
