package export

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// between goes through the changes between two moments and says what became of
// the reports and hours of a summary.
type between struct {
	s        *Service
	req      *pb.GetSummaryRequest
	who      access.Principal
	from, to int64
	// then and now are what the two summaries were made from.
	then, now source
	limit     int

	codes bool
	// told are the reports that were touched, with the state of their parts as
	// it was before each change.
	told  map[string]*touched
	hours map[string]bool
}

// touched is what happened to one report.
type touched struct {
	what   []string
	last   int64
	before *pb.Report
	// known says that before is the state before the next change.
	known bool
}

// readOnce is how many changes are read at a time.
const readOnce = 500

// tell fills in the reports and hours behind a comparison.
func (b *between) tell(ctx context.Context, out *pb.SummaryComparison) error {
	b.codes = access.ViewOf(b.who).Codes
	b.told, b.hours = map[string]*touched{}, map[string]bool{}
	reports := access.NewPolicy().Allow(b.who, "ReportService.ListReports") == nil
	for at := b.from; at < b.to; {
		if err := ctx.Err(); err != nil {
			return err
		}
		changes, err := b.s.d.Log.Changes(ctx, at, int(min(readOnce, b.to-at)))
		if err != nil {
			return fmt.Errorf("export: read changes: %w", err)
		}
		if len(changes) == 0 {
			return fmt.Errorf("export: change %d is not in the log: run the check", at+1)
		}
		for _, c := range changes {
			at = c.Seq
			switch c.Kind {
			case record.KindReport, record.KindCoding:
				if reports {
					if err := b.touch(ctx, c); err != nil {
						return err
					}
				}
			case record.KindHours:
				b.hours[c.Name] = true
			}
		}
	}
	workplaces, err := b.reach()
	if err != nil {
		return err
	}
	if err := b.listReports(ctx, out, workplaces); err != nil {
		return err
	}
	if !reports {
		out.Notes = append(out.Notes, "Which reports are behind the differences is open to those who may read reports; ask the safety adviser.")
	}
	return b.listHours(ctx, out, workplaces)
}

// touch notes what a change did to a report.
func (b *between) touch(ctx context.Context, c ledger.Change) error {
	name, ok := record.ReportOf(c.Name)
	if !ok {
		return nil
	}
	t := b.told[name]
	if t == nil {
		t = &touched{}
		b.told[name] = t
	}
	t.last = c.Seq
	if c.Kind == record.KindCoding {
		switch {
		case !b.codes:
		case c.Revision > 1:
			t.what = add(t.what, "coded anew")
		default:
			t.what = add(t.what, "coded")
		}
		return nil
	}
	if len(c.Body) == 0 {
		t.what = add(t.what, "no longer held")
		return nil
	}
	after := &pb.Report{}
	if err := record.Read(c.Body, c.Revision, after); err != nil {
		return err
	}
	if !t.known && c.Revision > 1 {
		t.before = &pb.Report{}
		if _, err := read(ctx, b.s.d.Log, c.Seq-1, name, t.before); err != nil {
			return err
		}
	}
	for _, w := range deed(c.Verb, t.before, after) {
		t.what = add(t.what, w)
	}
	t.before, t.known = after, true
	return nil
}

// deed says in plain words what a change did.
func deed(verb string, before, after *pb.Report) []string {
	switch verb {
	case record.VerbFile:
		return []string{"filed"}
	case record.VerbImport:
		return []string{"imported"}
	case record.VerbVoid:
		return []string{"voided"}
	}
	out := outcomes(before, after)
	switch verb {
	case record.VerbAddHarm:
		out = append([]string{"a person hurt was added"}, out...)
	case record.VerbAbsence:
		out = append(out, "days away or restricted were recorded")
	case record.VerbOutcome:
		if len(out) == 0 {
			out = []string{"an outcome was recorded"}
		}
	default:
		out = append([]string{"amended"}, out...)
		if before.GetKind() != after.GetKind() {
			out = append(out, "kind changed from "+wordsOf(before.GetKind().String(), "REPORT_KIND_")+" to "+wordsOf(after.GetKind().String(), "REPORT_KIND_"))
		}
		if before.GetWorkplace() != after.GetWorkplace() {
			out = append(out, "moved to another workplace")
		}
		if !proto.Equal(before.GetOccurTime(), after.GetOccurTime()) {
			out = append(out, "time of the event changed")
		}
		if before.GetPotential() != after.GetPotential() {
			out = append(out, "worst credible outcome changed")
		}
	}
	return out
}

