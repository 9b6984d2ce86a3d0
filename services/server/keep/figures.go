package keep

import (
	"context"
	"fmt"
	"maps"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// counted is how many there are of what, by workplace and sort: reports by
// kind, persons hurt by outcome, and rows and quarter hours of hours worked.
type counted map[string]int64

func reportKey(workplace string, k pb.ReportKind) string {
	return fmt.Sprintf("reports of kind %d at %s", k, workplace)
}

func hurtKey(workplace string, o pb.OutcomeClass) string {
	return fmt.Sprintf("persons hurt with outcome %d at %s", o, workplace)
}

func hoursKey(workplace string) string { return "rows of hours at " + workplace }

func quartersKey(workplace string) string { return "quarter hours worked at " + workplace }

// quarters turns hours into whole numbers, so that the order of adding does not
// matter.
func quarters(h float64) int64 { return int64(h*4 + 0.5) }

// figures holds what the projection counts to a plain count of the resources
// as they lie in the ledger. Voided reports are counted in neither.
func (c *checker) figures(ctx context.Context, l Lister, built *facts.Facts) error {
	plain, err := c.plainCount(ctx, l)
	if err != nil {
		return err
	}
	got := counted{}
	_, err = built.Walk(&pb.ReportFilter{}, nil,
		func(workplace, _ string, _ harm.Day, k pb.ReportKind) { got[reportKey(workplace, k)]++ },
		func(workplace, _ string, _ harm.Day, h *pb.Harm) { got[hurtKey(workplace, h.GetOutcome())]++ },
		func(h *pb.Hours) {
			got[hoursKey(h.GetWorkplace())]++
			got[quartersKey(h.GetWorkplace())] += quarters(h.GetHoursWorked())
		})
	if err != nil {
		return err
	}
	keys := slices.Sorted(maps.Keys(plain))
	for k := range got {
		if _, ok := plain[k]; !ok {
			keys = append(keys, k)
		}
	}
	for _, k := range keys {
		if plain[k] != got[k] {
			c.out.found(Finding{Part: PartFigures, What: fmt.Sprintf("%s: the figures count %d, the ledger holds %d", k, got[k], plain[k])})
		}
	}
	return nil
}

// plainCount goes through every resource and shares no code with the figures.
func (c *checker) plainCount(ctx context.Context, l Lister) (counted, error) {
	plain := counted{}
	unreadable := func(r ledger.Resource) {
		c.out.found(Finding{PartFigures, r.Seq, r.Name, "cannot be read from the ledger"})
	}
	err := each(ctx, l, record.KindReport, func(res ledger.Resource) error {
		r := &pb.Report{}
		if err := record.Read(res.Body, res.Revision, r); err != nil {
			unreadable(res)
			return nil
		}
		if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
			return nil
		}
		c.out.Reports++
		plain[reportKey(r.GetWorkplace(), r.GetKind())]++
		for _, h := range r.GetHarms() {
			c.out.People++
			plain[hurtKey(r.GetWorkplace(), h.GetOutcome())]++
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return plain, each(ctx, l, record.KindHours, func(res ledger.Resource) error {
		h := &pb.Hours{}
		if err := record.Read(res.Body, res.Revision, h); err != nil {
			unreadable(res)
			return nil
		}
		c.out.Hours++
		plain[hoursKey(h.GetWorkplace())]++
		plain[quartersKey(h.GetWorkplace())] += quarters(h.GetHoursWorked())
		return nil
	})
}
