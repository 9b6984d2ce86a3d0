package soak

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// dataset is where imported records say they come from.
const dataset = "old-register"

// importReports brings a few records, and sometimes one that is there already.
func (b *tablet) importReports() *deed {
	req := &pb.ImportReportsRequest{}
	fresh := 1 + b.rng.IntN(5)
	for i := range fresh {
		r := b.report()
		r.TellerMode = pb.TellerMode_TELLER_MODE_UNSPECIFIED
		b.words++
		r.Origin = &pb.Origin{Dataset: dataset, SourceId: fmt.Sprintf("row %d of %d", b.words, b.n), Title: "about " + b.word()}
		req.Records = append(req.Records, &pb.ImportRecord{SourceLine: int64(i + 2), Report: r, Codings: b.codings(r)})
	}
	var known *paper
	if p := b.pick(); p != nil && p.source != "" {
		known = p
		r := b.report()
		r.TellerMode = pb.TellerMode_TELLER_MODE_UNSPECIFIED
		r.Origin = &pb.Origin{Dataset: dataset, SourceId: p.source}
		req.Records = append(req.Records, &pb.ImportRecord{SourceLine: 99, Report: r})
	}
	learn := func(m proto.Message) error {
		a, ok := m.(*pb.ImportReportsResponse)
		if !ok || len(a.GetResults()) != len(req.Records) {
			return fmt.Errorf("%w: %v", errOther, m)
		}
		for i, res := range a.GetResults()[:fresh] {
			// After an answer that was not heard, a record may be there already.
			if res.GetStatus() == pb.ImportStatus_IMPORT_STATUS_REFUSED || res.GetReport() == "" {
				return fmt.Errorf("a record is refused: %v", res.GetViolations())
			}
			rec := req.Records[i]
			p := &paper{report: &pb.Report{Name: res.GetReport(), Kind: rec.GetReport().GetKind(), Narrative: rec.GetReport().GetNarrative(), State: pb.ReportState_REPORT_STATE_RECEIVED},
				seqs: []int64{0}, source: rec.GetReport().GetOrigin().GetSourceId()}
			if len(rec.GetCodings()) > 0 {
				p.coding = rec.GetCodings()[0]
			}
			b.papers = append(b.papers, p)
			b.touched[p] = true
		}
		if known != nil {
			res := a.GetResults()[fresh]
			if res.GetStatus() != pb.ImportStatus_IMPORT_STATUS_UNCHANGED || res.GetReport() != known.report.GetName() {
				return fmt.Errorf("record %s was imported as %s, and again as %v", known.source, known.report.GetName(), res)
			}
		}
		return nil
	}
	return &deed{what: "import reports", learn: learn, again: unchanged,
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.ImportReportsRequest, ...grpc.CallOption) (*pb.ImportReportsResponse, error) {
			return pb.NewReportServiceClient(c).ImportReports
		}, req)}
}

func (b *tablet) codings(r *pb.Report) []*pb.Coding {
	if b.rng.IntN(2) == 0 {
		return nil
	}
	c := &pb.Coding{Mechanism: "21", Origin: pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED}
	if len(r.GetHarms()) > 0 {
		r.Harms[0].HarmId, c.HarmId = "h1", "h1"
	}
	return []*pb.Coding{c}
}

// unchanged is how an import is answered when it comes again: every record is
// there, under the name that was told.
func unchanged(first, now proto.Message) error {
	a, b := first.(*pb.ImportReportsResponse).GetResults(), now.(*pb.ImportReportsResponse).GetResults()
	for i := range a {
		if b[i].GetStatus() != pb.ImportStatus_IMPORT_STATUS_UNCHANGED || b[i].GetReport() != a[i].GetReport() {
			return fmt.Errorf("an import is answered %v when it comes again, the first answer was %v", b[i], a[i])
		}
	}
	return nil
}

// importHours brings the hours of the next two months back.
func (b *tablet) importHours() *deed {
	req := &pb.ImportHoursRequest{RequestId: b.id()}
	for range 2 {
		month := time.Date(base.Year(), base.Month()-time.Month((len(b.hours)+len(req.Rows))%800), 1, 0, 0, 0, 0, time.UTC)
		req.Rows = append(req.Rows, &pb.HoursRow{Line: int64(len(req.Rows) + 2), Hours: &pb.Hours{Workplace: b.crew,
			Month:           month.Format("2006-01"),
			EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, HoursWorked: float64(800 + b.rng.IntN(400)),
			HeadCount: proto.Float64(float64(6 + b.rng.IntN(4))), Source: b.word()}})
	}
	return &deed{what: "import hours", again: equal,
		learn: func(m proto.Message) error {
			a, ok := m.(*pb.ImportHoursResponse)
			if !ok || a.GetCreated() != 2 {
				return fmt.Errorf("two new rows of hours are answered with %v", m)
			}
			for _, row := range req.Rows {
				b.hours = append(b.hours, row.GetHours())
			}
			return nil
		},
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.ImportHoursRequest, ...grpc.CallOption) (*pb.ImportHoursResponse, error) {
			return pb.NewHoursServiceClient(c).ImportHours
		}, req)}
}

func (b *tablet) addPerson() *deed {
	p := &pb.Person{Name: fmt.Sprintf("people/person-%d-%d", b.n, len(b.people)), DisplayName: b.word(), Workplace: b.crew,
		EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}
	return &deed{what: "add person", again: equal,
		learn: func(m proto.Message) error {
			a, ok := m.(*pb.Person)
			if !ok || a.GetName() != p.Name || a.GetDisplayName() != p.DisplayName {
				return fmt.Errorf("%s is answered with %v", p.Name, m)
			}
			b.people = append(b.people, a)
			return nil
		},
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.CreatePersonRequest, ...grpc.CallOption) (*pb.Person, error) {
			return pb.NewWorkplaceServiceClient(c).CreatePerson
		}, &pb.CreatePersonRequest{Person: p, RequestId: b.id()})}
}
