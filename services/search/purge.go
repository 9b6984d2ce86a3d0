package search

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/blevesearch/bleve/v2/index/scorch"
	index "github.com/blevesearch/bleve_index_api"
)

// keyPurge is there while words that were erased may still lie in the files of
// the index: an index forgets a document long before its words leave the disk.
var keyPurge = []byte("fairlead.purge")

// mustPurge notes, in the index itself, that its files must be cleaned. It is
// on disk with the change that makes it necessary, so that a crash in between
// forgets nothing.
func (p *Projection) mustPurge() error {
	if p.unclean {
		return nil
	}
	p.unclean = true
	return p.setPurge([]byte{1})
}

func (p *Projection) setPurge(to []byte) error {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.adv == nil {
		return ErrClosed
	}
	b := index.NewBatch()
	if to == nil {
		b.DeleteInternal(keyPurge)
	} else {
		b.SetInternal(keyPurge, to)
	}
	return p.put(b)
}

// purgeTries bounds how often the files are looked at: a search that is under
// way holds the files that it reads.
const (
	purgeTries = 80
	purgeWait  = 25 * time.Millisecond
)

// purge writes the segments anew, without what was deleted, and waits until the
// old files are gone from the disk. The time goes by the size of the index:
// erasures are rare, and searching goes on meanwhile.
func (p *Projection) purge(ctx context.Context) error {
	if !p.unclean {
		return nil
	}
	p.mu.RLock()
	adv, ok := p.adv.(*scorch.Scorch)
	p.mu.RUnlock()
	if !ok {
		return ErrClosed
	}
	dirty, err := p.dirty(adv)
	if err != nil {
		return err
	}
	if err := adv.ForceMerge(ctx, nil); err != nil {
		return fmt.Errorf("search: clean the index: %w", err)
	}
	for try := range purgeTries {
		// Old files are let go when something is written.
		if err := p.setPurge([]byte{1, byte(try)}); err != nil {
			return err
		}
		if dirty = slices.DeleteFunc(dirty, gone); len(dirty) == 0 {
			p.unclean = false
			return p.setPurge(nil)
		}
		t := time.NewTimer(purgeWait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		}
	}
	p.log.Warn("words that were erased may lie in the search index; it is cleaned again after the next change")
	return nil
}

// dirty returns the files that may hold words of deleted documents: those of
// segments with deletions, and those that the index no longer uses.
func (p *Projection) dirty(adv *scorch.Scorch) ([]string, error) {
	files, err := filepath.Glob(filepath.Join(p.dir, folder, "store", "*.zap"))
	if err != nil {
		return nil, fmt.Errorf("search: clean the index: %w", err)
	}
	reader, err := adv.Reader()
	if err != nil {
		return nil, fmt.Errorf("search: clean the index: %w", err)
	}
	defer func() { _ = reader.Close() }()
	clean := map[string]bool{}
	if root, ok := reader.(*scorch.IndexSnapshot); ok {
		for _, s := range root.Segments() {
			if file, ok := s.Segment().(interface{ Path() string }); ok && s.LiveSize() == s.FullSize() {
				clean[filepath.Base(file.Path())] = true
			}
		}
	}
	return slices.DeleteFunc(files, func(path string) bool { return clean[filepath.Base(path)] }), nil
}

func gone(path string) bool {
	_, err := os.Stat(path)
	return errors.Is(err, os.ErrNotExist)
}
