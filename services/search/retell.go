package search

import (
	"context"
	"fmt"
	"strings"
	"unicode"

	"github.com/blevesearch/bleve/v2/document"
	index "github.com/blevesearch/bleve_index_api"

	"fairlead/services/ledger"
)

// retelling makes documents anew because of something beside their reports: the
// clock of a workplace, the name of a person, what somebody decided to cover.
// Each is made once, from its report as it is.
type retelling struct {
	p      *Projection
	reader index.IndexReader
	done   map[string]bool
	docs   []*document.Document
}

// retell calls fn with a view of the index to look for documents in.
func (p *Projection) retell(ctx context.Context, fn func(*retelling) error) error {
	reader, _, err := p.reader()
	if err != nil {
		return err
	}
	defer func() { _ = reader.Close() }()
	re := &retelling{p: p, reader: reader, done: map[string]bool{}}
	if err := fn(re); err != nil {
		return err
	}
	return re.flush()
}

// one makes the document of a report anew.
func (re *retelling) one(ctx context.Context, id string) error {
	if re.done[id] {
		return nil
	}
	re.done[id] = true
	res, err := re.p.led.Get(ctx, reportPrefix+id)
	if err != nil {
		return fmt.Errorf("search: read report: %w", err)
	}
	d, ok, err := re.p.document(ctx, res.Name, res.Body, res.Revision)
	if err != nil {
		return err
	}
	if ok {
		re.docs = append(re.docs, d)
	}
	if len(re.docs) < batchSize {
		return nil
	}
	return re.flush()
}

// with makes anew the documents that have a term.
func (re *retelling) with(ctx context.Context, field, term string) error {
	return each(ctx, re.reader, field, term, func(id string) error { return re.one(ctx, id) })
}

func (re *retelling) flush() error {
	if len(re.docs) == 0 {
		return nil
	}
	re.p.mu.RLock()
	defer re.p.mu.RUnlock()
	if re.p.adv == nil {
		return ErrClosed
	}
	if err := re.p.put(batchOf(re.docs, re.p.stored)); err != nil {
		return err
	}
	re.docs = re.docs[:0]
	return nil
}

// at makes anew the documents of all reports at a workplace and below it.
func (re *retelling) at(ctx context.Context, workplace string) error {
	for _, w := range re.p.tree.Below(workplace) {
		if err := re.with(ctx, fieldWorkplace, w); err != nil {
			return err
		}
	}
	return nil
}

// renamed are the words that a round of changes covers or uncovers.
type renamed struct {
	words map[string]bool
	all   bool
}

// note gathers what a change moves.
func (m *renamed) note(ctx context.Context, p *Projection, c ledger.Change) error {
	if p.coveredSince(c) {
		return nil
	}
	words, all, err := p.covers.Moved(ctx, c)
	if err != nil {
		return fmt.Errorf("search: a name before its change: %w", err)
	}
	m.all = m.all || all
	for _, w := range words {
		m.words[w] = true
	}
	return nil
}

// coveredSince reports whether every document was covered by what a change says,
// or by something newer.
func (p *Projection) coveredSince(c ledger.Change) bool {
	return p.coversAt > 0 && c.Seq <= p.coversAt
}

func (m *renamed) any() bool { return m.all || len(m.words) > 0 }

// named makes anew the documents in which a word of a name may stand.
func (re *retelling) named(ctx context.Context, moved renamed) error {
	terms, runs, all := re.p.lang.termsOf(moved.words)
	if all || moved.all {
		for _, state := range []string{standing, voided} {
			if err := re.with(ctx, fieldState, state); err != nil {
				return err
			}
		}
		return nil
	}
	for _, field := range []string{fieldWords, fieldWordsTold, fieldHealth, fieldHealthTold} {
		beside, err := besideNumbers(ctx, re.reader, field, runs)
		if err != nil {
			return err
		}
		for _, term := range append(beside, terms...) {
			if err := re.with(ctx, field, term); err != nil {
				return err
			}
		}
	}
	return nil
}

// termsOf returns a term for each word of a name, which every text with that word
// has, unless a number is written to it: the letters of such terms are in runs. all
// says that there is a word that is not indexed.
func (l *language) termsOf(words map[string]bool) (terms []string, runs map[string]bool, all bool) {
	runs = map[string]bool{}
	for w := range words {
		ph := l.phrase(w)
		if len(ph) == 0 {
			all = true
			continue
		}
		terms = append(terms, ph[0][0])
		for _, part := range strings.Split(w, "-") {
			runs[strings.NewReplacer("'", "", "’", "").Replace(fold(part))] = true
		}
	}
	return terms, runs, all
}

// besideNumbers returns the terms of a field that are letters and numbers in one,
// and among whose letters is one of the runs.
func besideNumbers(ctx context.Context, reader index.IndexReader, field string, runs map[string]bool) ([]string, error) {
	dict, err := reader.FieldDict(field)
	if err != nil {
		return nil, wrap(err)
	}
	defer func() { _ = dict.Close() }()
	var out []string
	for {
		entry, err := dict.Next()
		if err != nil {
			return nil, wrap(err)
		}
		if entry == nil {
			return out, ctx.Err()
		}
		if !strings.ContainsFunc(entry.Term, unicode.IsNumber) {
			continue
		}
		for _, run := range strings.FieldsFunc(entry.Term, unicode.IsNumber) {
			if runs[run] {
				out = append(out, entry.Term)
				break
			}
		}
	}
}
