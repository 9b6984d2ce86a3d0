package search

import (
	"context"
	"fmt"
	"strings"

	"github.com/blevesearch/bleve/v2/document"
	index "github.com/blevesearch/bleve_index_api"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// batchSize is the number of documents in one batch of a rebuild, where
	// the library writes fastest; two batches are on the way at once.
	batchSize = 1000
	// roundSize is how many changes are taken from the log at once.
	roundSize = 2 * batchSize
	// storeEvery bounds how many changes that touch no report are passed
	// over before the cursor is written for their sake.
	storeEvery = 20_000
)

// apply takes changes into the index, in order. It may be given changes that
// it has seen before: a document is what the report says, whenever it is made.
func (p *Projection) apply(ctx context.Context, changes []ledger.Change) error {
	last := changes[len(changes)-1]
	// Days are told by the clocks of the workplaces.
	if err := p.tree.Wait(ctx, last.Seq); err != nil {
		return fmt.Errorf("search: wait for the workplaces: %w", err)
	}
	if p.zonesAt < 0 {
		p.zonesAt = p.tree.Seq()
	}
	// And names are covered as they are known.
	if err := p.covers.Wait(ctx, last.Seq); err != nil {
		return fmt.Errorf("search: wait for the names: %w", err)
	}
	if p.coversAt < 0 {
		p.coversAt = p.covers.Seq()
	}
	latest := make(map[string]int, len(changes))
	moved, decided, names := map[string]bool{}, map[string]bool{}, renamed{words: map[string]bool{}}
	for i, c := range changes {
		if c.Verb == record.VerbErase && c.Seq > p.cleanTo && (c.Kind == record.KindReport || c.Kind == record.KindMasked) {
			if err := p.mustPurge(); err != nil {
				return err
			}
		}
		switch c.Kind {
		case record.KindReport:
			latest[c.Name] = i
		case record.KindMasked:
			if report, ok := record.ReportOf(c.Name); ok && !p.coveredSince(c) {
				decided[report] = true
			}
		case record.KindWorkplace:
			did, err := p.zoneMoved(ctx, c)
			if err != nil {
				return err
			}
			if did {
				moved[c.Name] = true
			}
			if err := names.note(ctx, p, c); err != nil {
				return err
			}
		case record.KindPerson:
			if err := names.note(ctx, p, c); err != nil {
				return err
			}
		}
	}
	docs := make([]*document.Document, 0, len(latest))
	for i, c := range changes {
		if at, ok := latest[c.Name]; !ok || at != i {
			continue
		}
		if c.Erased {
			continue // a later revision, here or in a batch to come, says what remains
		}
		d, ok, err := p.document(ctx, c.Name, c.Body, c.Revision)
		if err != nil {
			return err
		}
		if ok {
			docs = append(docs, d)
		}
		// It is made by what has been decided up to now.
		delete(decided, c.Name)
	}
	at := mark{last.Seq, last.Hash}
	again := len(moved) > 0 || len(decided) > 0 || names.any()
	if again || len(docs) > batchSize {
		// More is to come than one batch: the mark that goes into the index
		// with it is that of the round before, so that it never stands
		// beyond what the index holds.
		at = p.applied
	}
	if err := p.write(docs, at); err != nil {
		return err
	}
	if again {
		err := p.retell(ctx, func(re *retelling) error {
			for name := range moved {
				if err := re.at(ctx, name); err != nil {
					return err
				}
			}
			for report := range decided {
				if err := re.one(ctx, strings.TrimPrefix(report, reportPrefix)); err != nil {
					return err
				}
			}
			return re.named(ctx, names)
		})
		if err != nil {
			return err
		}
	}
	p.applied = mark{last.Seq, last.Hash}
	p.cursor.Advance(last.Seq)
	return nil
}

