package search

import (
	"slices"

	index "github.com/blevesearch/bleve_index_api"
)

// termAt stands at one of the documents that have a term in a field. It only
// goes on, so documents must be asked for in the order of the index.
type termAt struct {
	tfr  index.TermFieldReader
	doc  index.TermFieldDoc
	at   uint64
	done bool
}

// to goes on to the first document that is not before id, and reports whether
// that is the one.
func (t *termAt) to(id index.IndexInternalID) (here bool, err error) {
	if t.done {
		return false, nil
	}
	if want := id.Value(); t.at < want {
		doc, err := t.tfr.Advance(id, t.doc.Reset())
		if err := t.take(doc, err); err != nil {
			return false, err
		}
	}
	return !t.done && t.at == id.Value(), nil
}

func (t *termAt) take(doc *index.TermFieldDoc, err error) error {
	if err != nil {
		return wrap(err)
	}
	if doc == nil {
		t.done = true
		return nil
	}
	t.at = doc.ID.Value()
	return nil
}

// termReaders are terms with a reader for each field of text.
type termReaders map[string][]*termAt

// open opens the readers of a term, with the places of its words or without.
func (r termReaders) open(p plan, term string, places bool) error {
	if r[term] != nil {
		return nil
	}
	for _, field := range p.fields {
		tfr, err := p.reader.TermFieldReader(p.ctx, []byte(term), field, true, true, places)
		if err != nil {
			return wrap(err)
		}
		t := &termAt{tfr: tfr}
		r[term] = append(r[term], t)
		doc, err := tfr.Next(t.doc.Reset())
		if err := t.take(doc, err); err != nil {
			return err
		}
	}
	return nil
}

func (r termReaders) close() {
	for _, fields := range r {
		for _, t := range fields {
			_ = t.tfr.Close()
		}
	}
}

// checker decides, document by document, what the terms alone do not tell.
// Documents must come in the order of the index.
type checker struct {
	wanted   []wanted
	unwanted []phrase
	fields   int
	terms    termReaders
}

func newChecker(p plan, rd reading) (*checker, error) {
	c := &checker{unwanted: rd.unwanted, fields: len(p.fields), terms: termReaders{}}
	phrases := slices.Clone(rd.unwanted)
	for _, w := range rd.wanted {
		if !w.inRow() {
			continue
		}
		c.wanted = append(c.wanted, w)
		for _, way := range w.ways {
			phrases = append(phrases, way.phrases...)
		}
	}
	for _, ph := range phrases {
		for _, alternatives := range ph {
			for _, t := range alternatives {
				if err := c.terms.open(p, t, true); err != nil {
					c.close()
					return nil, err
				}
			}
		}
	}
	return c, nil
}

// inRow reports whether some way has words that must stand in a row.
func (w wanted) inRow() bool {
	return slices.ContainsFunc(w.ways, func(w way) bool {
		return slices.ContainsFunc(w.phrases, func(ph phrase) bool { return len(ph) > 1 })
	})
}

func (c *checker) close() { c.terms.close() }

// holds reports whether a document that has all terms is what was asked for.
func (c *checker) holds(doc index.IndexInternalID) (bool, error) {
	for _, w := range c.wanted {
		if ok, err := c.anyWay(w, doc); err != nil || !ok {
			return false, err
		}
	}
	for _, ph := range c.unwanted {
		if there, err := c.phrase(ph, doc); err != nil || there {
			return false, err
		}
	}
	return true, nil
}

func (c *checker) anyWay(w wanted, doc index.IndexInternalID) (bool, error) {
	for _, way := range w.ways {
		all := true
		for _, ph := range way.phrases {
			there, err := c.phrase(ph, doc)
			if err != nil {
				return false, err
			}
			if all = all && there; !all {
				break
			}
		}
		if all {
			return true, nil
		}
	}
	return false, nil
}

// phrase reports whether a phrase stands in one of the fields of a document.
func (c *checker) phrase(ph phrase, doc index.IndexInternalID) (bool, error) {
	for field := range c.fields {
		there, err := c.inField(ph, field, doc)
		if err != nil || there {
			return there, err
		}
	}
	return false, nil
}

func (c *checker) inField(ph phrase, field int, doc index.IndexInternalID) (bool, error) {
	places := make([][]*index.TermFieldVector, len(ph))
	for i, alternatives := range ph {
		for _, t := range alternatives {
			at := c.terms[t][field]
			here, err := at.to(doc)
			if err != nil {
				return false, err
			}
			if here {
				places[i] = append(places[i], at.doc.Vectors...)
			}
		}
		if len(alternatives) > 0 && len(places[i]) == 0 {
			return false, nil
		}
	}
	if len(ph) == 1 {
		return true, nil
	}
	return slices.ContainsFunc(places[0], func(first *index.TermFieldVector) bool {
		for step := 1; step < len(ph); step++ {
			if len(ph[step]) > 0 && !slices.ContainsFunc(places[step], func(v *index.TermFieldVector) bool {
				return v.Pos == first.Pos+uint64(step) && slices.Equal(v.ArrayPositions, first.ArrayPositions)
			}) {
				return false
			}
		}
		return true
	}), nil
}
