package retention

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// dueReport is one report that something may be taken out of.
type dueReport struct {
	report string
	class  *pb.RetentionClass
	step   pb.RetentionStep
}

// dueList is what falls due on a day.
type dueList struct {
	day     harm.Day
	seq     int64
	classes []*pb.RetentionClass
	list    []dueReport
	held    int64
	// under are the holds that were in force when the list was made.
	under *held
}

// due works out what falls due on a day, which may be one to come. only narrows
// it to what falls due under some classes; the others still hold back.
func (s *Service) due(ctx context.Context, date string, only []string) (*dueList, error) {
	head, err := s.Ledger.Head(ctx)
	if err != nil {
		return nil, outside(err, "")
	}
	if err := s.Facts.Wait(ctx, head.Seq); err != nil {
		return nil, fault.Behind(time.Second)
	}
	d := &dueList{day: harm.DayOf(s.Clock(), s.Tree.Location(s.Tree.Root())), seq: head.Seq}
	if date != "" {
		if d.day, err = harm.ParseDay(date); err != nil {
			return nil, fault.Invalid(fault.Violation{Field: "date", Description: "is not a day that exists; write it like 2026-03-31"})
		}
	}
	all, err := s.classes(ctx, s.Ledger)
	if err != nil {
		return nil, err
	}
	var vs fault.Violations
	for i, name := range only {
		if !slices.ContainsFunc(all, func(c *pb.RetentionClass) bool { return c.GetName() == name && c.GetInForce() }) {
			vs.Add(index("classes", i), "is not a class in force; leave it out, or let an adviser and an administrator agree to it first")
		}
	}
	if err := vs.Err(); err != nil {
		return nil, err
	}
	for _, c := range all {
		if c.GetInForce() {
			d.classes = append(d.classes, c)
		}
	}
	if d.under, err = s.held(ctx, s.Ledger); err != nil || len(d.classes) == 0 {
		return d, err
	}
	return d, s.scan(ctx, d, only)
}

// scan goes through all reports, a page at a time.
func (s *Service) scan(ctx context.Context, d *dueList, only []string) error {
	tellers := map[string]*pb.Teller{}
	err := list(ctx, s.Ledger, record.KindTeller, "reports/", func(res ledger.Resource) error {
		t := &pb.Teller{}
		if len(res.Body) > 0 {
			if err := record.Read(res.Body, res.Revision, t); err != nil {
				return err
			}
		}
		if told(t) {
			tellers[reportOfTeller(res.Name)] = &pb.Teller{Person: t.GetPerson()}
		}
		return nil
	})
	if err != nil {
		return err
	}
	var page []*pb.Report
	flush := func() error {
		found, err := s.pageOf(d, page, tellers, only)
		d.list = append(d.list, found...)
		page = page[:0]
		return err
	}
	err = list(ctx, s.Ledger, record.KindReport, "reports/", func(res ledger.Resource) error {
		if len(res.Body) == 0 {
			return nil
		}
		r := &pb.Report{}
		if err := record.Read(res.Body, res.Revision, r); err != nil {
			return err
		}
		if page = append(page, r); len(page) < 1000 {
			return nil
		}
		return flush()
	})
	if err != nil {
		return err
	}
	return flush()
}

// pageOf decides about some reports.
func (s *Service) pageOf(d *dueList, page []*pb.Report, tellers map[string]*pb.Teller, only []string) ([]dueReport, error) {
	names := make([]string, len(page))
	for i, r := range page {
		names[i] = r.GetName()
	}
	covers := make([][]bool, len(d.classes))
	for i, c := range d.classes {
		var err error
		if covers[i], err = s.match(names, c.GetFilter()); err != nil {
			return nil, err
		}
	}
	over, err := d.under.over(s, names)
	if err != nil {
		return nil, err
	}
	var out []dueReport
	for i, r := range page {
		var of []*pb.RetentionClass
		for j, c := range d.classes {
			if covers[j][i] {
				of = append(of, c)
			}
		}
		teller, isTold := tellers[r.GetName()]
		step, class := s.falls(r, of, isTold, d.day)
		if class == nil || len(only) > 0 && !slices.Contains(only, class.GetName()) {
			continue
		}
		people := []string{teller.GetPerson()}
		for _, h := range r.GetHarms() {
			people = append(people, h.GetPerson())
		}
		if over[i] != "" || d.under.person(people...) != "" {
			d.held++
			continue
		}
		out = append(out, dueReport{r.GetName(), class, step})
	}
	return out, nil
}

