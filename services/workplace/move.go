package workplace

import (
	"context"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// noHoursTwice refuses a move that would bring hours of the same month and
// employment group above and below each other: every rate of the upper
// workplace would count those hours twice. It reads the whole tree, which only
// a move does.
func noHoursTwice(ctx context.Context, tx ledger.Tx, before, after *pb.Workplace) error {
	parents := map[string]string{}
	for last := ""; ; {
		page, err := tx.List(ctx, record.KindWorkplace, prefix, last, 1000)
		if err != nil {
			return err
		}
		for _, r := range page {
			w := &pb.Workplace{}
			if err := record.Read(r.Body, r.Revision, w); err != nil {
				return err
			}
			parents[r.Name], last = w.GetParent(), r.Name
		}
		if len(page) < 1000 {
			break
		}
	}
	above := map[string]bool{}
	for at := after.GetParent(); at != ""; at = parents[at] {
		above[at] = true
	}
	// Above both places nothing changes.
	for at := before.GetParent(); at != ""; at = parents[at] {
		delete(above, at)
	}
	kept := map[string]string{} // month and group, to the workplace above
	for at := range above {
		keys, err := hoursOf(ctx, tx, at)
		if err != nil {
			return err
		}
		for _, k := range keys {
			kept[k] = at
		}
	}
	if len(kept) == 0 {
		return nil
	}
	for name := range parents {
		if !standsBelow(parents, name, before.GetName()) {
			continue
		}
		keys, err := hoursOf(ctx, tx, name)
		if err != nil {
			return err
		}
		for _, k := range keys {
			if at, twice := kept[k]; twice {
				return fault.State(before.GetName(), "the workplace cannot move: hours of "+k+" are kept at "+name+" and at "+at+
					", and would count twice; leave it where it is, or add a new workplace for the time from now on")
			}
		}
	}
	return nil
}

func standsBelow(parents map[string]string, name, ancestor string) bool {
	for at := name; at != ""; at = parents[at] {
		if at == ancestor {
			return true
		}
	}
	return false
}

// hoursOf returns the months and groups for which a workplace has hours.
func hoursOf(ctx context.Context, tx ledger.Tx, workplace string) ([]string, error) {
	var out []string
	under := workplace + "/hours/"
	for last := ""; ; {
		page, err := tx.List(ctx, record.KindHours, under, last, 1000)
		if err != nil {
			return nil, err
		}
		for _, r := range page {
			out = append(out, strings.TrimPrefix(r.Name, under))
			last = r.Name
		}
		if len(page) < 1000 {
			return out, nil
		}
	}
}
