package facts

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// ErrPosition says that a position key was not made by [Facts.Newest].
var ErrPosition = errors.New("facts: position is not one of ours; start again from the newest")

// Newest returns the names of at most limit reports that match, newest event
// first, and how many match in all. after is "" or the next of the page before:
// it says where to go on in the order of events, so that reports that arrive in
// between neither repeat nor hide any. next is "" at the end. workplaces, each
// with all below it, replaces that of the filter; empty is the whole tree.
func (f *Facts) Newest(q *pb.ReportFilter, workplaces []string, after string, limit int) (names []string, next string, total int64, err error) {
	at, err := parsePosition(after)
	if err != nil {
		return nil, "", 0, err
	}
	if limit < 1 {
		return nil, "", 0, fmt.Errorf("facts: newest: limit must be at least 1, not %d", limit)
	}
	f.mu.RLock()
	defer f.mu.RUnlock()
	p, err := f.compile(q, workplaces, false)
	if err != nil {
		return nil, "", 0, err
	}
	c := f.columns
	// A bit for each match is small enough to stay near while the order, which
	// visits rows in no order of their numbers, is walked.
	match := make([]uint64, (c.len()+63)/64)
	p.scan(func(rows []uint32) {
		total += int64(len(rows))
		for _, r := range rows {
			match[r/64] |= 1 << (r % 64)
		}
	})
	if total == 0 {
		return nil, "", 0, nil
	}
	keep := func(r uint32) bool { return match[r/64]&(1<<(r%64)) != 0 }
	var before func(uint32) bool
	if at != nil {
		before = func(r uint32) bool { return at.after(c, r) }
	}
	last := uint32(0)
	c.order.newestFirst(c.newer, before, keep, func(r uint32) bool {
		if len(names) == limit {
			next = positionOf(c, last)
			return false
		}
		names, last = append(names, c.id[r].name()), r
		// Without this the walk would go on to the oldest report of all.
		return at != nil || int64(len(names)) < total
	})
	return names, next, total, nil
}

// position is a place in the order of events.
type position struct {
	when int64
	id   id
}

// after says whether a row comes after the position, newest first.
func (at *position) after(c *columns, r uint32) bool {
	d := cmp.Compare(c.when[r], at.when)
	return d < 0 || d == 0 && bytes.Compare(c.id[r][:], at.id[:]) < 0
}

func positionOf(c *columns, r uint32) string {
	return strconv.FormatInt(c.when[r], 10) + "." + hex.EncodeToString(c.id[r][:])
}

func parsePosition(text string) (*position, error) {
	if text == "" {
		return nil, nil
	}
	number, digits, ok := strings.Cut(text, ".")
	when, err := strconv.ParseInt(number, 10, 64)
	raw, hexErr := hex.DecodeString(digits)
	if !ok || err != nil || hexErr != nil || len(raw) != len(id{}) {
		return nil, ErrPosition
	}
	return &position{when: when, id: id(raw)}, nil
}

// Match says whether a report is here and matches. To ask about many reports
// use [Facts.MatchAll], which reads the filter once.
func (f *Facts) Match(name string, q *pb.ReportFilter, workplaces []string) bool {
	match, err := f.MatchAll([]string{name}, q, workplaces)
	return err == nil && match[0]
}

// MatchAll says for each of the named reports whether it is here and matches.
func (f *Facts) MatchAll(names []string, q *pb.ReportFilter, workplaces []string) ([]bool, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	p, err := f.compile(q, workplaces, false)
	if err != nil {
		return nil, err
	}
	out := make([]bool, len(names))
	for i, name := range names {
		r, ok := f.columns.find(name)
		out[i] = ok && p.match(r)
	}
	return out, nil
}

// find returns the row of a named report.
func (c *columns) find(name string) (uint32, bool) {
	u, ok := reportID(name)
	if !ok {
		return 0, false
	}
	r, ok := c.rows[u]
	return r, ok
}
