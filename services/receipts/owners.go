package receipts

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync"

	"google.golang.org/protobuf/encoding/protowire"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Owners is the projection that leads from an account to the changes by which
// it may have told something. It lives in memory only: that a report names a
// person as its teller lies sealed in the ledger, and nothing here may write it
// down in the open. It holds numbers of changes, eight bytes each, and decides nothing:
// what it leads to is checked against the ledger whenever it is read, so that
// what was erased is gone at once, on every server.
//
// It has no reader of its own: whoever reads the log anyway hands it over, in
// order (see facts.Facts.Along).
type Owners struct {
	log Histories
	// form is the principal by which the open form files for everybody who
	// has not signed in: nothing is its own.
	form string

	mu sync.RWMutex
	// filed leads from a principal to the reports that it filed openly, told
	// from a person to the tellers that name it; each in the order of the log.
	filed, told map[string][]int64
	// blank are tellers that were erased before they were seen here: nothing
	// is to be dropped when their erasure is.
	blank map[string]bool
}

// Histories is the part of the ledger that tells what went before.
type Histories interface {
	History(ctx context.Context, name string) ([]ledger.Change, error)
}

// NewOwners returns an empty projection. form is the principal of the open
// form, or "".
func NewOwners(log Histories, form string) *Owners {
	return &Owners{log: log, form: form, filed: map[string][]int64{}, told: map[string][]int64{}, blank: map[string]bool{}}
}

// Take applies changes of the log, in order.
func (o *Owners) Take(ctx context.Context, changes []ledger.Change) {
	for _, c := range changes {
		switch {
		case c.Kind == record.KindReport && c.Revision == 1 && c.Verb == record.VerbFile && o.openly(c.Actor):
			o.put(o.filed, c.Actor, c.Seq)
		case c.Kind == record.KindTeller && c.Verb == record.VerbErase:
			o.dropTeller(ctx, c)
		case c.Kind == record.KindTeller && c.Revision == 1:
			o.teller(c)
		case c.Kind == record.KindPerson && c.Verb == record.VerbErase:
			o.mu.Lock()
			delete(o.told, c.Name)
			o.mu.Unlock()
		}
	}
}

// openly reports whether an actor is somebody of their own.
func (o *Owners) openly(actor string) bool {
	return strings.HasPrefix(actor, "principals/") && actor != access.Anonymous && actor != access.Confidential && actor != o.form
}

func (o *Owners) put(to map[string][]int64, who string, seq int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	to[who] = append(to[who], seq)
}

// teller notes whose report it is, of one told openly. A name told in
// confidence is not held even here.
func (o *Owners) teller(c ledger.Change) {
	if len(c.Body) == 0 {
		o.mu.Lock()
		o.blank[c.Name] = true
		o.mu.Unlock()
		return
	}
	if c.Actor == access.Confidential {
		return
	}
	if person := personOf(c.Body); person != "" {
		o.put(o.told, person, c.Seq)
	}
}

// personField is the number of Teller.person.
var personField = (&pb.Teller{}).ProtoReflect().Descriptor().Fields().ByName("person").Number()

// personOf reads the person of a teller, and nothing else: at a start there may
// be a million. A body that cannot be read is the check's to find, and nobody's
// here.
func personOf(body []byte) string {
	for len(body) > 0 {
		number, kind, n := protowire.ConsumeTag(body)
		if n < 0 {
			return ""
		}
		body = body[n:]
		if number == personField && kind == protowire.BytesType {
			v, n := protowire.ConsumeString(body)
			if n < 0 {
				return ""
			}
			return v
		}
		if n = protowire.ConsumeFieldValue(number, kind, body); n < 0 {
			return ""
		}
		body = body[n:]
	}
	return ""
}

// dropTeller forgets a teller who was erased. Whose it was is no longer to be
// known: it is found by its number.
func (o *Owners) dropTeller(ctx context.Context, erasure ledger.Change) {
	o.mu.Lock()
	seen := !o.blank[erasure.Name]
	delete(o.blank, erasure.Name)
	o.mu.Unlock()
	if !seen {
		return
	}
	changes, err := o.log.History(ctx, erasure.Name)
	if err != nil || len(changes) == 0 {
		return // what it leads to is found erased when it is read
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for who, list := range o.told {
		if i, found := slices.BinarySearch(list, changes[0].Seq); found {
			o.told[who] = slices.Delete(list, i, i+1)
		}
	}
}

// lead is one change that may have told something of somebody's.
type lead struct {
	seq int64
	how ownership
}

// before returns at most limit leads of a principal and a person that come
// before a change, newest first, and whether there are more.
func (o *Owners) before(principal, person string, seq int64, limit int) (out []lead, more bool) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	add := func(list []int64, how ownership) {
		end, _ := slices.BinarySearch(list, seq)
		for _, at := range list[max(0, end-limit-1):end] {
			out = append(out, lead{at, how})
		}
	}
	add(o.filed[principal], byFiling)
	if person != "" {
		add(o.told[person], byPerson)
	}
	slices.SortFunc(out, func(a, b lead) int { return cmp.Compare(b.seq, a.seq) })
	if more = len(out) > limit; more {
		out = out[:limit]
	}
	return out, more
}
