package workplace

import (
	"context"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/record"
)

// filesAnywhere reports whether somebody must be able to choose any workplace:
// workers, and the open form, which is one, file for wherever something
// happened; an administrator looks after the tree. The names of places are no
// secret from them; what happened there is.
func filesAnywhere(who access.Principal) bool {
	return len(who.Workplaces) == 0 || who.Has(pb.Role_ROLE_WORKER) || who.Has(pb.Role_ROLE_ADMINISTRATOR)
}

// shown returns a workplace as the caller may see it: whole where their role
// reaches; on the way from the top to there, what it takes to say where one is
// and what day it is there; nil elsewhere.
func (s *Service) shown(ctx context.Context, w *pb.Workplace) *pb.Workplace {
	who := access.From(ctx)
	switch {
	case filesAnywhere(who), access.Sees(who, s.tree, w.GetName()):
		return w
	case slices.ContainsFunc(who.Workplaces, func(own string) bool { return s.tree.Within(own, w.GetName()) }):
		return &pb.Workplace{Name: w.GetName(), Parent: w.GetParent(), Level: w.GetLevel(), Title: w.GetTitle(),
			TimeZone: w.GetTimeZone(), CloseTime: w.GetCloseTime()}
	}
	return nil
}

// workplaces returns at most size workplaces after a name, as the caller may see
// them, and whether there are more.
func (s *Service) workplaces(ctx context.Context, from reader, after string, size int) ([]*pb.Workplace, bool, error) {
	var out []*pb.Workplace
	for {
		page, err := from.List(ctx, record.KindWorkplace, prefix, after, size+1)
		if err != nil {
			return nil, false, err
		}
		for _, r := range page {
			w := &pb.Workplace{}
			if err := record.Read(r.Body, r.Revision, w); err != nil {
				return nil, false, err
			}
			after = r.Name
			if w = s.shown(ctx, w); w == nil {
				continue
			}
			if len(out) == size {
				return out, true, nil
			}
			out = append(out, w)
		}
		if len(page) <= size {
			return out, false, nil
		}
	}
}
