package keep

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Erasure is one name whose bodies were erased.
type Erasure struct {
	// Name and Kind say what was erased.
	Name string `json:"name"`
	Kind string `json:"kind"`
	// Change and Hash are those of the change that says that it was erased.
	// Without one, Change is the last that was erased, and Hash is empty.
	Change int64  `json:"change"`
	Hash   string `json:"hash,omitempty"`
	// Left is what was left in its place: the body of that change.
	Left []byte `json:"left,omitempty"`
	// Verb is that of the change; empty is an erasure.
	Verb string `json:"verb,omitempty"`
}

// verb returns the verb with which the erasure is repeated.
func (e Erasure) verb() string { return cmp.Or(e.Verb, record.VerbErase) }

// closes reports whether a change put something closed in the place of what was
// erased: a name told in confidence, a keeper's key under another passphrase, what
// tells another password or code. Without it an older copy would lose them for
// good, and might let nobody in.
func closes(c ledger.Change) bool {
	switch c.Kind {
	case record.KindKeeper, record.KindSignInCode:
		return true
	case record.KindCredential: // other ways to sign in are ended, never replaced
		return c.Verb == record.VerbSetPassword
	}
	return c.Verb == record.VerbClose || c.Verb == record.VerbShare
}

// quiet says that nothing in the log says that the name was erased.
func (e Erasure) quiet() bool { return e.Hash == "" }

// Reader is the part of a ledger that reads the log.
type Reader interface {
	Changes(ctx context.Context, after int64, limit int) ([]ledger.Change, error)
}

// Erasures lists what was erased up to now, in the order of the changes that
// say so.
func Erasures(ctx context.Context, l Reader) ([]Erasure, error) {
	open := map[string]ledger.Change{} // erased, and no change says so yet
	said := map[string]Erasure{}
	for after := int64(0); ; {
		list, err := l.Changes(ctx, after, page)
		if err != nil {
			return nil, fmt.Errorf("keep: list erasures: %w", err)
		}
		if len(list) == 0 {
			break
		}
		for _, c := range list {
			after = c.Seq
			_, waits := open[c.Name]
			switch {
			case c.Kind == record.KindKept && !c.Erased:
				// What remains of earlier versions, which no erasure made
				// unreadable: the past needs it in the older copy too.
				said[c.Name] = Erasure{Name: c.Name, Kind: c.Kind, Change: c.Seq, Hash: hex.EncodeToString(c.Hash[:]), Left: c.Body}
				delete(open, c.Name)
			case c.Erased:
				open[c.Name] = c
				delete(said, c.Name)
			case waits && (c.Verb == record.VerbErase || closes(c)):
				delete(open, c.Name)
				e := Erasure{Name: c.Name, Kind: c.Kind, Change: c.Seq, Hash: hex.EncodeToString(c.Hash[:]), Left: c.Body}
				if c.Verb != record.VerbErase {
					e.Verb = c.Verb
				}
				said[c.Name] = e
			}
		}
	}
	var out []Erasure
	for _, e := range said {
		out = append(out, e)
	}
	for _, c := range open {
		out = append(out, Erasure{Name: c.Name, Kind: c.Kind, Change: c.Seq})
	}
	slices.SortFunc(out, func(a, b Erasure) int { return cmp.Compare(a.Change, b.Change) })
	return out, nil
}

// WriteErasures writes a list, a JSON object a line.
func WriteErasures(w io.Writer, list []Erasure) error {
	enc := json.NewEncoder(w)
	for _, e := range list {
		if err := enc.Encode(e); err != nil {
			return fmt.Errorf("keep: write erasures: %w", err)
		}
	}
	return nil
}

// ReadErasures reads a list.
func ReadErasures(r io.Reader) ([]Erasure, error) {
	var out []Erasure
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 2*ledger.MaxBody)
	for n := 1; lines.Scan(); n++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		var e Erasure
		dec := json.NewDecoder(bytes.NewReader(line))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&e); err != nil {
			return nil, fmt.Errorf("keep: list of erasures, line %d: must be a JSON object as `fairlead-server erasures` writes it", n)
		}
		put := ledger.Put{Name: e.Name, Kind: e.Kind, Verb: e.verb(), Body: e.Left, IfRevision: ledger.Any}
		if err := ledger.CheckPut(put); err != nil {
			return nil, fmt.Errorf("keep: list of erasures, line %d: %w", n, err)
		}
		out = append(out, e)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("keep: read erasures: %w", err)
	}
	return out, nil
}

// restorer is in the log as who repeats an erasure.
const restorer = "principals/restore"

// Repeat does on a ledger what a list says was done, where the ledger is from
// before it, and returns how many names it erased. A name that the ledger never
// had is passed over.
func Repeat(ctx context.Context, l ledger.Ledger, list []Erasure) (done int, err error) {
	head, err := l.Head(ctx)
	if err != nil {
		return 0, fmt.Errorf("keep: repeat erasures: %w", err)
	}
	for _, e := range list {
		if e.Kind == record.KindKept {
			if e.Left, err = upTo(head.Seq, e.Left); err != nil {
				return done, fmt.Errorf("keep: repeat erasures: %s: %w", e.Name, err)
			}
		}
		history, err := l.History(ctx, e.Name)
		if errors.Is(err, ledger.ErrNotFound) {
			if e.Kind != record.KindKept {
				continue
			}
			if _, err = l.Get(ctx, path.Dir(e.Name)); errors.Is(err, ledger.ErrNotFound) {
				continue
			}
		}
		if err != nil {
			return done, fmt.Errorf("keep: repeat erasures: %w", err)
		}
		if holds(history, e) {
			continue
		}
		_, err = l.Write(ctx, ledger.Request{Actor: restorer}, func(ctx context.Context, tx ledger.Tx) error {
			kind := e.Kind
			if len(history) > 0 {
				kind = history[0].Kind
				if err := tx.Erase(ctx, e.Name); err != nil || e.quiet() {
					return err
				}
			}
			_, err := tx.Put(ctx, ledger.Put{Name: e.Name, Kind: kind, Verb: e.verb(), Body: e.Left,
				IfRevision: ledger.Any, Seal: record.Sealed(kind)})
			return err
		})
		if err != nil {
			return done, fmt.Errorf("keep: repeat the erasure of %s: %w", e.Name, err)
		}
		done++
	}
	return done, nil
}

// holds reports whether a history already has an erasure: its very change, or,
// where there was none, bodies that are all gone.
func holds(history []ledger.Change, e Erasure) bool {
	if e.quiet() {
		return !slices.ContainsFunc(history, func(c ledger.Change) bool { return !c.Erased && c.Seq <= e.Change })
	}
	return slices.ContainsFunc(history, func(c ledger.Change) bool {
		return c.Seq == e.Change && hex.EncodeToString(c.Hash[:]) == e.Hash
	})
}

// upTo leaves out of what remains the versions that the ledger does not have:
// their numbers will be those of other changes.
func upTo(head int64, body []byte) ([]byte, error) {
	m := &pb.KeptVersions{}
	if err := proto.Unmarshal(body, m); err != nil {
		return nil, errors.New("what was left cannot be read")
	}
	m.Versions = slices.DeleteFunc(m.Versions, func(v *pb.KeptVersion) bool { return v.GetSequenceNumber() > head })
	return record.Body(m)
}
