package search

import (
	"context"
	"fmt"
	"hash/maphash"
	"slices"

	"github.com/blevesearch/bleve/v2/document"
	index "github.com/blevesearch/bleve_index_api"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/record"
)

// MaxProblems bounds what Check lists.
const MaxProblems = 100

// Check compares the index with the ledger: every report must be there once,
// with exactly the terms, counts and places that its words and its workplace
// give. What does not fit is listed by the report's name; an error means that
// the check could not be done. The ledger must not change meanwhile, and the
// index must have caught up.
func (p *Projection) Check(ctx context.Context) (problems []string, err error) {
	err = p.onSnapshot(ctx, func(reader index.IndexReader, _ int64) error {
		problems, err = p.check(ctx, reader)
		return err
	})
	return problems, err
}

func (p *Projection) check(ctx context.Context, reader index.IndexReader) ([]string, error) {
	seed := maphash.MakeSeed()
	have, err := digests(ctx, reader, seed)
	if err != nil {
		return nil, err
	}
	var problems []string
	note := func(name, what string) {
		if len(problems) < MaxProblems {
			problems = append(problems, name+" "+what)
		}
	}
	after := ""
	for {
		page, err := p.led.List(ctx, record.KindReport, reportPrefix, after, batchSize)
		if err != nil {
			return nil, fmt.Errorf("search: check: %w", err)
		}
		if len(page) == 0 {
			break
		}
		for _, res := range page {
			after = res.Name
			r := &pb.Report{}
			if err := record.Read(res.Body, res.Revision, r); err != nil || r.GetName() != res.Name {
				note(res.Name, "cannot be read from the ledger")
				continue
			}
			covered, err := p.covers.Cover(ctx, r)
			if err != nil {
				return nil, fmt.Errorf("search: check: %w", err)
			}
			d := newDocument(r, covered, res.Revision, p.tree.Location(r.GetWorkplace()), p.lang)
			got, ok := have[d.ID()]
			delete(have, d.ID())
			switch {
			case !ok:
				note(res.Name, "is not in the index")
			case got != digestOf(d, seed):
				note(res.Name, "is otherwise in the index than in the ledger")
			}
		}
	}
	left := make([]string, 0, len(have))
	for id := range have {
		left = append(left, id)
	}
	slices.Sort(left)
	for _, id := range left {
		note(reportPrefix+id, "is in the index and not in the ledger")
	}
	return problems, nil
}

// digests returns for each document of the index the sum of the hashes of its
// terms. A sum does not depend on the order, and a term that is there twice
// does not cancel itself.
func digests(ctx context.Context, reader index.IndexReader, seed maphash.Seed) (map[string]uint64, error) {
	fields, err := reader.Fields()
	if err != nil {
		return nil, wrap(err)
	}
	sums := map[uint64]uint64{}
	for _, field := range fields {
		if field == "_id" {
			continue
		}
		if err := digestField(ctx, reader, field, seed, sums); err != nil {
			return nil, err
		}
	}
	out := make(map[string]uint64, len(sums))
	for doc, sum := range sums {
		id, err := reader.ExternalID(index.NewIndexInternalID(nil, doc))
		if err != nil {
			return nil, wrap(err)
		}
		out[id] += sum
	}
	return out, nil
}

func digestField(ctx context.Context, reader index.IndexReader, field string, seed maphash.Seed, sums map[uint64]uint64) error {
	dict, err := reader.FieldDict(field)
	if err != nil {
		return wrap(err)
	}
	defer func() { _ = dict.Close() }()
	text := isText(field)
	for {
		entry, err := dict.Next()
		if err != nil {
			return wrap(err)
		}
		if entry == nil {
			return nil
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		tfr, err := reader.TermFieldReader(ctx, []byte(entry.Term), field, text, false, text)
		if err != nil {
			return wrap(err)
		}
		for {
			doc, err := tfr.Next(nil)
			if err != nil {
				_ = tfr.Close()
				return wrap(err)
			}
			if doc == nil {
				break
			}
			sum := termDigest(seed, field, entry.Term, 0, 0)
			for _, v := range doc.Vectors {
				part := uint64(0)
				if len(v.ArrayPositions) > 0 {
					part = v.ArrayPositions[0]
				}
				sum += termDigest(seed, field, entry.Term, part+1, v.Pos)
			}
			sums[doc.ID.Value()] += sum
		}
		if err := tfr.Close(); err != nil {
			return wrap(err)
		}
	}
}

// digestOf returns what digests gives for a document that is as it should be.
func digestOf(d *document.Document, seed maphash.Seed) uint64 {
	sum := uint64(0)
	seen := map[place]bool{}
	d.VisitFields(func(f index.Field) {
		if f.Name() == "_id" {
			return
		}
		f.Analyze()
		for term, freq := range f.AnalyzedTokenFrequencies() {
			if at := (place{f.Name(), term}); !seen[at] {
				seen[at] = true
				sum += termDigest(seed, f.Name(), term, 0, 0)
			}
			for _, l := range freq.Locations {
				part := uint64(0)
				if len(l.ArrayPositions) > 0 {
					part = l.ArrayPositions[0]
				}
				sum += termDigest(seed, f.Name(), term, part+1, uint64(l.Position))
			}
		}
	})
	return sum
}

func termDigest(seed maphash.Seed, field, term string, part, pos uint64) uint64 {
	return maphash.Comparable(seed, struct {
		field, term string
		part, pos   uint64
	}{field, term, part, pos})
}
