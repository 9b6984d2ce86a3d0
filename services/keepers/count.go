package keepers

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// counted are the names told in confidence, by who can open them.
type counted struct {
	open   int32
	closed map[string]*pb.ClosedNames
}

// count counts the names that are closed to whom.
func (s *Service) count(ctx context.Context, force []*pb.Keeper) (*counted, error) {
	c := &counted{closed: map[string]*pb.ClosedNames{}}
	return c, names(ctx, s.Ledger, func(k kept) error {
		if len(k.teller.GetClosed()) == 0 {
			// Those without a day are closed in the background too, and not worth
			// reading every report for.
			if k.teller.GetEraseDate() != "" {
				c.open++
			}
			return nil
		}
		to := opensTo(k.teller, force)
		unshared := len(to) > 0 && !isClosedTo(k.teller, force)
		key := fmt.Sprint(to, unshared)
		if c.closed[key] == nil {
			c.closed[key] = &pb.ClosedNames{Keepers: to, Unshared: unshared}
		}
		c.closed[key].Names++
		return nil
	})
}

// lines are the counts in words, those that fewest can open first.
func (c *counted) lines() []*pb.ClosedNames {
	var out []*pb.ClosedNames
	for _, l := range c.closed {
		l.Words = inWords(int(l.GetNames()), len(l.GetKeepers()))
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b *pb.ClosedNames) int {
		return cmp.Or(cmp.Compare(len(a.GetKeepers()), len(b.GetKeepers())), strings.Compare(fmt.Sprint(a.GetKeepers()), fmt.Sprint(b.GetKeepers())))
	})
	return out
}

// inWords says how many names are closed to how many keepers, and what that
// means.
func inWords(names, keepers int) string {
	subject, them := fmt.Sprintf("%d names are", names), "the names are"
	if names == 1 {
		subject, them = "1 name is", "the name is"
	}
	switch keepers {
	case 0:
		return subject + " closed to nobody who is still a keeper, and cannot be opened any more."
	case 1:
		return subject + " closed to one person only: if they forget the passphrase, " + them + " lost."
	}
	return fmt.Sprintf("%s closed to %d keepers: each can open them alone.", subject, keepers)
}
