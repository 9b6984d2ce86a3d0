package hours

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
)

// manyHours is how many hours a head in one month look odd: ten on each of 28
// days (common practice, no published source).
const manyHours = 280

// mostViolations bounds how much of a bad file is told at once; a file that is
// wrong throughout has one cause.
const mostViolations = 200

// groupWords are the names of employment groups within resource names.
var groupWords = map[pb.EmploymentGroup]string{
	pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE:    "employee",
	pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE: "labour-hire",
	pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR:  "contractor",
	pb.EmploymentGroup_EMPLOYMENT_GROUP_VOLUNTEER:   "volunteer",
}

// cures say what belongs into a column, for whoever has the file open.
var cures = map[string]string{
	"hours_worked":     "must be a number from 0 to 100,000,000: the hours actually worked, overtime in, leave out",
	"head_count":       "must be a number from 0 to 1,000,000: the average number of people; leave it empty when not known",
	"employment_group": "must be employee, labour hire, contractor or volunteer; visitors and the public work no hours",
	"month":            "must be a month from 1950 on, written like 2026-03",
}

// slot is what one figure is about.
type slot struct {
	month string
	group pb.EmploymentGroup
}

// key is the last part of the resource name of a figure.
func (s slot) key() string { return s.month + "." + groupWords[s.group] }

// row is one row of a file that can be stored as far as it can be seen by
// itself.
type row struct {
	i     int
	line  int64
	hours *pb.Hours
	slot  slot
}

func (r *row) name() string { return r.hours.GetWorkplace() + "/hours/" + r.slot.key() }

// imports is a file of hours that was read: rows that can be stored, and what
// is wrong or odd about the rest.
type imports struct {
	s        *Service
	now      time.Time
	rows     []*row
	restate  bool
	reason   string
	wrong    problems
	warnings []*pb.HoursNote
}

// problems are violations, each with its row; -1 is the request itself.
type problems []problem

type problem struct {
	row int
	fault.Violation
}

// where says where a row stands, for a person with the file open.
func where(i int, line int64) string {
	if line > 0 {
		return "line " + strconv.FormatInt(line, 10)
	}
	return "row " + strconv.Itoa(i+1)
}

// add notes what is wrong with a column of a row.
func (p *problems) add(i int, line int64, column, description string) {
	field := fmt.Sprintf("rows[%d].hours", i)
	text := where(i, line)
	if column != "" {
		field += "." + column
		text += ", column " + column
	}
	*p = append(*p, problem{i, fault.Violation{Field: field, Description: text + ": " + description}})
}

// readRows checks every row by itself and against the others of the file.
func (s *Service) readRows(ctx context.Context, req *pb.ImportHoursRequest) *imports {
	im := &imports{s: s, now: s.clock(), restate: req.GetRestate(), reason: strings.TrimSpace(req.GetReason())}
	if im.restate && len(im.reason) < 3 {
		im.wrong = append(im.wrong, problem{-1, fault.Violation{Field: "reason",
			Description: "is needed with restate: why are figures replaced? Three characters or more"}})
	}
	first := map[string]*row{}
	bySlot := map[slot][]*row{}
	for i, given := range req.GetRows() {
		r, ok := im.readRow(ctx, i, given)
		if !ok {
			continue
		}
		if twin := first[r.name()]; twin != nil {
			im.wrong.add(i, r.line, "workplace", "is the same workplace, month and group as "+where(twin.i, twin.line)+"; keep one of the two, or add them up")
			continue
		}
		first[r.name()] = r
		for _, o := range bySlot[r.slot] {
			if im.related(r.hours.GetWorkplace(), o.hours.GetWorkplace()) {
				im.wrong.add(i, r.line, "workplace", "stands above or below "+o.hours.GetWorkplace()+" of "+where(o.i, o.line)+
					", same month and group: the same hours would count twice; keep them at one level")
				break
			}
		}
		bySlot[r.slot] = append(bySlot[r.slot], r)
		im.rows = append(im.rows, r)
	}
	return im
}

// related reports whether one workplace is the other, or stands above or below.
func (im *imports) related(a, b string) bool {
	return im.s.tree.Within(a, b) || im.s.tree.Within(b, a)
}

