package hours

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
)

// Bounds on hours per head and month. 280 is ten hours on every one of 28 days
// (common practice, no published source): more is odd. More hours than a month
// has are impossible.
const (
	oddHours        = 280
	longestMonth    = 31 * 24
	maxViolations   = 200
	publicWorkHours = "visitors and the public work no hours; leave the row out"
)

// row is one row that can be stored.
type row struct {
	at    int // index in the request
	line  int64
	hours *pb.Hours
}

// words say where a violation is and what to do.
func (r row) words(column, cure string) string {
	if r.line > 0 {
		return fmt.Sprintf("line %d, column %s: %s", r.line, column, cure)
	}
	return cure
}

// check checks every row by itself and against the others, and says all that
// is wrong at once.
func (s *Service) check(ctx context.Context, req *pb.ImportHoursRequest) ([]row, []*pb.HoursNote, error) {
	var vs fault.Violations
	var rows []row
	var warnings []*pb.HoursNote
	add := func(r row, column, cure string) {
		if len(vs) == maxViolations {
			vs.Add("rows", fmt.Sprintf("there are more than %d things to mend; these come first", maxViolations))
		}
		if len(vs) < maxViolations {
			vs.Add(fmt.Sprintf("rows[%d].hours.%s", r.at, column), r.words(column, cure))
		}
	}
	if req.GetRestate() && strings.TrimSpace(req.GetReason()) == "" {
		vs.Add("reason", "say why stored figures change")
	}
	who := access.From(ctx)
	for i, given := range req.GetRows() {
		r := row{at: i, line: given.GetLine()}
		if given.GetHours() == nil {
			add(r, "workplace", "the row is empty; leave it out")
			continue
		}
		r.hours = proto.Clone(given.GetHours()).(*pb.Hours)
		h := r.hours
		h.Name, h.UpdateTime, h.RestateReason = "", nil, ""
		if h.GetStatus() == pb.HoursStatus_HOURS_STATUS_UNSPECIFIED {
			h.Status = pb.HoursStatus_HOURS_STATUS_FINAL
		}
		before := len(vs)
		s.checkForm(r, add)
		if len(vs) > before {
			continue
		}
		s.checkPlace(who, r, add)
		s.checkHeads(r, add, &warnings)
		h.Name = name(h)
		rows = append(rows, r)
	}
	s.checkTogether(rows, add)
	return rows, warnings, vs.Err()
}

// checkForm applies the rules of the contract to a row.
func (s *Service) checkForm(r row, add func(row, string, string)) {
	if math.IsNaN(r.hours.GetHoursWorked()) || math.IsInf(r.hours.GetHoursWorked(), 0) {
		add(r, "hours_worked", "is not a number; write the hours actually worked, 0 or more")
		return
	}
	if r.hours.GetEmploymentGroup() == pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC {
		add(r, "employment_group", publicWorkHours)
		return
	}
	for _, v := range s.rules(r.hours) {
		words := v.Description
		switch v.Field {
		case "hours_worked":
			words = "must be 0 or more and at most 100,000,000: write the hours actually worked"
		case "head_count":
			words = "must be 0 or more and at most 1,000,000: write the average number of people"
		case "employment_group":
			words = "must be employee, labour-hire, contractor or volunteer"
		}
		add(r, v.Field, words)
	}
}

// checkPlace checks that the workplace is there and the month has begun.
func (s *Service) checkPlace(who access.Principal, r row, add func(row, string, string)) {
	h := r.hours
	if !s.tree.Has(h.GetWorkplace()) {
		cure := "there is no workplace " + h.GetWorkplace()
		if near := s.tree.Nearest(h.GetWorkplace(), 3); len(near) > 0 {
			cure += "; did you mean " + strings.Join(near, " or ") + "?"
		} else {
			cure += "; add it first, or mend the name"
		}
		add(r, "workplace", cure)
		return
	}
	if !access.Sees(who, s.tree, h.GetWorkplace()) {
		add(r, "workplace", "your role does not reach this workplace")
		return
	}
	if now := s.clock().In(s.tree.Location(h.GetWorkplace())).Format("2006-01"); h.GetMonth() > now {
		add(r, "month", h.GetMonth()+" has not begun; hours worked can only be known afterwards")
	}
}

