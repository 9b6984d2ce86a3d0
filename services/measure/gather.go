package measure

import (
	"slices"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// person is one person hurt within the period.
type person struct {
	workplace string
	month     month
	day       harm.Day
	group     pb.EmploymentGroup
	harm      *pb.Harm
}

// told is one report within the period.
type told struct {
	workplace string
	month     month
	kind      pb.ReportKind
}

// gathered is everything a question is answered from, at one sequence number.
type gathered struct {
	seq     int64
	people  []person
	reports []told
	hours   *exposure
	// otherSets counts reports of the period that stand in data sets nobody
	// asked for.
	otherSets int
}

// gather walks the facts once.
func (s *Service) gather(q *question) (*gathered, error) {
	filter := proto.Clone(q.filter).(*pb.ReportFilter)
	filter.StartDate, filter.EndDate = q.period.firstDay(), q.period.dayAfterLast()
	wanted := func(dataset string) bool {
		if len(q.datasets) == 0 {
			return dataset == here
		}
		return slices.Contains(q.datasets, dataset)
	}
	g := &gathered{}
	var rows []*pb.Hours
	var err error
	g.seq, err = s.facts.Walk(filter, q.scope,
		func(workplace, dataset string, day harm.Day, kind pb.ReportKind) {
			if !wanted(dataset) {
				g.otherSets++
				return
			}
			g.reports = append(g.reports, told{workplace, monthOf(day), kind})
		},
		func(workplace, dataset string, day harm.Day, h *pb.Harm) {
			if wanted(dataset) {
				g.people = append(g.people, person{workplace, monthOf(day), day, h.GetEmploymentGroup(), h})
			}
		},
		func(h *pb.Hours) { rows = append(rows, h) })
	if err != nil {
		return nil, err
	}
	g.hours = s.expose(q, rows)
	return g, nil
}