// readRow checks one row by itself. What looks odd is taken with a warning.
func (im *imports) readRow(ctx context.Context, i int, given *pb.HoursRow) (*row, bool) {
	line := given.GetLine()
	if given.GetHours() == nil {
		im.wrong.add(i, line, "", "is empty; give a workplace, a month, a group and hours, or leave the line out")
		return nil, false
	}
	h := proto.Clone(given.GetHours()).(*pb.Hours)
	h.Name, h.UpdateTime, h.RestateReason = "", timestamppb.New(im.now), ""
	before := len(im.wrong)
	said := map[string]bool{}
	for _, v := range im.s.rules(h) {
		cure := v.Description
		if words, ok := cures[v.Field]; ok {
			cure = words
		}
		im.wrong.add(i, line, v.Field, cure)
		said[v.Field] = true
	}
	if h.Status == pb.HoursStatus_HOURS_STATUS_UNSPECIFIED {
		h.Status = pb.HoursStatus_HOURS_STATUS_FINAL
	}
	if h.HoursWorked == 0 {
		h.HoursWorked = 0 // never minus zero
	}
	im.place(ctx, i, line, h, said)
	if !said["month"] {
		im.month(i, line, h)
		if !said["hours_worked"] && !said["head_count"] {
			im.perHead(i, line, h)
		}
	}
	if len(im.wrong) > before {
		return nil, false
	}
	r := &row{i: i, line: line, hours: h, slot: slot{h.GetMonth(), h.GetEmploymentGroup()}}
	h.Name = r.name()
	return r, true
}

// place checks the workplace of a row.
func (im *imports) place(ctx context.Context, i int, line int64, h *pb.Hours, said map[string]bool) {
	w := h.GetWorkplace()
	switch {
	case said["workplace"]:
	case !access.Sees(access.From(ctx), im.s.tree, w):
		im.wrong.add(i, line, "workplace", "is beyond what your role reaches; import it as somebody whose role does")
	case !im.s.tree.Has(w):
		im.wrong.add(i, line, "workplace", unknownWorkplace(im.s.tree, w))
	}
}

// month checks that the month has begun, and warns when it is not over or the
// workplace was closed.
func (im *imports) month(i int, line int64, h *pb.Hours) {
	zone := im.s.tree.Location(h.GetWorkplace())
	begin, err := time.ParseInLocation("2006-01", h.GetMonth(), zone)
	if err != nil {
		im.wrong.add(i, line, "month", "is not a month; write it like 2026-03")
		return
	}
	end := begin.AddDate(0, 1, 0)
	switch {
	case begin.After(im.now):
		im.wrong.add(i, line, "month", "has not begun yet; hours worked are known when the month is over")
		return
	case end.After(im.now) && h.GetStatus() == pb.HoursStatus_HOURS_STATUS_FINAL:
		im.warn(line, "status", where(i, line)+", column status: the month is not over; mark the figure as provisional, or check the month")
	}
	if im.s.tree.ClosedAt(h.GetWorkplace(), begin) {
		im.warn(line, "workplace", where(i, line)+", column workplace: was closed before that month; check both")
	}
}

// perHead compares hours with heads. The month itself has so many hours and no
// more.
func (im *imports) perHead(i int, line int64, h *pb.Hours) {
	begin, err := time.Parse("2006-01", h.GetMonth())
	if h.HeadCount == nil || err != nil {
		return
	}
	heads, worked := h.GetHeadCount(), h.GetHoursWorked()
	most := begin.AddDate(0, 1, 0).Sub(begin).Hours()
	each := worked / heads
	switch {
	case heads == 0 && worked > 0:
		im.wrong.add(i, line, "head_count", "is 0, but hours were worked; give the average number of people, or leave it out when not known")
	case heads > 0 && worked == 0:
		im.warn(line, "hours_worked", where(i, line)+", column hours_worked: nobody worked an hour, but there were people; leave the line out when the hours are not known")
	case heads > 0 && each > most:
		im.wrong.add(i, line, "hours_worked", "comes to "+number(math.Round(each))+" hours a head, more than the "+number(most)+
			" that the month has; check hours_worked and head_count")
	case heads > 0 && each > manyHours:
		im.warn(line, "hours_worked", where(i, line)+", column hours_worked: comes to "+number(math.Round(each))+
			" hours a head, over "+strconv.Itoa(manyHours)+" in the month; check hours_worked and head_count")
	}
}

func (im *imports) warn(line int64, column, description string) {
	im.warnings = append(im.warnings, &pb.HoursNote{Line: line, Column: column, Description: description})
}

// number writes a figure as people read it in a file.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
