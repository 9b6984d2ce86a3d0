package facts

import (
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// hoursTable keeps every block of hours, in the order of names, so that sums
// come out the same in every run.
type hoursTable struct {
	rows map[string]*pb.Hours
	// names is sorted unless fresh.
	names []string
	fresh bool
}

func (t *hoursTable) init() { t.rows = map[string]*pb.Hours{} }

func (t *hoursTable) put(name string, m *pb.Hours) {
	if _, ok := t.rows[name]; !ok {
		t.fresh = t.fresh || len(t.names) > 0 && t.names[len(t.names)-1] > name
		t.names = append(t.names, name)
	}
	t.rows[name] = &pb.Hours{
		Name: name, Workplace: m.GetWorkplace(), Month: m.GetMonth(), EmploymentGroup: m.GetEmploymentGroup(),
		HoursWorked: m.GetHoursWorked(), HeadCount: m.HeadCount, Status: m.GetStatus(),
	}
}

func (t *hoursTable) settle() {
	if t.fresh {
		slices.SortFunc(t.names, strings.Compare)
		t.fresh = false
	}
}
