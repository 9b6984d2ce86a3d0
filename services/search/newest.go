package search

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	index "github.com/blevesearch/bleve_index_api"
)

const (
	// blockSize is how many reports keep is asked about at a time.
	blockSize = 1024
	// fewEnough is how many reports are ordered by reading the time of each.
	// To read a time costs many times as much as to find a report, so with
	// more of them only the newest months are read.
	fewEnough = 2000
)

// byMonths takes the newest of what is found: all of it where that is little,
// else month by month from the newest on, until no older month can be on the
// page any more.
func (c *collector) byMonths() error {
	var few []uint64
	err := c.p.each(c.q.rd, c.q.filters, func(doc index.IndexInternalID) (bool, error) {
		if c.a.total++; c.a.total <= fewEnough {
			few = append(few, doc.Value())
		}
		return true, nil
	})
	if err != nil {
		return err
	}
	if c.a.total <= fewEnough {
		for _, doc := range few {
			if err := c.take(index.NewIndexInternalID(nil, doc), ""); err != nil {
				return err
			}
		}
		return nil
	}
	months, err := c.p.months()
	if err != nil {
		return err
	}
	for _, m := range slices.Backward(months) {
		from, to := m.bounds()
		if len(c.top) > c.q.limit && c.top[0].key >= to {
			return nil
		}
		if c.q.after != nil && from > c.q.after.key {
			continue // all of it stands on the pages before
		}
		month := append(slices.Clone(c.q.filters), anyOf{{fieldMonth, string(m)}})
		err := c.p.each(c.q.rd, month, func(doc index.IndexInternalID) (bool, error) {
			return true, c.take(doc, "")
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// month is a month of the index, YYYY-MM.
type month string

// months returns the months that reports have, oldest first.
func (p plan) months() ([]month, error) {
	dict, err := p.reader.FieldDict(fieldMonth)
	if err != nil {
		return nil, wrap(err)
	}
	defer func() { _ = dict.Close() }()
	var out []month
	for {
		entry, err := dict.Next()
		if err != nil {
			return nil, wrap(err)
		}
		if entry == nil {
			return out, nil
		}
		if _, err := time.Parse("2006-01", entry.Term); err != nil {
			return nil, fmt.Errorf("search: a month of the index: %w", err)
		}
		out = append(out, month(entry.Term))
	}
}

// bounds returns keys between which all reports of a month lie: a month is that
// of the workplace, which may be up to 14 hours before and 12 behind the keys.
func (m month) bounds() (from, to uint64) {
	first, err := time.Parse("2006-01", string(m))
	if err != nil {
		return 0, 1 << 63
	}
	return keyOf(first.Add(-14 * time.Hour).Unix()), keyOf(first.AddDate(0, 1, 0).Add(12 * time.Hour).Unix())
}

// dates reads the sort key of newest first. Documents must come in the order
// of the index.
type dates struct{ values index.DocValueReader }

func newDates(reader index.IndexReader) (*dates, error) {
	values, err := reader.DocValueReader([]string{fieldOrder})
	if err != nil {
		return nil, wrap(err)
	}
	return &dates{values}, nil
}

// key is greater for a newer report.
func (d *dates) key(id index.IndexInternalID) (key uint64, err error) {
	verr := d.values.VisitDocValues(id, func(_ string, term []byte) {
		if len(term) < keyDigits {
			err = fmt.Errorf("search: sort key of %d bytes", len(term))
			return
		}
		key, err = strconv.ParseUint(string(term[:keyDigits]), 10, 64)
	})
	if verr != nil {
		return 0, wrap(verr)
	}
	return key, err
}
