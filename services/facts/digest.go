package facts

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"slices"

	"google.golang.org/protobuf/proto"
)

// Digest returns a hash of everything the projection holds, in an order that
// does not depend on how it came to hold it: a projection that followed the log
// and one rebuilt from it have the same digest at the same sequence number.
func (f *Facts) Digest() (seq int64, sum [32]byte, err error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	c := f.columns
	d := digest{Hash: sha256.New()}
	rows := make([]uint32, c.len())
	for r := range rows {
		rows[r] = uint32(r)
	}
	slices.SortFunc(rows, func(a, b uint32) int { return bytes.Compare(c.id[a][:], c.id[b][:]) })
	for _, r := range rows {
		d.report(c, r)
	}
	var loose []string
	for k, set := range c.loose {
		loose = append(loose, fmt.Sprintf("%x %s %s", c.id[k.row], c.harmIDs.text(k.harm), c.spell(set)))
	}
	slices.Sort(loose)
	for _, s := range loose {
		d.text(s)
	}
	// The order is held apart from the rows, so it is proved apart.
	c.order.newestFirst(c.newer, nil, func(uint32) bool { return true }, func(r uint32) bool {
		d.Write(c.id[r][:])
		return true
	})
	for _, name := range c.hours.names {
		d.message(c.hours.rows[name])
	}
	d.Sum(sum[:0])
	return c.seq, sum, d.err
}

type digest struct {
	hash.Hash
	err error
}

func (d *digest) report(c *columns, r uint32) {
	d.Write(c.id[r][:])
	d.number(c.when[r], int64(c.day[r]), int64(c.month[r]), int64(c.kind[r]), int64(c.potential[r]),
		int64(c.flags[r]), int64(c.outcomes[r]), int64(c.groups[r]), int64(c.people[r]), int64(c.worst[r]))
	d.text(c.workplaces.text(c.workplace[r]))
	d.text(c.datasets.text(c.dataset[r]))
	own := codeSet{unreviewed: c.unreviewed[r]}
	for i := range own.of {
		own.of[i] = c.codes[i][r]
	}
	d.text(c.spell(own))
	for h := c.first[r]; h < c.first[r]+uint32(c.people[r]); h++ {
		d.text(c.harmIDs.text(c.hurt.harm[h]))
		d.text(c.spell(c.hurt.codesOf(h)))
		d.message(c.hurt.message(h))
	}
}

// spell writes a coding out, since numbers of codes depend on order of arrival.
func (c *columns) spell(set codeSet) string {
	s := ""
	for i, n := range set.of {
		s += c.codeTexts[i].text(n) + ";"
	}
	if set.unreviewed {
		s += "not reviewed"
	}
	return s
}

func (d *digest) number(ns ...int64) {
	for _, n := range ns {
		var b [8]byte
		binary.BigEndian.PutUint64(b[:], uint64(n))
		d.Write(b[:])
	}
}

func (d *digest) text(s string) {
	d.number(int64(len(s)))
	d.Write([]byte(s))
}

func (d *digest) message(m proto.Message) {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil && d.err == nil {
		d.err = fmt.Errorf("facts: digest: %w", err)
	}
	d.text(string(b))
}
