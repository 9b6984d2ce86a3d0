package keepers

import (
	"context"
	"errors"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// page is how many names are looked at in one go, atOnce how many are written in
// one transaction.
const (
	page   = 1000
	atOnce = 50
)

// kept is one name as it lies in the ledger.
type kept struct {
	teller   *pb.Teller
	revision int64
}

// names calls visit with everybody who told and of whom something is left.
func names(ctx context.Context, from lister, visit func(kept) error) error {
	for after := ""; ; {
		list, err := from.List(ctx, record.KindTeller, "reports/", after, page)
		if err != nil {
			return err
		}
		for _, res := range list {
			after = res.Name
			if len(res.Body) == 0 {
				continue
			}
			t := &pb.Teller{}
			if err := record.Read(res.Body, res.Revision, t); err != nil {
				return err
			}
			if err := visit(kept{t, res.Revision}); err != nil {
				return err
			}
		}
		if len(list) < page {
			return nil
		}
	}
}

// isClosedTo reports whether a name is closed to these keepers and nobody else.
func isClosedTo(t *pb.Teller, force []*pb.Keeper) bool {
	var names, keys []string
	for _, k := range force {
		names, keys = append(names, k.GetName()), append(keys, k.GetRecipient())
	}
	if len(t.GetRecipients()) == 0 { // closed before keys were written down
		return slices.Equal(t.GetKeepers(), names)
	}
	return slices.Equal(t.GetRecipients(), keys)
}

// opensTo returns those of the keepers in force who can open a closed name.
func opensTo(t *pb.Teller, force []*pb.Keeper) []string {
	var out []string
	for _, k := range force {
		i := slices.Index(t.GetKeepers(), k.GetName())
		if i >= 0 && (len(t.GetRecipients()) <= i || t.GetRecipients()[i] == k.GetRecipient()) {
			out = append(out, k.GetName())
		}
	}
	return out
}

var (
	// errMoved says that the keepers are others than those that names were just
	// closed to.
	errMoved = errors.New("keepers: the keepers changed meanwhile")
	// tries is how often that is put up with.
	tries = 3
)

// replace puts names that were closed anew in the place of those that were read,
// as request says who did it. The state before is made unreadable. A name that
// was changed or destroyed meanwhile is left as it is; replaced counts the others.
func (s *Service) replace(ctx context.Context, request ledger.Request, verb string, force []*pb.Keeper, before []kept, after []*pb.Teller) (replaced int, err error) {
	_, err = s.Ledger.Write(ctx, request, func(ctx context.Context, tx ledger.Tx) error {
		replaced = 0
		now, err := s.inForce(ctx, tx)
		if err != nil {
			return err
		}
		if !slices.EqualFunc(now, force, func(a, b *pb.Keeper) bool { return a.GetRecipient() == b.GetRecipient() }) {
			return errMoved
		}
		for i, b := range before {
			name := b.teller.GetName()
			res, err := tx.Get(ctx, name)
			if err != nil {
				return err
			}
			if res.Revision != b.revision {
				continue
			}
			if err := tx.Erase(ctx, name); err != nil {
				return err
			}
			p, err := record.Put(after[i], name, record.KindTeller, verb, b.revision)
			if err != nil {
				return err
			}
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
			replaced++
		}
		return nil
	})
	return replaced, err
}
