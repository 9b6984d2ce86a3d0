package search

import (
	"context"
	"fmt"

	"github.com/blevesearch/bleve/v2/search"
	"github.com/blevesearch/bleve/v2/search/searcher"
	index "github.com/blevesearch/bleve_index_api"
)

// place is a term in a field.
type place struct{ field, term string }

// anyOf is met by a document that has one of the terms.
type anyOf []place

// plan looks through one view of the index. It works in two steps: whole sets of
// documents first, by their terms alone, which the library does on bitmaps; then
// what terms cannot tell (phrases, and what is unwanted) document by document,
// for the few that are left.
type plan struct {
	ctx    context.Context
	reader index.IndexReader
	fields []string
}

var unscored = search.SearcherOptions{Score: "none"}

// each calls fn with every document that has everything wanted, nothing
// unwanted, and meets every filter, in the order of the index, until fn says
// stop.
func (p plan) each(rd reading, filters []anyOf, fn func(index.IndexInternalID) (goOn bool, err error)) error {
	c, err := newChecker(p, rd)
	if err != nil {
		return err
	}
	defer c.close()
	s, err := p.candidates(rd, filters)
	if err != nil {
		return err
	}
	return visit(p.ctx, p.reader, s, func(doc index.IndexInternalID) (bool, error) {
		if ok, err := c.holds(doc); err != nil || !ok {
			return true, err
		}
		return fn(doc)
	})
}

// candidates finds the documents that have the terms of everything wanted and
// meet every filter.
func (p plan) candidates(rd reading, filters []anyOf) (search.Searcher, error) {
	must := make([]search.Searcher, 0, len(rd.wanted)+len(filters))
	for _, w := range rd.wanted {
		s, err := p.wanted(w)
		if err != nil {
			return nil, closeAll(err, must...)
		}
		must = append(must, s)
	}
	for _, f := range filters {
		s, err := p.anyOf(f)
		if err != nil {
			return nil, closeAll(err, must...)
		}
		must = append(must, s)
	}
	return p.and(must)
}

// wanted finds the documents that have all terms of one of the ways.
func (p plan) wanted(w wanted) (search.Searcher, error) {
	ways := make([]search.Searcher, 0, len(w.ways))
	for _, way := range w.ways {
		var terms []search.Searcher
		for _, ph := range way.phrases {
			for _, alternatives := range ph {
				if len(alternatives) == 0 {
					continue
				}
				s, err := p.inText(alternatives)
				if err != nil {
					return nil, closeAll(err, append(ways, terms...)...)
				}
				terms = append(terms, s)
			}
		}
		s, err := p.and(terms)
		if err != nil {
			return nil, closeAll(err, ways...)
		}
		ways = append(ways, s)
	}
	return p.or(ways)
}

// inText finds the documents that have one of the terms in a field of text.
func (p plan) inText(terms []string) (search.Searcher, error) {
	var any anyOf
	for _, field := range p.fields {
		for _, t := range terms {
			any = append(any, place{field, t})
		}
	}
	return p.anyOf(any)
}

func (p plan) anyOf(terms anyOf) (search.Searcher, error) {
	if len(terms) == 0 {
		s, err := searcher.NewMatchNoneSearcher(p.reader)
		return s, wrap(err)
	}
	all := make([]search.Searcher, 0, len(terms))
	for _, t := range terms {
		s, err := searcher.NewTermSearcher(p.ctx, p.reader, t.term, t.field, 1, unscored)
		if err != nil {
			return nil, closeAll(wrap(err), all...)
		}
		all = append(all, s)
	}
	return p.or(all)
}

func (p plan) or(all []search.Searcher) (search.Searcher, error) {
	if len(all) == 1 {
		return all[0], nil
	}
	s, err := searcher.NewDisjunctionSearcher(p.ctx, p.reader, all, 1, unscored)
	if err != nil {
		return nil, closeAll(wrap(err), all...)
	}
	return s, nil
}

func (p plan) and(all []search.Searcher) (search.Searcher, error) {
	if len(all) == 1 {
		return all[0], nil
	}
	s, err := searcher.NewConjunctionSearcher(p.ctx, p.reader, all, unscored)
	if err != nil {
		return nil, closeAll(wrap(err), all...)
	}
	return s, nil
}

// closeAll closes searchers after an error and returns it.
func closeAll(err error, all ...search.Searcher) error {
	for _, s := range all {
		_ = s.Close()
	}
	return err
}

func wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("search: read index: %w", err)
}

// visit calls fn with each document that a searcher finds, in the order of the
// index, until fn says stop, and closes the searcher.
func visit(ctx context.Context, reader index.IndexReader, s search.Searcher, fn func(index.IndexInternalID) (goOn bool, err error)) (err error) {
	defer func() {
		if cerr := s.Close(); err == nil {
			err = wrap(cerr)
		}
	}()
	sctx := &search.SearchContext{
		DocumentMatchPool: search.NewDocumentMatchPool(s.DocumentMatchPoolSize()+1, 0),
		IndexReader:       reader,
	}
	for n := 0; ; n++ {
		if n%1024 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		m, err := s.Next(sctx)
		if err != nil {
			return wrap(err)
		}
		if m == nil {
			return nil
		}
		goOn, err := fn(m.IndexInternalID)
		if err != nil || !goOn {
			return err
		}
		sctx.DocumentMatchPool.Put(m)
	}
}
