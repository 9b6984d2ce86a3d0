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

// plan builds searchers over one view of the index. They find documents and
// score nothing, which lets the library work on whole bitmaps.
type plan struct {
	ctx    context.Context
	reader index.IndexReader
	fields []string
}

var unscored = search.SearcherOptions{Score: "none"}

// all finds the documents that have everything wanted, nothing unwanted, and
// meet every filter.
func (p plan) all(rd reading, filters []anyOf) (search.Searcher, error) {
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
	found, err := p.and(must)
	if err != nil || len(rd.unwanted) == 0 {
		return found, err
	}
	var not []search.Searcher
	for _, u := range rd.unwanted {
		s, err := p.phrase(u)
		if err != nil {
			return nil, closeAll(err, append(not, found)...)
		}
		not = append(not, s)
	}
	mustNot, err := p.or(not)
	if err != nil {
		return nil, closeAll(err, found)
	}
	s, err := searcher.NewBooleanSearcher(p.ctx, p.reader, found, nil, mustNot, unscored)
	return s, wrap(err)
}

func (p plan) wanted(w wanted) (search.Searcher, error) {
	ways := make([]search.Searcher, 0, len(w.ways))
	for _, way := range w.ways {
		var phrases []search.Searcher
		for _, ph := range way.phrases {
			s, err := p.phrase(ph)
			if err != nil {
				return nil, closeAll(err, append(ways, phrases...)...)
			}
			phrases = append(phrases, s)
		}
		s, err := p.and(phrases)
		if err != nil {
			return nil, closeAll(err, ways...)
		}
		ways = append(ways, s)
	}
	return p.or(ways)
}

// phrase finds a phrase within one field; not across two.
func (p plan) phrase(ph phrase) (search.Searcher, error) {
	if len(ph) == 1 {
		var terms anyOf
		for _, field := range p.fields {
			for _, t := range ph[0] {
				terms = append(terms, place{field, t})
			}
		}
		return p.anyOf(terms)
	}
	var fields []search.Searcher
	for _, field := range p.fields {
		s, err := searcher.NewMultiPhraseSearcher(p.ctx, p.reader, ph, 0, false, field, 1, unscored)
		if err != nil {
			return nil, closeAll(wrap(err), fields...)
		}
		fields = append(fields, s)
	}
	return p.or(fields)
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
