package search

import (
	"cmp"
	"container/heap"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"

	index "github.com/blevesearch/bleve_index_api"
)

// hit is a report that was found, with the key that it is ordered by: the bits
// of its score, which sort as the score does, or the time of its event.
type hit struct {
	key   uint64
	id    string
	doc   uint64 // its number in this view of the index
	score float64
}

// compareHits puts the greater key first. Reports with the same key stand in
// the reverse order of their names: names of version 7 grow with time.
func compareHits(a, b hit) int {
	if c := cmp.Compare(b.key, a.key); c != 0 {
		return c
	}
	return cmp.Compare(b.id, a.id)
}

// position writes a hit down for a page token.
func (h hit) position() string { return fmt.Sprintf("%016x", h.key) + h.id }

func parsePosition(s string) (h hit, ok bool) {
	if len(s) <= 16 {
		return hit{}, false
	}
	key, err := strconv.ParseUint(s[:16], 16, 64)
	return hit{key: key, id: s[16:]}, err == nil
}

// best keeps the first hits, the last of them on top.
type best []hit

func (b best) Len() int           { return len(b) }
func (b best) Less(i, j int) bool { return compareHits(b[i], b[j]) > 0 }
func (b best) Swap(i, j int)      { b[i], b[j] = b[j], b[i] }
func (b *best) Push(x any)        { *b = append(*b, x.(hit)) }
func (b *best) Pop() any {
	old := *b
	h := old[len(old)-1]
	*b = old[:len(old)-1]
	return h
}

// question is what find answers.
type question struct {
	rd      reading
	filters []anyOf
	// keep has the last word on reports, by their names; nil keeps all.
	keep func(names []string) ([]bool, error)
	// newest orders by the time of the event instead of the score.
	newest bool
	// after is the last hit of the page before; nil for the first page.
	after *hit
	limit int
	// listAll asks for the ids of everything found.
	listAll bool
}

// answer is what was found.
type answer struct {
	page  []hit
	more  bool
	total int64
	all   []string
}

// find looks through one view of the index: which documents, how many, and the
// page that was asked for.
func find(p plan, q question) (answer, error) {
	c, err := newCollector(p, q)
	if err != nil {
		return answer{}, err
	}
	defer c.close()
	switch {
	case q.keep != nil || q.listAll:
		err = c.byBlocks()
	case q.newest:
		err = c.byMonths()
	default:
		err = p.each(q.rd, q.filters, func(doc index.IndexInternalID) (bool, error) {
			c.a.total++
			return true, c.take(doc, "")
		})
	}
	if err != nil {
		return answer{}, err
	}
	return c.answer()
}

// collector counts what is found and keeps the page.
type collector struct {
	p      plan
	q      question
	ranker *ranker
	dates  *dates // of newest first
	top    best
	a      answer
}

func newCollector(p plan, q question) (*collector, error) {
	c := &collector{p: p, q: q, top: make(best, 0, q.limit+2)}
	var err error
	if q.newest {
		c.dates, err = newDates(p.reader)
	} else {
		c.ranker, err = newRanker(p, q.rd)
	}
	return c, err
}

func (c *collector) close() {
	if c.ranker != nil {
		c.ranker.close()
	}
}

// byBlocks takes everything that is found and kept, some reports at a time.
func (c *collector) byBlocks() error {
	var block []uint64
	err := c.p.each(c.q.rd, c.q.filters, func(doc index.IndexInternalID) (bool, error) {
		block = append(block, doc.Value())
		if len(block) < blockSize {
			return true, nil
		}
		err := c.takeBlock(block)
		block = block[:0]
		return true, err
	})
	if err != nil {
		return err
	}
	return c.takeBlock(block)
}

// takeBlock takes those of a block of documents that are kept.
func (c *collector) takeBlock(block []uint64) error {
	if len(block) == 0 {
		return nil
	}
	names := make([]string, len(block))
	for i, doc := range block {
		id, err := c.p.reader.ExternalID(index.NewIndexInternalID(nil, doc))
		if err != nil {
			return wrap(err)
		}
		names[i] = reportPrefix + id
	}
	var keep []bool
	if c.q.keep != nil {
		var err error
		if keep, err = c.q.keep(names); err != nil {
			return err
		}
	}
	for i, name := range names {
		if keep != nil && !keep[i] {
			continue
		}
		c.a.total++
		if c.q.listAll {
			c.a.all = append(c.a.all, name)
		}
		if err := c.take(index.NewIndexInternalID(nil, block[i]), name[len(reportPrefix):]); err != nil {
			return err
		}
	}
	return nil
}

