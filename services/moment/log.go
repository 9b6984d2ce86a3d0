package moment

import (
	"context"
	"errors"
	"fmt"

	"fairlead/services/ledger"
)

// Ledger is the part of a ledger that is read.
type Ledger interface {
	ledger.Source
	Head(ctx context.Context) (ledger.Head, error)
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
	GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error)
}

// Log is the ledger as it stood after one change: what was written later is not
// in it. It can be followed, listed and read like the ledger itself, and never
// changes.
type Log struct {
	from Ledger
	at   Point
}

// NewLog returns the ledger as it stood at a point.
func NewLog(l Ledger, at Point) *Log { return &Log{from: l, at: at} }

// Head returns the change that the log ends with.
func (l *Log) Head(ctx context.Context) (ledger.Head, error) {
	if l.at.Seq == 0 {
		return ledger.Head{}, nil
	}
	c, err := change(ctx, l.from, l.at.Seq)
	return ledger.Head{Seq: c.Seq, Hash: c.Hash, Time: c.Time}, err
}

// atOnce bounds how many changes are read at once: a projection of the past is
// built in small steps, so that those who work in the present come in between.
const atOnce = 500

// Changes returns changes up to the end of the log.
func (l *Log) Changes(ctx context.Context, after int64, limit int) ([]ledger.Change, error) {
	left := l.at.Seq - after
	if left <= 0 {
		return nil, nil
	}
	list, err := l.from.Changes(ctx, after, int(min(int64(limit), left, atOnce)))
	if err != nil {
		return nil, fmt.Errorf("moment: %w", err)
	}
	return list, nil
}

// Watch never wakes anybody: nothing comes any more.
func (l *Log) Watch() (<-chan struct{}, func()) { return make(chan struct{}), func() {} }

// Get returns a resource as it stood, or ledger.ErrNotFound. One whose body the
// ledger no longer holds is not there.
func (l *Log) Get(ctx context.Context, name string) (ledger.Resource, error) {
	r, err := l.from.GetAt(ctx, name, l.at.Seq)
	if err == nil && len(r.Body) == 0 {
		return ledger.Resource{}, fmt.Errorf("moment: %s is no longer held: %w", r.Kind, ledger.ErrNotFound)
	}
	return r, err
}

// GetAt returns a resource as it stood at a number within the log.
func (l *Log) GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error) {
	return (&Log{from: l.from, at: Point{Seq: min(seq, l.at.Seq)}}).Get(ctx, name)
}

// List returns resources as they stood, in the order of their names; see
// ledger.Ledger.
func (l *Log) List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error) {
	var out []ledger.Resource
	for {
		// Resources are never taken out of the ledger, so that what was there
		// then is among what is there now.
		page, err := l.from.List(ctx, kind, prefix, after, limit)
		if err != nil {
			return nil, err
		}
		for _, r := range page {
			after = r.Name
			if r.Seq > l.at.Seq || len(r.Body) == 0 {
				r, err = l.Get(ctx, r.Name)
				if errors.Is(err, ledger.ErrNotFound) {
					continue
				}
				if err != nil {
					return nil, err
				}
			}
			if out = append(out, r); len(out) == limit {
				return out, nil
			}
		}
		if len(page) < limit {
			return out, nil
		}
	}
}
