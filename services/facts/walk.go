package facts

import (
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// Walk visits, all at one sequence number, the reports that match, the persons
// hurt in them, and the hours of the workplaces, of all below them and of all
// above them (hours may be kept higher up), whatever their month. A nil visitor
// skips its part. workplaces, each with all below it, replaces that of the
// filter; empty is the whole tree.
//
// The data set is `here` for reports filed here. A harm carries what measures count by: outcome (also as its only history),
// illness, employment group, absences, restrictions and date of death. Harms and hours are shared: a visitor must not change them, may keep
// them, and must not call Facts.
func (f *Facts) Walk(q *pb.ReportFilter, workplaces []string,
	report func(workplace, dataset string, day harm.Day, kind pb.ReportKind),
	hurt func(workplace, dataset string, day harm.Day, h *pb.Harm),
	hours func(h *pb.Hours),
) (seq int64, err error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	reports, err := f.compile(q, workplaces, false)
	if err != nil {
		return 0, err
	}
	people, err := f.compile(q, workplaces, true)
	if err != nil {
		return 0, err
	}
	c := f.columns
	if report != nil {
		reports.scan(func(rows []uint32) {
			for _, r := range rows {
				report(c.workplaces.text(c.workplace[r]), c.origin(r), harm.Day(c.day[r]), pb.ReportKind(c.kind[r]))
			}
		})
	}
	if hurt != nil {
		people.scan(func(rows []uint32) {
			for _, h := range rows {
				r := c.hurt.report[h]
				hurt(c.workplaces.text(c.workplace[r]), c.origin(r), harm.Day(c.day[r]), c.hurt.message(h))
			}
		})
	}
	if hours != nil {
		f.walkHours(workplaces, hours)
	}
	return c.seq, nil
}

func (f *Facts) walkHours(workplaces []string, visit func(*pb.Hours)) {
	var branch map[string]bool
	if len(workplaces) > 0 {
		branch = map[string]bool{}
		for _, w := range workplaces {
			for _, n := range append(f.tree.Below(w), f.tree.Path(w)...) {
				branch[n] = true
			}
		}
	}
	for _, name := range f.columns.hours.names {
		if h := f.columns.hours.rows[name]; branch == nil || branch[h.GetWorkplace()] {
			visit(h)
		}
	}
}

// origin returns the data set of a report, as filters name it.
func (c *columns) origin(r uint32) string {
	if d := c.datasets.text(c.dataset[r]); d != "" {
		return d
	}
	return here
}

// Erased returns how many reports there were whose words the ledger no longer
// holds, so that they are in no figure and in no list.
func (f *Facts) Erased() (n int64) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	for _, flags := range f.columns.flags {
		if flags&erased != 0 {
			n++
		}
	}
	return n
}

// Erasures counts the erasures that were followed: when it rises, whatever was
// built from the log before may hold what the log no longer does.
func (f *Facts) Erasures() int64 {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.columns.erasures
}

// First returns the earliest day of any report that matches; ok is false when
// none does. A month before it has no record, which is not the same as none to
// record.
func (f *Facts) First(q *pb.ReportFilter, workplaces []string) (day harm.Day, ok bool, err error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	p, err := f.compile(q, workplaces, false)
	if err != nil {
		return harm.NoDay, false, err
	}
	day = harm.NoDay
	p.scan(func(rows []uint32) {
		for _, r := range rows {
			if d := harm.Day(f.columns.day[r]); !ok || d < day {
				day, ok = d, true
			}
		}
	})
	return day, ok, nil
}
