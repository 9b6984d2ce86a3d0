package intake

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/answers"
	"fairlead/services/fault"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const reportPrefix = "reports/"

var (
	uuidForm     = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`)
	languageForm = regexp.MustCompile(`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*$`)
)

const nilUUID = "00000000-0000-0000-0000-000000000000"

func isUUID(s string) bool { return uuidForm.MatchString(s) && s != nilUUID }

// earliest is the first day that anything may have happened on.
var earliest = harm.Date(1950, time.January, 1)

// slack is how far clocks may differ before an event lies in the future.
const slack = 5 * time.Minute

// getter reads resources, inside a write or outside.
type getter interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

// examination collects what is wrong with one report. What the contract says of
// single fields was checked before; this is what needs the tree, the clock,
// other resources, or two fields at once.
type examination struct {
	s    *Service
	now  time.Time
	zone *time.Location
	// at is the path of the report in the request, such as "report".
	at string
	// imported records may have happened at a workplace that closed since.
	imported bool
	// batch holds reports that are stored together with this one.
	batch map[string]bool
	vs    fault.Violations
}

func (x *examination) add(field, description string) { x.vs.Add(x.at+"."+field, description) }

// examine returns what is wrong with a report as it is to be stored. moved says
// that the workplace is new to it and must take reports; from reads resources.
// An error means that the check itself could not be done.
func (x *examination) examine(ctx context.Context, from getter, r *pb.Report, moved bool) error {
	x.zone = x.s.Tree.Location(r.GetWorkplace())
	if strings.TrimSpace(r.GetNarrative()) == "" {
		x.add("narrative", "is needed: say in a few words what happened, or what could")
	}
	if l := r.GetLanguageCode(); l != "" && !languageForm.MatchString(l) {
		x.add("language_code", "must be a language tag such as en-AU")
	}
	x.workplace(r, moved)
	x.times(r)
	x.release(r)
	if err := x.harms(ctx, from, r); err != nil {
		return err
	}
	if err := x.links(ctx, from, r); err != nil {
		return err
	}
	x.vs = append(x.vs, answers.Check(r, x.at)...)
	return nil
}

func (x *examination) workplace(r *pb.Report, moved bool) {
	w := r.GetWorkplace()
	switch {
	case w == "":
		x.add("workplace", "is needed; when not sure, give the organisation, "+x.s.Tree.Root())
	case !x.s.Tree.Has(w):
		x.add("workplace", unknownWorkplace(x.s.Tree, w))
	case moved && x.s.Tree.ClosedAt(w, x.takenAt(r)):
		path, open := x.s.Tree.Path(w), ""
		for _, p := range path {
			if !x.s.Tree.ClosedAt(p, x.takenAt(r)) {
				open = p
			}
		}
		x.add("workplace", "is closed and takes no new reports; give "+open+" and say the place in spot")
	}
}

// takenAt is the time at which the workplace must have been open.
func (x *examination) takenAt(r *pb.Report) time.Time {
	if x.imported && r.GetOccurTime().IsValid() {
		return r.GetOccurTime().AsTime()
	}
	return x.now
}

// times checks when it happened.
func (x *examination) times(r *pb.Report) {
	if r.GetMadeTime() != nil && !r.GetMadeTime().IsValid() {
		x.add("made_time", "is not a time")
	}
	occur, end, precision := r.GetOccurTime(), r.GetOccurEndTime(), r.GetOccurPrecision()
	period := precision == pb.TimePrecision_TIME_PRECISION_PERIOD
	if occur == nil {
		if end != nil {
			x.add("occur_end_time", "needs occur_time, the start of the period; or leave it out")
		}
		if precision != 0 {
			x.add("occur_precision", "says how well occur_time is known, which is not given; give the time or leave this out")
		}
		return
	}
	x.instant("occur_time", r.GetOccurTime().IsValid(), occur.AsTime(), precision)
	switch {
	case end == nil && period:
		x.add("occur_end_time", "is needed for a period; or choose ABOUT or DAY as the precision")
	case end == nil:
	case !period:
		x.add("occur_end_time", "is for a period only; choose PERIOD as the precision, or leave it out")
	default:
		x.instant("occur_end_time", end.IsValid(), end.AsTime(), precision)
		if end.IsValid() && occur.IsValid() && end.AsTime().Before(occur.AsTime()) {
			x.add("occur_end_time", "must not be before occur_time")
		}
	}
}

// instant checks one time against the beginning of time and against now, by the
// precision with which it is known: a day is in the future only when the whole
// day is, whatever hour a tablet put into it.
func (x *examination) instant(field string, valid bool, at time.Time, precision pb.TimePrecision) {
	if !valid {
		x.add(field, "is not a time")
		return
	}
	day, today := harm.DayOf(at, x.zone), harm.DayOf(x.now, x.zone)
	if day < earliest {
		x.add(field, "must not be before 1950")
		return
	}
	switch precision {
	case pb.TimePrecision_TIME_PRECISION_UNSPECIFIED, pb.TimePrecision_TIME_PRECISION_DAY:
		if day > today {
			x.add(field, "is after today; which day did it happen?")
		}
	case pb.TimePrecision_TIME_PRECISION_MONTH:
		if monthOf(at, x.zone) > monthOf(x.now, x.zone) {
			x.add(field, "is after this month; which month did it happen in?")
		}
	default:
		if at.After(x.now.Add(slack)) {
			x.add(field, "is later than now; when did it happen?")
		}
	}
}

func monthOf(t time.Time, zone *time.Location) int {
	y, m, _ := t.In(zone).Date()
	return y*12 + int(m)
}

// release checks what got out.
func (x *examination) release(r *pb.Report) {
	l := r.GetRelease()
	if l == nil {
		return
	}
	if r.GetKind() == pb.ReportKind_REPORT_KIND_HAZARD {
		x.add("release", "does not fit a hazard, from which nothing has got out yet; choose another kind, or leave it out")
	}
	if l.Quantity != nil && strings.TrimSpace(l.GetQuantityUnit()) == "" {
		x.add("release.quantity_unit", "is needed with a quantity, such as L, kg or m3")
	}
	x.vs = append(x.vs, answers.Check(l, x.at+".release")...)
}

// links checks that linked reports are there and not named twice.
func (x *examination) links(ctx context.Context, from getter, r *pb.Report) error {
	seen := map[string]bool{}
	for i, l := range r.GetLinks() {
		field := index("links", i) + ".report"
		switch {
		case l.GetReport() == r.GetName():
			x.add(field, "is the report itself; leave it out")
			continue
		case seen[l.GetReport()]:
			x.add(field, "is named twice; leave one out")
			continue
		case x.batch[l.GetReport()]:
			continue
		}
		seen[l.GetReport()] = true
		there, err := x.exists(ctx, from, l.GetReport(), record.KindReport)
		if err != nil {
			return err
		}
		if !there {
			x.add(field, "is not a report here; check the name, or leave the link out")
		}
	}
	return nil
}

// exists reports whether a resource of a kind is there.
func (x *examination) exists(ctx context.Context, from getter, name, kind string) (bool, error) {
	res, err := from.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return false, nil
	}
	if err != nil || res.Kind != kind {
		return false, err
	}
	if kind != record.KindPerson {
		return true, nil
	}
	// Somebody who was erased is nobody that a report may name.
	p := &pb.Person{}
	return !res.Erased && record.Read(res.Body, res.Revision, p) == nil && !record.ErasedPerson(p), nil
}

// unknownWorkplace says that a workplace is not there and what it may have been
// meant to be.
func unknownWorkplace(t Tree, name string) string {
	near := t.Nearest(name, 3)
	if len(near) == 0 {
		return "is not a workplace here; when not sure, give the organisation"
	}
	return "is not a workplace here; did you mean " + strings.Join(near, " or ") + "?"
}

func index(field string, i int) string { return fmt.Sprintf("%s[%d]", field, i) }