// take keeps a document if it can be on the page. Its name is read only then.
func (c *collector) take(doc index.IndexInternalID, id string) (err error) {
	h := hit{id: id, doc: doc.Value()}
	if c.dates != nil {
		h.key, err = c.dates.key(doc)
	} else {
		h.score, err = c.ranker.score(doc)
		h.key = math.Float64bits(h.score)
	}
	if err != nil {
		return err
	}
	if c.q.after != nil && h.key > c.q.after.key || len(c.top) > c.q.limit && h.key < c.top[0].key {
		return nil
	}
	if h.id == "" {
		if h.id, err = c.p.reader.ExternalID(doc); err != nil {
			return wrap(err)
		}
	}
	if c.q.after != nil && compareHits(h, *c.q.after) <= 0 {
		return nil
	}
	heap.Push(&c.top, h)
	if len(c.top) > c.q.limit+1 {
		heap.Pop(&c.top)
	}
	return nil
}

func (c *collector) answer() (answer, error) {
	slices.SortFunc(c.top, compareHits)
	if len(c.top) > c.q.limit {
		c.top, c.a.more = c.top[:c.q.limit], true
	}
	c.a.page = c.top
	if c.ranker != nil {
		return c.a, nil
	}
	// Newest first: only what is shown is scored, in the order of the index.
	ranker, err := newRanker(c.p, c.q.rd)
	if err != nil {
		return answer{}, err
	}
	defer ranker.close()
	inOrder := make([]*hit, len(c.a.page))
	for i := range c.a.page {
		inOrder[i] = &c.a.page[i]
	}
	slices.SortFunc(inOrder, func(a, b *hit) int { return cmp.Compare(a.doc, b.doc) })
	for _, h := range inOrder {
		if h.score, err = ranker.score(index.NewIndexInternalID(nil, h.doc)); err != nil {
			return answer{}, err
		}
	}
	return c.a, nil
}

// any reports whether anything is found, and what.
func (p plan) any(rd reading, filters []anyOf) (id string, ok bool, err error) {
	err = p.each(rd, filters, func(doc index.IndexInternalID) (bool, error) {
		id, err = p.reader.ExternalID(doc)
		ok = err == nil
		return false, wrap(err)
	})
	return id, ok, err
}

// count counts what is found, up to most.
func (p plan) count(rd reading, filters []anyOf, most int) (n int, err error) {
	err = p.each(rd, filters, func(index.IndexInternalID) (bool, error) {
		n++
		return n < most, nil
	})
	return n, err
}

// onSnapshot runs fn over one view of the index. A panic of the library, which
// a damaged file can bring about, becomes an error and a mark that has the
// index made anew at the next start.
func (p *Projection) onSnapshot(ctx context.Context, fn func(reader index.IndexReader, seq int64) error) (err error) {
	if !p.ready.Load() {
		return ErrNotReady
	}
	reader, seq, err := p.reader()
	if err != nil {
		return err
	}
	defer func() { _ = reader.Close() }()
	defer func() {
		if v := recover(); v != nil {
			err = p.damaged(ctx, v)
		}
	}()
	return fn(reader, seq)
}

// damaged notes that the index cannot be trusted.
func (p *Projection) damaged(ctx context.Context, v any) error {
	what := fmt.Sprintf("%T", v)
	if re, ok := v.(runtime.Error); ok {
		what = re.Error() // of the runtime's making: it holds no words
	}
	p.log.ErrorContext(ctx, "search index is damaged; start again to have it made anew", "panic", what)
	if err := os.WriteFile(filepath.Join(p.dir, damagedFile), nil, 0o600); err != nil {
		return errors.Join(errDamaged, err)
	}
	return errDamaged
}

// errDamaged says that the index broke while it was read.
var errDamaged = errors.New("search: the index is damaged")