// falls returns the furthest step that a report is due for, and the class that
// decided it; nil when it is due for none. of are the classes that cover it.
func (s *Service) falls(r *pb.Report, of []*pb.RetentionClass, isTold bool, day harm.Day) (pb.RetentionStep, *pb.RetentionClass) {
	const (
		keep       = pb.RetentionStep_RETENTION_STEP_KEEP
		tellers    = pb.RetentionStep_RETENTION_STEP_TELLERS
		identities = pb.RetentionStep_RETENTION_STEP_IDENTITIES
		words      = pb.RetentionStep_RETENTION_STEP_WORDS
	)
	for _, step := range []pb.RetentionStep{words, identities, tellers} {
		if done(r, step) || step == tellers && !isTold {
			continue
		}
		var last *pb.RetentionClass
		latest, open := harm.NoDay, false
		for _, c := range of {
			holdsBack := c.GetStep() == keep && step != tellers
			if c.GetStep() != step && !holdsBack {
				continue
			}
			if c.GetMonths() == 0 {
				open = true
				continue
			}
			end := s.end(r, c)
			if end >= day+1 {
				open = true
			}
			if c.GetStep() == step && (last == nil || end > latest) {
				last, latest = c, end
			}
		}
		if last != nil && !open {
			return step, last
		}
	}
	return 0, nil
}

// done reports whether a step, or one that goes further, was done already.
func done(r *pb.Report, step pb.RetentionStep) bool {
	for _, m := range r.GetRemovals() {
		switch {
		case m.GetPart() == pb.RemovedPart_REMOVED_PART_WORDS,
			m.GetPart() == pb.RemovedPart_REMOVED_PART_IDENTITIES && step == pb.RetentionStep_RETENTION_STEP_IDENTITIES:
			return step != pb.RetentionStep_RETENTION_STEP_TELLERS
		}
	}
	return false
}

// end returns the first day on which a class keeps a report no longer.
func (s *Service) end(r *pb.Report, c *pb.RetentionClass) harm.Day {
	zone := s.Tree.Location(r.GetWorkplace())
	at, received := r.GetOccurTime(), false
	switch {
	case c.GetStart() == pb.RetentionStart_RETENTION_START_LAST_CHANGE && r.GetUpdateTime() != nil:
		at = r.GetUpdateTime()
	case c.GetStart() == pb.RetentionStart_RETENTION_START_EVENT && at != nil:
	default:
		at, received = r.GetReceiveTime(), true
	}
	if received && r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		zone = time.UTC // only the day was kept, at midnight UTC
	}
	t := at.AsTime().In(zone)
	y, m, day := t.Date()
	// A month that is too short for the day ends the period on its next one.
	return harm.DayOf(time.Date(y, m+time.Month(c.GetMonths()), day, 12, 0, 0, 0, time.UTC), time.UTC)
}

// etag stands for exactly this list on this day, and for the holds that were
// looked at.
func (d *dueList) etag() string {
	h := sha256.New()
	fmt.Fprintln(h, "fairlead due 1", d.day)
	for _, c := range d.classes {
		fmt.Fprintln(h, c.GetName(), c.GetEtag())
	}
	for _, o := range d.under.list {
		fmt.Fprintln(h, o.GetName(), o.GetEtag())
	}
	for _, r := range d.list {
		fmt.Fprintln(h, r.report, r.step, r.class.GetName())
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// mostNames bounds how many names of reports a preview lists for each class.
const mostNames = 1000

// preview tells what is due, with the names of reports or without.
func (d *dueList) preview(names bool) *pb.PreviewRetentionResponse {
	out := &pb.PreviewRetentionResponse{Date: d.day.String(), Held: d.held, Etag: d.etag(), SequenceNumber: d.seq}
	by := map[string]*pb.DueUnderClass{}
	for _, c := range d.classes {
		if c.GetStep() == pb.RetentionStep_RETENTION_STEP_KEEP {
			continue
		}
		by[c.GetName()] = &pb.DueUnderClass{RetentionClass: c.GetName(), Title: c.GetTitle(), Step: c.GetStep()}
		out.Due = append(out.Due, by[c.GetName()])
	}
	for _, r := range d.list {
		u := by[r.class.GetName()]
		if u.Count++; names && len(u.Reports) < mostNames {
			u.Reports = append(u.Reports, r.report)
		}
	}
	slices.SortFunc(out.Due, func(a, b *pb.DueUnderClass) int {
		return cmp.Or(cmp.Compare(b.GetCount(), a.GetCount()), strings.Compare(a.GetRetentionClass(), b.GetRetentionClass()))
	})
	return out
}