// checkHeads compares hours with heads.
func (s *Service) checkHeads(r row, add func(row, string, string), warnings *[]*pb.HoursNote) {
	h := r.hours
	if h.HeadCount == nil {
		return
	}
	heads, worked := h.GetHeadCount(), h.GetHoursWorked()
	switch {
	case heads == 0 && worked > 0:
		add(r, "head_count", "is 0, yet hours were worked: write the average number of people, or leave the cell empty if nobody knows")
	case heads > 0 && worked > heads*monthHours(h.GetMonth()):
		add(r, "hours_worked", fmt.Sprintf("%.0f hours for %g people is more than the month has (%.0f each); check both", worked, heads, monthHours(h.GetMonth())))
	case heads > 0 && worked > heads*oddHours:
		*warnings = append(*warnings, &pb.HoursNote{Line: r.line, Column: "hours_worked",
			Description: fmt.Sprintf("%.0f hours a head is more than %d in a month; taken as it is, but check it", worked/heads, oddHours)})
	}
}

// monthHours is how many hours a month has.
func monthHours(month string) float64 {
	t, err := time.Parse("2006-01", month)
	if err != nil {
		return longestMonth
	}
	return t.AddDate(0, 1, 0).Sub(t).Hours()
}

// checkTogether looks for rows that count the same hours twice: the same block
// twice, or a block and one above or below it.
func (s *Service) checkTogether(rows []row, add func(row, string, string)) {
	seen := map[string]row{}
	for _, r := range rows {
		if first, twice := seen[r.hours.GetName()]; twice {
			where := "an earlier row"
			if first.line > 0 {
				where = fmt.Sprintf("line %d", first.line)
			}
			add(r, "workplace", "the same workplace, month and group stands in "+where+"; keep one of them, or add them up")
			continue
		}
		seen[r.hours.GetName()] = r
	}
	for _, r := range rows {
		if seen[r.hours.GetName()].at != r.at {
			continue
		}
		for _, above := range s.above(r.hours.GetWorkplace()) {
			other, clash := seen[nameOf(above, r.hours.GetMonth(), r.hours.GetEmploymentGroup())]
			if !clash {
				continue
			}
			where := ""
			if other.line > 0 {
				where = fmt.Sprintf(" (line %d)", other.line)
			}
			add(r, "workplace", fmt.Sprintf("%s lies within %s%s, which has hours for the same month and group: they would be counted twice; keep the finer rows or the coarser one", r.hours.GetWorkplace(), above, where))
		}
	}
}

// above returns the workplaces above one, nearest last.
func (s *Service) above(workplace string) []string {
	path := s.tree.Path(workplace)
	if len(path) == 0 {
		return nil
	}
	return path[:len(path)-1]
}

// name is the resource name of a block of hours.
func name(h *pb.Hours) string { return nameOf(h.GetWorkplace(), h.GetMonth(), h.GetEmploymentGroup()) }

func nameOf(workplace, month string, g pb.EmploymentGroup) string {
	word := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(g.String(), "EMPLOYMENT_GROUP_")), "_", "-")
	return workplace + "/hours/" + month + "." + word
}

// same reports whether two blocks say the same, so that the same file brought
// in twice changes nothing.
func same(a, b *pb.Hours) bool {
	return a.GetHoursWorked() == b.GetHoursWorked() && a.GetStatus() == b.GetStatus() && a.GetSource() == b.GetSource() &&
		(a.HeadCount == nil) == (b.HeadCount == nil) && a.GetHeadCount() == b.GetHeadCount()
}

// sorted returns rows in the order of names, so that writes come out the same
// whatever the order of the file.
func sorted(rows []row) []row {
	out := slices.Clone(rows)
	slices.SortFunc(out, func(a, b row) int { return strings.Compare(a.hours.GetName(), b.hours.GetName()) })
	return out
}