// outcomes says which persons' outcome is another one.
func outcomes(before, after *pb.Report) (out []string) {
	was := map[string]pb.OutcomeClass{}
	for _, h := range before.GetHarms() {
		was[h.GetHarmId()] = h.GetOutcome()
	}
	for _, h := range after.GetHarms() {
		if o, ok := was[h.GetHarmId()]; ok && o != h.GetOutcome() {
			out = append(out, "outcome changed from "+wordsOf(o.String(), "OUTCOME_CLASS_")+" to "+wordsOf(h.GetOutcome().String(), "OUTCOME_CLASS_"))
		}
	}
	return out
}

// wordsOf turns the name of an enum value into words.
func wordsOf(name, prefix string) string {
	name = strings.TrimPrefix(name, prefix)
	if name == "UNSPECIFIED" {
		return "none recorded"
	}
	return strings.ToLower(strings.ReplaceAll(name, "_", " "))
}

// listReports lists the touched reports that one of the two summaries counts and
// that the caller sees today.
func (b *between) listReports(ctx context.Context, out *pb.SummaryComparison, workplaces []string) error {
	var names []string
	for name := range b.told {
		names = append(names, name)
	}
	slices.SortFunc(names, func(x, y string) int { return cmp.Compare(b.told[x].last, b.told[y].last) })
	was, err := b.then.finder.MatchAll(names, b.filter(), workplaces)
	if err != nil {
		return err
	}
	is, err := b.now.finder.MatchAll(names, b.filter(), workplaces)
	if err != nil {
		return err
	}
	seen, err := b.s.d.Finder.MatchAll(names, &pb.ReportFilter{IncludeVoided: true}, b.who.Workplaces)
	if err != nil {
		return err
	}
	for i, name := range names {
		if !seen[i] || !was[i] && !is[i] || len(b.told[name].what) == 0 {
			continue
		}
		if out.ReportCount++; out.ReportCount > int64(b.limit) {
			continue
		}
		r := &pb.Report{}
		if _, err := read(ctx, b.s.d.Log, b.to, name, r); err != nil {
			return err
		}
		out.Reports = append(out.Reports, &pb.ReportDifference{Report: name, ShortCode: r.GetShortCode(), What: b.told[name].what, WasIn: was[i], IsIn: is[i]})
	}
	return nil
}

// listHours lists the hours that were added or restated, in scope and period.
func (b *between) listHours(ctx context.Context, out *pb.SummaryComparison, workplaces []string) error {
	var names []string
	for name := range b.hours {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		is, was := &pb.Hours{}, &pb.Hours{}
		ok, err := read(ctx, b.s.d.Log, b.to, name, is)
		if err != nil {
			return err
		}
		p := b.req.GetPeriod()
		if !ok || is.GetMonth() < p.GetStartMonth() || is.GetMonth() >= p.GetEndMonth() || !b.near(is.GetWorkplace(), workplaces) {
			continue
		}
		if g := b.req.GetEmploymentGroups(); len(g) > 0 && !slices.Contains(g, is.GetEmploymentGroup()) {
			continue
		}
		kept, err := read(ctx, b.s.d.Log, b.from, name, was)
		if err != nil {
			return err
		}
		d := &pb.HoursDifference{Workplace: is.GetWorkplace(), Month: is.GetMonth(), Group: wordsOf(is.GetEmploymentGroup().String(), "EMPLOYMENT_GROUP_"),
			IsHours: is.GetHoursWorked(), IsHeads: is.HeadCount, Reason: is.GetRestateReason()}
		if b.s.d.Masks != nil && !access.ViewOf(b.who).Actors {
			b.s.d.Masks.CoverPlain(&d.Reason)
		}
		if kept {
			d.WasHours, d.WasHeads = proto.Float64(was.GetHoursWorked()), was.HeadCount
		}
		if out.Hours = append(out.Hours, d); len(out.Hours) == b.limit {
			out.Notes = append(out.Notes, fmt.Sprintf("Only the first %d figures of hours are listed.", b.limit))
			return nil
		}
	}
	return nil
}

// near reports whether hours of a workplace may stand below the line of the
// summary, and are open to the caller: kept below the scope, or above it.
func (b *between) near(workplace string, scope []string) bool {
	if !access.Sees(b.who, b.s.d.Tree, workplace) {
		return false
	}
	return len(scope) == 0 || slices.ContainsFunc(scope, func(w string) bool {
		return b.s.d.Tree.Within(workplace, w) || b.s.d.Tree.Within(w, workplace)
	})
}
