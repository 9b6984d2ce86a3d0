package receipts

import (
	"context"
	"errors"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// ownership is why a report is somebody's own.
type ownership int

const (
	// notOwn is every other report.
	notOwn ownership = iota
	// byPerson: the teller is the person of the account, whoever typed it.
	byPerson
	// byFiling: the account filed it, under its own name or none.
	byFiling
)

// caller is who asks for their own reports.
type caller struct {
	access.Principal
	// person of the account; empty when there is none.
	person string
}

// who returns the caller. A tablet that nobody has begun a turn on told
// nothing, nor did the open form. ok is false when the person of the account was erased: nothing is
// anybody's own any more.
func (m *Mine) who(ctx context.Context) (c caller, ok bool, err error) {
	c.Principal = access.From(ctx)
	if !m.Owners.openly(c.Name) {
		return c, false, fault.Denied("nobody in particular has signed in here: on a tablet begin a turn with your name and PIN, or use the receipt code")
	}
	if c.person = m.person(c.Name); c.person == "" {
		return c, true, nil
	}
	res, err := m.s.Ledger.Get(ctx, c.person)
	if errors.Is(err, ledger.ErrNotFound) {
		// An account may name somebody whom this house does not keep.
		return c, true, nil
	}
	if err != nil {
		return c, false, err
	}
	p := &pb.Person{}
	if res.Kind != record.KindPerson || res.Erased {
		return c, false, nil
	}
	if err := record.Read(res.Body, res.Revision, p); err != nil {
		return c, false, err
	}
	return c, !record.ErasedPerson(p), nil
}

// mine reads a report of the caller's own. For any other, what was asked for is
// not there.
func (m *Mine) mine(ctx context.Context, name, asked string) (*pb.Report, error) {
	c, ok, err := m.who(ctx)
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, fault.NotFound(asked)
	}
	r, how, err := m.own(ctx, c, name)
	if err == nil && how == notOwn {
		err = fault.NotFound(asked)
	}
	return r, err
}

// own reads a report and says why it is the caller's own. It goes by what the
// ledger holds at this moment, and by nothing that was worked out before.
func (m *Mine) own(ctx context.Context, c caller, name string) (*pb.Report, ownership, error) {
	r, err := m.s.load(ctx, m.s.Ledger, name)
	if status.Code(err) == codes.NotFound {
		return nil, notOwn, nil
	}
	if err != nil {
		return nil, notOwn, err
	}
	switch {
	case r.GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED, r.GetOrigin() != nil,
		// Once who is in it was let go, it is nobody's.
		slices.ContainsFunc(r.GetRemovals(), func(x *pb.Removal) bool { return x.GetPart() != pb.RemovedPart_REMOVED_PART_SOME_WORDS }):
		return nil, notOwn, nil
	}
	t, there, err := m.teller(ctx, name)
	switch {
	case err != nil:
		return nil, notOwn, err
	case !there:
		return nil, notOwn, nil
	case t.GetPerson() != "" && t.GetPerson() == c.person:
		return r, byPerson, nil
	case t.GetPerson() != "", r.GetTypedByAnother(), !sameName(t.GetDisplayName(), c.DisplayName):
		return nil, notOwn, nil
	}
	changes, err := m.s.Ledger.History(ctx, name)
	if err != nil {
		return nil, notOwn, err
	}
	if first := changes[0]; first.Verb != record.VerbFile || first.Actor != c.Name {
		return nil, notOwn, nil
	}
	return r, byFiling, nil
}

// teller reads who told a report; there is false once that was erased. Who gave
// no name is there and says nothing.
func (m *Mine) teller(ctx context.Context, report string) (t *pb.Teller, there bool, err error) {
	changes, err := m.s.Ledger.History(ctx, report+"/teller")
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, true, nil
	}
	if err != nil {
		return nil, false, err
	}
	last := changes[len(changes)-1]
	if last.Verb == record.VerbErase || last.Erased || len(last.Body) == 0 {
		return nil, false, nil
	}
	t = &pb.Teller{}
	return t, true, record.Read(last.Body, last.Revision, t)
}

// sameName reports whether a name that somebody typed may be that of an
// account: each word of the shorter is a word of the longer, or begins one.
// Whoever writes down what another told gives that other's name.
func sameName(given, account string) bool {
	words := func(s string) []string {
		return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.IsMark(r) })
	}
	few, many := words(given), words(account)
	if len(few) == 0 {
		return true
	}
	if len(few) > len(many) {
		few, many = many, few
	}
	for _, w := range few {
		i := slices.IndexFunc(many, func(x string) bool { return x == w || initial(w, x) || initial(x, w) })
		if i < 0 {
			return false
		}
		many = slices.Delete(many, i, i+1)
	}
	return len(few) > 0
}

// initial reports whether a is the first letter of b.
func initial(a, b string) bool {
	return len([]rune(a)) == 1 && strings.HasPrefix(b, a)
}
