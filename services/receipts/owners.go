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
	// filed leads from a principal and the name that was given, "" for none, to
	// the reports that it filed openly; told from a person to the tellers that
	// name it; each in the order of the log.
	filed map[string]map[string][]int64
	told  map[string][]int64
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
	return &Owners{log: log, form: form, filed: map[string]map[string][]int64{}, told: map[string][]int64{}, blank: map[string]bool{}}
}

// Take applies changes of the log, in order.
func (o *Owners) Take(ctx context.Context, changes []ledger.Change) {
	for _, c := range changes {
		switch {
		case c.Kind == record.KindReport && c.Revision == 1 && c.Verb == record.VerbFile && o.openly(c.Actor):
			o.file(c.Actor, "", c.Seq)
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

func (o *Owners) file(actor, name string, seq int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.filed[actor] == nil {
		o.filed[actor] = map[string][]int64{}
	}
	o.filed[actor][name] = append(o.filed[actor][name], seq)
}

// teller notes whose report it is, of one told openly. A name told in
// confidence is not held even here. The report is the change before.
func (o *Owners) teller(c ledger.Change) {
	if len(c.Body) == 0 {
		o.mu.Lock()
		o.blank[c.Name] = true
		o.mu.Unlock()
	}
	report := o.openly(c.Actor) && o.takeBack(c.Actor, c.Seq-1)
	if len(c.Body) == 0 || c.Actor == access.Confidential {
		return
	}
	switch name, person := namesOf(c.Body); {
	case person != "":
		o.mu.Lock()
		o.told[person] = append(o.told[person], c.Seq)
		o.mu.Unlock()
	case report:
		o.file(c.Actor, name, c.Seq-1)
	}
}

// takeBack takes out a report that was noted without a name, if it was the last.
func (o *Owners) takeBack(actor string, seq int64) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	list := o.filed[actor][""]
	if len(list) == 0 || list[len(list)-1] != seq {
		return false
	}
	o.filed[actor][""] = list[:len(list)-1]
	return true
}

// The numbers of the fields of Teller that are read here.
var (
	nameField   = (&pb.Teller{}).ProtoReflect().Descriptor().Fields().ByName("display_name").Number()
	personField = (&pb.Teller{}).ProtoReflect().Descriptor().Fields().ByName("person").Number()
)

// namesOf reads the name and the person of a teller, and nothing else: at a
// start there may be a million. A body that cannot be read is the check's to
// find, and nobody's here.
func namesOf(body []byte) (name, person string) {
	for len(body) > 0 {
		number, kind, n := protowire.ConsumeTag(body)
		if n < 0 {
			return "", ""
		}
		body = body[n:]
		if n = protowire.ConsumeFieldValue(number, kind, body); n < 0 {
			return "", ""
		}
		if kind == protowire.BytesType && (number == nameField || number == personField) {
			v, _ := protowire.ConsumeBytes(body)
			if number == nameField {
				name = string(v)
			} else {
				person = string(v)
			}
		}
		body = body[n:]
	}
	return name, person
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
	drop(o.told, changes[0].Seq)
	for _, byName := range o.filed {
		drop(byName, changes[0].Seq-1)
	}
}

// drop takes a change out of whichever list has it, and a list that has no more.
func drop(lists map[string][]int64, seq int64) {
	for who, list := range lists {
		i, found := slices.BinarySearch(list, seq)
		if !found {
			continue
		}
		if list = slices.Delete(list, i, i+1); len(list) == 0 {
			delete(lists, who)
			continue
		}
		lists[who] = list
	}
}

// lead is one change that may have told something of somebody's.
type lead struct {
	seq int64
	how ownership
}

// before returns at most limit leads of a caller that come before a change,
// newest first, and whether there are more.
func (o *Owners) before(c caller, seq int64, limit int) (out []lead, more bool) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	add := func(list []int64, how ownership) {
		end, _ := slices.BinarySearch(list, seq)
		for _, at := range list[max(0, end-limit-1):end] {
			out = append(out, lead{at, how})
		}
	}
	for name, list := range o.filed[c.Name] {
		if sameName(name, c.DisplayName) {
			add(list, byFiling)
		}
	}
	if c.person != "" {
		add(o.told[c.person], byPerson)
	}
	slices.SortFunc(out, func(a, b lead) int { return cmp.Compare(b.seq, a.seq) })
	if more = len(out) > limit; more {
		out = out[:limit]
	}
	return out, more
}