// document makes the document of a report. One that cannot be read is named in
// the log and left out: the rest must still be found.
func (p *Projection) document(ctx context.Context, name string, body []byte, revision int64) (*document.Document, bool, error) {
	r := &pb.Report{}
	if err := record.Read(body, revision, r); err != nil || r.GetName() != name {
		p.log.Error("a report cannot be read and is not searched; run the check", "report", name, "revision", revision)
		return nil, false, nil
	}
	covered, err := p.covers.Cover(ctx, r)
	if err != nil {
		return nil, false, fmt.Errorf("search: cover names: %w", err)
	}
	return newDocument(r, covered, revision, p.tree.Location(r.GetWorkplace()), p.lang), true, nil
}

// write puts documents into the index, and with them the mark up to which the
// index then holds everything. Many go in as two batches side by side.
func (p *Projection) write(docs []*document.Document, at mark) error {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.adv == nil {
		return ErrClosed
	}
	if len(docs) == 0 && at.seq-p.stored.seq < storeEvery {
		return nil
	}
	parts := []*index.Batch{batchOf(docs, at)}
	if len(docs) > batchSize {
		parts = []*index.Batch{batchOf(docs[:len(docs)/2], at), batchOf(docs[len(docs)/2:], at)}
	}
	if err := p.put(parts...); err != nil {
		return err
	}
	p.stored = at
	return nil
}

// put gives batches to the library, side by side, and returns when they are on
// disk, or at the first that cannot be written: the index is then broken.
func (p *Projection) put(parts ...*index.Batch) error {
	adv := p.adv
	done := make(chan error, len(parts))
	for _, b := range parts {
		go func() {
			defer func() {
				if v := recover(); v != nil {
					done <- fmt.Errorf("search: write index: panic in the library: %T", v)
				}
			}()
			if err := adv.Batch(b); err != nil {
				done <- fmt.Errorf("search: write index: %w", err)
				return
			}
			done <- nil
		}()
	}
	for range parts {
		// The other batch is not waited for: after the failure of one the
		// library may never answer it.
		if err := <-done; err != nil {
			p.broken = true
			return err
		}
	}
	return nil
}

// store writes down how far the index is, if the index says less.
func (p *Projection) store() error {
	p.mu.RLock()
	defer p.mu.RUnlock()
	if p.adv == nil || p.broken || p.stored.seq >= p.applied.seq {
		return nil
	}
	if err := p.put(batchOf(nil, p.applied)); err != nil {
		return err
	}
	p.stored = p.applied
	return nil
}

// zoneMoved reports whether a change of a workplace can have moved the days of
// reports that are in the index.
func (p *Projection) zoneMoved(ctx context.Context, c ledger.Change) (bool, error) {
	if c.Revision == 1 || (p.zonesAt > 0 && c.Seq <= p.zonesAt) {
		return false, nil
	}
	var now, before pb.Workplace
	old, err := p.led.GetAt(ctx, c.Name, c.Seq-1)
	if err != nil {
		return false, fmt.Errorf("search: workplace before its change: %w", err)
	}
	if record.Read(c.Body, c.Revision, &now) != nil || record.Read(old.Body, old.Revision, &before) != nil {
		return true, nil
	}
	return now.GetTimeZone() != before.GetTimeZone() || now.GetParent() != before.GetParent(), nil
}

// each calls visit with the id of every document that has a term.
func each(ctx context.Context, reader index.IndexReader, field, term string, visit func(id string) error) error {
	tfr, err := reader.TermFieldReader(ctx, []byte(term), field, false, false, false)
	if err != nil {
		return fmt.Errorf("search: read index: %w", err)
	}
	defer func() { _ = tfr.Close() }()
	for {
		doc, err := tfr.Next(nil)
		if err != nil {
			return fmt.Errorf("search: read index: %w", err)
		}
		if doc == nil {
			return nil
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		id, err := reader.ExternalID(doc.ID)
		if err != nil {
			return fmt.Errorf("search: read index: %w", err)
		}
		if err := visit(id); err != nil {
			return err
		}
	}
}
